"""How a component is called in a sentence: article, letter, number and place (`the oxygen sensor (bank 1, sensor 1)`).

Kept apart from composing because every awkward sentence begins here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from obdwatch.explanations.code_table import Component
from obdwatch.explanations.explanation import Place

_TAIL = re.compile(r" (?=(?:of|in|between|for|at|to|on|with|after|before|by|over|that|while|inside|without)\b)")
# What carries a letter or number of its own is called by it, without an article: "sensor B", "gear 3".
_OWN_NAME = re.compile(r"(?:^|\s)(?:[A-Z]|\d+|neutral|reverse gear)$")
_LETTER_OF = re.compile(r"\bthe (?!.*\bthe\b)([\w -]+) \{letter\}")
_SINGULAR_IN_S = frozenset({"gas", "bus", "process"})
# Which sensor sits where on most cars (common practice); J2012 numbers them from the engine outwards.
_SENSOR_PLACE = {1: "before the catalyst", 2: "after the catalyst"}


@dataclass(frozen=True, slots=True)
class Naming:
    """The words for one component at one place.

    `bare` has no letter ("shift solenoid"), `named` has ("shift solenoid A"), `the` has article and place.
    """

    bare: str
    named: str
    the: str
    place: str
    plural: bool

    def values(self) -> dict[str, str]:
        """What the sentence templates may ask for."""
        return {
            "name": self.bare,
            "Name": capital(self.bare),
            "named": self.named,
            "the": self.the,
            "The": capital(self.the),
            "place": f" ({self.place})" if self.place else "",
            "is": "are" if self.plural else "is",
            "does": "do" if self.plural else "does",
            "has": "have" if self.plural else "has",
        }


def naming_of(component: Component, place: Place) -> Naming:
    """Put together the words for a component at its place."""
    name = component.name.replace("{cam}", place.cam or "")
    bare = name.replace(" {letter}", "")
    head, *tail = _TAIL.split(bare, maxsplit=1)
    in_exhaust = component.group.startswith("oxygen_sensor")
    letter = place.circuit
    if place.sensor and not place.bank and not in_exhaust and not letter:
        # "knock sensor 2", not "knock sensor, sensor 2": nothing but the number tells it apart
        letter, place = str(place.sensor), replace(place, sensor=None)
    named = _letter_inside(name, letter) if bare != name else _with_letter(bare, head, tail, letter)
    where = place_words(place, in_exhaust)
    first = _TAIL.split(named, maxsplit=1)[0]
    article = "" if _OWN_NAME.search(first) and not _is_plural(head) else "the "
    return Naming(
        bare=bare,
        named=named,
        the=f"{article}{named}" + (f" ({where})" if where else ""),
        place=where,
        plural=_is_plural(head),
    )


def with_subject(purpose: str, component: Component, place: Place) -> str:
    """Return the purpose of a component as a sentence that stands alone: "It" and "They" become its name.

    Written explanations speak of the engine computer or the exhaust first, so that "it" would mean those.
    """
    pronoun, _, rest = purpose.partition(" ")
    if pronoun not in ("It", "They"):
        return purpose
    name = naming_of(component, Place(cam=place.cam, circuit=place.circuit)).the
    return f"{capital(name)} {rest}"


def place_words(place: Place, in_exhaust: bool = False) -> str:
    """Return "bank 1, sensor 2, after the catalyst" or "front left"; empty where the code names no place."""
    words = [
        place.position or "",
        f"bank {place.bank}" if place.bank else "",
        f"sensor {place.sensor}" if place.sensor else "",
        _SENSOR_PLACE.get(place.sensor or 0, "") if in_exhaust else "",
        f"cylinder {place.cylinder}" if place.cylinder else "",
    ]
    return ", ".join(word for word in words if word)


def capital(text: str) -> str:
    """Return the text with its first letter as a capital, the rest untouched."""
    return text[:1].upper() + text[1:]


def _letter_inside(name: str, letter: str | None) -> str:
    """The letter belongs to the part named before it ("inverter of drive motor B"), not to the whole."""
    return _LETTER_OF.sub(rf"\1 {letter}", name) if letter else name.replace(" {letter}", "")


def _with_letter(bare: str, head: str, tail: list[str], circuit: str | None) -> str:
    if not circuit:
        return bare
    if "/" in circuit:
        return f"{bare} {circuit.replace('/', ' and ')}"
    return " ".join([head, circuit, *tail])


def _is_plural(head: str) -> bool:
    last = head.split()[-1]
    return " and " in head or (last.endswith("s") and not last.endswith("ss") and last not in _SINGULAR_IN_S)


def filled_in(text: str, values: Mapping[str, str]) -> str:
    """Return a template with its placeholders filled in; those without a value stay."""
    for name, value in values.items():
        text = text.replace(f"{{{name}}}", value)
    return text
