"""The facts behind a code: which component, what is wrong with it, and where (`codes.csv`, `components.csv`).

The rows are facts of SAE J2012; bank, sensor, cylinder and cam stand in columns of their own, never in a sentence.
Only the rows asked for are parsed.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from obdwatch.explanations.explanation import Place
from obdwatch.explanations.toml_sections import text_of

DATA = Path(__file__).parent / "data"
CODES = DATA / "codes.csv"
COMPONENTS = DATA / "components.csv"
FAILURE_TYPES = DATA / "failure_types.csv"
UNSURE = DATA / "unsure.csv"  # codes of whose meaning we are not certain, and why: "order" or "memory"

RESERVED = "reserved"  # the failure type of a number that the standard keeps for later


@dataclass(frozen=True, slots=True)
class CodeFacts:
    """One row of the code table; `component` is empty for a reserved number."""

    code: str
    component: str
    fault: str
    place: Place


@dataclass(frozen=True, slots=True)
class Component:
    """One row of the component table.

    `kind` chooses the wording of a failure type, `group` names the system it shares its consequences with,
    `part` is a wear part id (may hold `{cam}`), `live_data` are parameter keys (may hold `{bank}`, `{sensor}`,
    `{letter}`, `{other_letter}` of a pair; `~` before it: a consequence), `urgency` is empty where that of the group
    holds.
    """

    id: str
    name: str
    kind: str
    group: str
    purpose: str
    part: str
    live_data: tuple[str, ...]
    urgency: str


def facts_of(code: str) -> CodeFacts | None:
    """Return the row of a code, None where the table has none."""
    row = _row(CODES, code)
    return None if row is None else _facts(row)


def all_facts() -> Iterator[CodeFacts]:
    """Yield every row of the code table, in order of the codes."""
    return (_facts(row) for row in _rows(CODES))


def component_of(component: str) -> Component | None:
    """Return the row of a component, None for a condition, which has none."""
    row = _row(COMPONENTS, component)
    if row is None:
        return None
    name, kind, group, purpose, part, live_data, urgency = row[1:]
    return Component(
        component, name, kind, group, purpose, part, tuple(live_data.split(";")) if live_data else (), urgency
    )


def failure_type_words(byte: int) -> tuple[str, str] | None:
    """Return (words, source) of a failure type byte, None where it is not in the table."""
    row = _row(FAILURE_TYPES, f"{byte:02X}")
    return None if row is None else (row[1], row[2])


def unsure_because(code: str) -> str | None:
    """Return why the meaning of a code is not certain (a key of `unsure.csv`), None where it is."""
    row = _row(UNSURE, code)
    return None if row is None else row[1]


def _facts(row: list[str]) -> CodeFacts:
    code, component, fault, bank, sensor, cylinder, cam, circuit, position = row
    place = Place(
        bank=int(bank) if bank else None,
        sensor=int(sensor) if sensor else None,
        cylinder=int(cylinder) if cylinder else None,
        cam=cam or None,
        circuit=circuit or None,
        position=position or None,
    )
    return CodeFacts(code, component, fault, place)


def _row(path: Path, key: str) -> list[str] | None:
    text = text_of(path)
    start = text.find(f"\n{key},")
    if start < 0:
        return None
    return next(csv.reader([text[start + 1 : text.find("\n", start + 1)]]))


def _rows(path: Path) -> Iterator[list[str]]:
    return csv.reader(text_of(path).splitlines()[1:])
