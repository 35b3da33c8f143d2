"""The questions of the guided inspection: data of `data/inspection.toml`, checked where it is read.

A "yes" is always the sign of wear. The numbers are P(yes) where only one part is worn and where nothing is; between
them stands the usual network of independent causes (noisy-or), as everywhere in this folder.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from typing import Any

from obdwatch.car_profiles import PART_IDS
from obdwatch.errors import InputError
from obdwatch.records import Car

SHIPPED = Path(__file__).parent / "data" / "inspection.toml"
YES, NO, COULD_NOT_LOOK = "yes", "no", "could not look"
ANSWERS = (YES, NO, COULD_NOT_LOOK)
ORIGINS = ("source", "common practice", "assumption")


class Engine(StrEnum):
    """The state a question needs the car to be in, in the order of a walk: a cold engine is only cold once."""

    REMEMBERED = "remembered"
    COLD_OFF = "cold_off"
    COLD_START = "cold_start"
    RUNNING = "running"


PLACES: Mapping[Engine, tuple[str, ...]] = {
    Engine.REMEMBERED: ("seat",),
    Engine.COLD_OFF: ("ground", "side", "top", "front"),
    Engine.COLD_START: ("seat", "rear", "side", "front"),
    Engine.RUNNING: ("front", "top", "side", "rear", "seat"),
}
"""Where one stands, in the order of a walk without going back and forth: each state begins where the last one ended, or
at the seat, where the engine is started."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question. `yes_if_degraded` maps part ids to P(yes | only that part degraded), each above `yes_if_sound`.

    `cautions` are sentences; `minutes` what it takes; `only_for` maps fields of the profile to the values that have the
    thing at all; `origins` says by part, and for `yes_if_sound` under "sound", where a number comes from, `fact` where
    the sign itself is from.
    """

    id: str
    text: str
    look: str
    sign: str
    engine: Engine
    place: str
    minutes: float
    cautions: tuple[str, ...]
    symptom: str
    only_for: Mapping[str, tuple[Any, ...]]
    fact: str
    yes_if_sound: float
    yes_if_degraded: Mapping[str, float]
    origins: Mapping[str, str]

    def ratio(self, part: str, answer: str) -> float:
        """Return P(answer | only this part degraded) / P(answer | sound); 1 for "could not look" and other parts."""
        worn, sound = self.yes_if_degraded.get(part, self.yes_if_sound), self.yes_if_sound
        return {YES: worn / sound, NO: (1.0 - worn) / (1.0 - sound)}.get(answer, 1.0)

    def fits(self, car: Car | None) -> bool:
        """Whether a car can have what is asked about; what a profile does not say is asked."""
        return all(
            value is None or value in allowed
            for field, allowed in self.only_for.items()
            for value in (getattr(car, field, None),)
        )


@dataclass(frozen=True, slots=True)
class Questions:
    """All questions by id in the order of the file; after `fades_km` [km] an answer keeps half of its weight.

    `plain` is P(yes | degraded), P(yes | sound) of a log entry that names no question.
    """

    by_id: Mapping[str, Question]
    fades_km: Mapping[str, float]
    plain: tuple[float, float]


@lru_cache(maxsize=4)
def read_questions(path: Path = SHIPPED) -> Questions:
    """Read the questions. Raises InputError, naming file, question and key, for what is not of this shape."""
    try:
        table = tomllib.loads(path.read_text("utf-8"))
    except (OSError, UnicodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error})") from None
    place = str(path)
    fading, plain = _table(table, "fading", place), _table(table, "plain", place)
    cautions = _table(table, "cautions", place)
    entries = table.get("question")
    if not isinstance(entries, list) or not all(isinstance(one, dict) for one in entries):
        raise InputError(f"{path}: it must hold [[question]] tables")
    questions = [_question(entry, cautions, f"{path}, question {n}") for n, entry in enumerate(entries, start=1)]
    by_id = {one.id: one for one in questions}
    if len(by_id) < len(questions):
        twice = next(one.id for one in questions if [q.id for q in questions].count(one.id) > 1)
        raise InputError(f"{path}: two questions have the id '{twice}'")
    fades = {answer: _number(fading, f"{answer}_km", f"{path} [fading]", 1.0, 1e7) for answer in (YES, NO)}
    both = (_share(plain, "yes_if_degraded", f"{path} [plain]"), _share(plain, "yes_if_sound", f"{path} [plain]"))
    return Questions(by_id, fades, both)


_KEYS = {field.name for field in fields(Question)} - {"yes_if_degraded", "origins"} | {"parts", "origin"}


def _question(entry: Mapping[str, Any], cautions: Mapping[str, Any], place: str) -> Question:
    name = _text(entry, "id", place)
    place = f"{place} ('{name}')"
    if unknown := sorted(set(entry) - _KEYS):
        raise InputError(f"{place}: a question has no key '{unknown[0]}'; it may have {', '.join(sorted(_KEYS))}")
    if name != name.lower() or not name.replace("_", "").isalnum() or not name.isascii():
        raise InputError(f"{place}: an id is of small letters, digits and '_'")
    engine = _text(entry, "engine", place)
    if engine not in list(Engine):
        raise InputError(f"{place}: engine is '{engine}'; it may be {', '.join(Engine)}")
    stand = _text(entry, "place", place)
    if stand not in PLACES[Engine(engine)]:
        raise InputError(f"{place}: place is '{stand}'; with engine '{engine}': {', '.join(PLACES[Engine(engine)])}")
    sound = _share(entry, "yes_if_sound", place)
    parts = {part: _part(part, about, sound, place) for part, about in _table(entry, "parts", place).items()}
    if not parts:
        raise InputError(f"{place}: it must speak for a part")
    named = entry.get("cautions", [])
    if not isinstance(named, list) or not all(isinstance(cautions.get(one), str) for one in named):
        raise InputError(f"{place}: cautions must be a list of {', '.join(cautions)}")
    return Question(
        id=name,
        text=_text(entry, "text", place),
        look=_text(entry, "look", place),
        sign=_text(entry, "sign", place),
        engine=Engine(engine),
        place=stand,
        minutes=_number(entry, "minutes", place, 0.1, 120.0),
        cautions=tuple(cautions[one] for one in named),
        symptom=_text({"symptom": name} | dict(entry), "symptom", place),
        only_for={field: _values(field, values, place) for field, values in entry.get("only_for", {}).items()},
        fact=_origin(entry, "fact", place),
        yes_if_sound=sound,
        yes_if_degraded={part: worn for part, (worn, _) in parts.items()},
        origins={"sound": _origin(entry, "origin", place)} | {part: origin for part, (_, origin) in parts.items()},
    )


def _part(part: str, about: Any, sound: float, place: str) -> tuple[float, str]:
    if part not in PART_IDS:
        raise InputError(f"{place}: no part is called '{part}'; parts are {', '.join(PART_IDS)}")
    place = f"{place}, parts.{part}"
    if not isinstance(about, dict):
        raise InputError(f"{place}: must be a table with yes_if_degraded and origin")
    worn = _share(about, "yes_if_degraded", place)
    if worn <= sound:
        raise InputError(f"{place}: yes_if_degraded is {worn:g}; it must be above yes_if_sound ({sound:g})")
    return worn, _origin(about, "origin", place)


def _values(field: str, values: Any, place: str) -> tuple[Any, ...]:
    if field not in {one.name for one in fields(Car)}:
        raise InputError(f"{place}: only_for names '{field}', which a car profile does not have")
    if not isinstance(values, list) or not values:
        raise InputError(f"{place}: only_for.{field} must be a list of values")
    return tuple(values)


def _table(table: Mapping[str, Any], key: str, place: str) -> Mapping[str, Any]:
    found = table.get(key)
    if not isinstance(found, dict):
        raise InputError(f"{place}: the table '{key}' is missing")
    return found


def _text(table: Mapping[str, Any], key: str, place: str) -> str:
    found = table.get(key)
    if not isinstance(found, str) or not found.strip():
        raise InputError(f"{place}: {key} must be a text")
    return found


def _origin(table: Mapping[str, Any], key: str, place: str) -> str:
    found = _text(table, key, place)
    if not found.startswith(ORIGINS):
        raise InputError(f"{place}: {key} must begin with {', '.join(ORIGINS)}")
    return found


def _number(table: Mapping[str, Any], key: str, place: str, low: float, high: float) -> float:
    found = table.get(key)
    if isinstance(found, bool) or not isinstance(found, int | float) or not low <= found <= high:
        raise InputError(f"{place}: {key} must be a number from {low:g} to {high:g}")
    return float(found)


def _share(table: Mapping[str, Any], key: str, place: str) -> float:
    found = _number(table, key, place, 0.0, 1.0)
    if not 0.0 < found < 1.0:
        raise InputError(f"{place}: {key} must lie between 0 and 1, without either: nothing is certain")
    return found
