"""What to look for in live values: said by the failure type, or by the system that failed (`data/live_hints.csv`).

A value of which nothing certain can be said is better not shown at all.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from obdwatch.explanations.code_table import DATA, CodeFacts, Component
from obdwatch.explanations.explanation import LiveData
from obdwatch.explanations.naming import filled_in
from obdwatch.explanations.toml_sections import text_of

LIVE_HINTS = DATA / "live_hints.csv"
# A live value marked so in components.csv does not come from the component itself: it only shows what follows.
CONSEQUENCE = "~"
_NAMED_WITHOUT_LETTER = {"throttle_position_a": "throttle_position"}  # SAE J1979 calls the first sensor so
LEFT_OUT = "-"  # in the table: this value says nothing about this system


@dataclass(frozen=True, slots=True)
class Hint:
    """What to look for in a live value: as the first one shown, or beside the first."""

    first: str = ""
    beside: str = ""


def hints_for(group: str, key: str, *, electrical: bool) -> Hint:
    """Return what to look for in `key` (as in components.csv, with its placeholders) for a component of `group`.

    `electrical`: the fault is in the wiring, not in how the part works.
    """
    working, wiring, beside = _hints().get((group, key), ("", "", ""))
    return Hint(wiring if electrical else working, beside)


@lru_cache(maxsize=1)
def _hints() -> Mapping[tuple[str, str], tuple[str, str, str]]:
    rows = csv.reader(text_of(LIVE_HINTS).splitlines()[1:])
    # "=" in the column of wiring faults: the same sentence as for a part that does not work
    return MappingProxyType(
        {
            (group, key): (working, working if wiring == "=" else wiring, beside)
            for group, key, working, wiring, beside in rows
        }
    )


def live_data_of(component: Component, facts: CodeFacts, fault: Mapping[str, Any]) -> tuple[LiveData, ...]:
    """Return what to look for in each live value; a value of which nothing certain can be said is left out.

    The failure type says it of the first value where that comes from the component itself; else the hints do.
    """
    place = facts.place
    letters = (place.circuit or "d").lower().split("/")
    values = {
        "bank": str(place.bank or 1),
        "sensor": str(place.sensor or 1),
        "letter": letters[0],
        "other_letter": letters[-1],
    }
    found: list[LiveData] = []
    for number, marked in enumerate(component.live_data):
        key = marked.removeprefix(CONSEQUENCE)
        hint = hints_for(component.group, key, electrical=bool(fault.get("electrical")))
        said = hint.first if marked.startswith(CONSEQUENCE) else fault["look_for"] or hint.first
        if number and not marked.startswith(CONSEQUENCE):
            said = hint.beside or (
                f"Look at it side by side with the {parameter_words(found[0].key)}." if found else ""
            )
        if said and said != LEFT_OUT:
            filled = filled_in(key, values)
            found.append(LiveData(_NAMED_WITHOUT_LETTER.get(filled, filled), said))
    return tuple(found)


def beside_each_other(keys: list[str], look_for: str) -> tuple[LiveData, ...]:
    """Return live values of which the first is looked at and the others are held against it."""
    if not keys:
        return ()
    return (LiveData(keys[0], look_for), *(LiveData(key, _side_by_side(keys[0])) for key in keys[1:]))


def _side_by_side(key: str) -> str:
    return f"Look at it side by side with the {parameter_words(key)}."


def parameter_words(key: str) -> str:
    """Return a parameter key in plain words, without the abbreviations that keys use."""
    words = {"egr": "exhaust recirculation", "evap": "tank"}
    return " ".join(words.get(word, word) for word in key.split("_"))
