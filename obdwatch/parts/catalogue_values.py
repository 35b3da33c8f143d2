"""Readers of single values of the catalogue's files: each returns the checked value or says in one line what is wrong.

Every message names file, line and key, what is there, and what may be there.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any

from obdwatch.car_profiles import CAMS, CHOICES, CYLINDERS
from obdwatch.errors import InputError
from obdwatch.parts.documents import Document, KeyPath
from obdwatch.parts.part import Life
from obdwatch.units import KM_PER_MILE

PER = ("car", "bank", "cylinder")
ORIGINS = ("source:", "common practice:", "assumption:")
LIFE_KEYS = ("shape", "scale_km", "scale_miles", "origin")
# Widest limits (common practice); outside them a number is in another unit or a slip.
MOST_HOURS = 200.0
MOST_MONEY = 1e9  # in any currency; a larger price is a slip, and drowns all others in a plan
SHAPES = (0.1, 20.0)
SCALES_KM = (1_000.0, 5_000_000.0)
CONDITION_FIELDS = (
    "id", "fuel", "layout", "induction", "air_metering", "cam_timing", "intake_flaps", "coolant_pump", "ignition",
    "plug_type", "transmission", "cylinders",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Names:
    """What may be named: ids of parts, steps and extras, and sentences by id."""

    part: Collection[str]
    step: Collection[str]
    extra: Collection[str]
    sentence: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Value:
    """A value with its place in the document and what it may name."""

    document: Document
    path: KeyPath
    value: Any
    names: Names

    def at(self, key: str | int, value: Any) -> Value:
        """Return a value inside this one."""
        return Value(self.document, (*self.path, key), value, self.names)

    def wrong(self, problem: str) -> InputError:
        """Return an error that names file, line and key of this value."""
        said = f"{self.document.place(self.path)}: {key_words(self.path)} {problem}"
        return InputError(" ".join(said.split()))  # one line, whatever a key holds


Reader = Callable[[Value], Any]


def key_words(path: KeyPath) -> str:
    """Write a key path as in the file, with entries of lists counted from 1; of variants, the line tells which.

    >>> key_words(("part", "thermostat", "access", 0)), key_words(("part", "thermostat", "variant", 0, "price"))
    ('part.thermostat.access[1]', 'part.thermostat.variant.price')
    """
    said = ""
    for before, key in zip(("", *path), path, strict=False):
        said += ("" if before == "variant" else f"[{key + 1}]") if isinstance(key, int) else f".{key}"
    return said.lstrip(".")


def shown(value: object) -> str:
    """Write a value for a message, cut where it is long."""
    if isinstance(value, bool):
        return str(value).lower()
    text = "a table" if isinstance(value, dict) else repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def close_to(word: str, known: Collection[str]) -> str:
    """Return what was probably meant, or all that may be there, as the end of a message."""
    close = difflib.get_close_matches(word, list(known), 1)
    return f"did you mean '{close[0]}'?" if close else f"there are {', '.join(known) or 'none'}"


def table(value: Value) -> Mapping[str, Any]:
    """A table of keys."""
    if not isinstance(value.value, dict):
        raise value.wrong(f"must be a table of keys, not {shown(value.value)}")
    return value.value


def text(value: Value) -> str:
    """A text that is not empty."""
    if not isinstance(value.value, str) or not value.value.strip():
        raise value.wrong(f"must be a text in quotes, not {shown(value.value)}")
    return " ".join(value.value.split())


def flag(value: Value) -> bool:
    """True or false."""
    if not isinstance(value.value, bool):
        raise value.wrong(f"must be true or false, without quotes, not {shown(value.value)}")
    return value.value


def number(value: Value) -> float:
    """A finite number."""
    found = value.value
    if isinstance(found, bool) or not isinstance(found, int | float) or not math.isfinite(found):
        raise value.wrong(f"must be a number, without quotes, not {shown(found)}")
    return float(found)


def money(value: Value) -> float:
    """An amount of zero or more, in the user's currency."""
    amount = number(value)
    if amount < 0:
        raise value.wrong(f"must be zero or more, not {shown(value.value)}")
    if amount > MOST_MONEY:
        raise value.wrong(f"must be no more than {MOST_MONEY:,.0f}, not {shown(value.value)}")
    return amount


def hours(value: Value) -> float:
    """Working time [h]."""
    time = number(value)
    if not 0 <= time <= MOST_HOURS:
        raise value.wrong(f"must be hours between 0 and {MOST_HOURS:g}, not {shown(value.value)}")
    return time


def per(value: Value) -> str:
    """What a part is counted by."""
    if value.value not in PER:
        raise value.wrong(f"must be one of {', '.join(PER)}, not {shown(value.value)}")
    return str(value.value)


def entries(value: Value) -> list[Value]:
    """The entries of a list, each with its place."""
    if not isinstance(value.value, list):
        raise value.wrong(f"must be a list in square brackets, not {shown(value.value)}")
    return [value.at(number, entry) for number, entry in enumerate(value.value)]


def _ids(kind: str) -> Reader:
    """A list of ids of parts, steps or extras that exist, each once."""

    def read(value: Value) -> tuple[str, ...]:
        known = getattr(value.names, kind)
        found: list[str] = []
        for entry in entries(value):
            if text(entry) not in known:
                raise entry.wrong(
                    f"names the {kind} '{entry.value}', which does not exist; {close_to(entry.value, known)}"
                )
            if entry.value in found:
                raise entry.wrong(f"names the {kind} '{entry.value}' a second time; take one out")
            found.append(entry.value)
        return tuple(found)

    return read


part_ids, step_ids, extra_ids = _ids("part"), _ids("step"), _ids("extra")


def sentence(value: Value) -> str:
    """A sentence, or the id of one that several parts share."""
    said = text(value)
    if " " in said:
        return said
    if said not in value.names.sentence:
        known = value.names.sentence
        raise value.wrong(f"is '{said}': write a sentence, or the id of a shared one; {close_to(said, known)}")
    return value.names.sentence[said]


def sentences(value: Value) -> tuple[str, ...]:
    """A list of sentences."""
    return tuple(sentence(entry) for entry in entries(value))


def keys_of(
    value: Value, known: Collection[str], required: Collection[str] = (), hint: Callable[[], str] = lambda: "add it"
) -> Mapping[str, Any]:
    """A table that holds only known keys, and all that are required; `hint` ends the message where one is missing."""
    found = table(value)
    for key in found:
        if key not in known:
            raise value.at(key, None).wrong(f"is no key that may stand here; {close_to(key, known)}")
    for key in required:
        if key not in found:
            raise value.wrong(f"lacks the key '{key}'; {hint()}")
    return found


def life(value: Value) -> Life:
    """A Weibull distribution of distance, in kilometres or miles, with its origin."""
    found = keys_of(value, LIFE_KEYS, ("shape", "origin"))
    units = [key for key in ("scale_km", "scale_miles") if key in found]
    if not units:
        raise value.wrong("lacks the key 'scale_km' (or 'scale_miles'); add one")
    if len(units) == 2:
        raise value.at(units[1], None).wrong("stands beside scale_km; take one of both out")
    scale_value = value.at(units[0], found[units[0]])
    scale = _positive(scale_value) * (KM_PER_MILE if units[0] == "scale_miles" else 1.0)
    if not SCALES_KM[0] <= scale <= SCALES_KM[1]:
        low, high = (f"{limit / (scale / scale_value.value):,.0f}" for limit in SCALES_KM)
        raise scale_value.wrong(f"must lie between {low} and {high}, not {shown(scale_value.value)}; write it in full")
    shape_value = value.at("shape", found["shape"])
    shape = _positive(shape_value)
    if not SHAPES[0] <= shape <= SHAPES[1]:
        raise shape_value.wrong(f"must lie between {SHAPES[0]:g} and {SHAPES[1]:g}, not {shown(shape)}")
    return Life(shape, scale, _origin(value.at("origin", found["origin"])))


def _positive(value: Value) -> float:
    found = number(value)
    if found <= 0:
        raise value.wrong(f"must be above zero, not {shown(value.value)}")
    return found


def _origin(value: Value) -> str:
    said = text(value)
    if not any(said.startswith(f"{kind} ") for kind in ORIGINS):
        kinds = ", ".join(f"'{kind} ...'" for kind in ORIGINS)
        raise value.wrong(f"must say where the figure comes from: {kinds}; not {shown(said)}")
    return said


def condition(value: Value) -> Mapping[str, tuple[Any, ...]]:
    """Fields of a car's profile with the values something holds for."""
    found = keys_of(value, CONDITION_FIELDS)
    return {name: tuple(_allowed(value, name, given)) for name, given in found.items()}


def _allowed(value: Value, name: str, given: Any) -> list[Any]:
    several = entries(value.at(name, given)) if isinstance(given, list) else [value.at(name, given)]
    if not several:
        raise value.at(name, given).wrong("names no value; leave it out, or name one")
    for one in several:
        if name == "intake_flaps":
            flag(one)
        elif name == "cylinders":
            if number(one) != int(one.value) or not CYLINDERS[0] <= one.value <= CYLINDERS[1]:
                raise one.wrong(f"must be a whole number from {CYLINDERS[0]} to {CYLINDERS[1]}, not {shown(one.value)}")
        else:
            known = CAMS if name == "cam_timing" else CHOICES.get(name)
            if text(one) and known is not None and one.value not in known:
                raise one.wrong(f"must be one of {', '.join(known)}, not {shown(one.value)}")
    return [one.value for one in several]
