"""Which numbers are compared before and after a repair, and what makes two of them comparable: data, not code.

`measures.csv` is read from top to bottom, the first row that fits decides. `kind` says how: `value` (a measure of a
finding), `position` (a measure by its place in the range that its detector expects of that very drive: -1 the lower
end, 1 the upper), `cells` (means at equal engine speed and load), `count` (misfires per firing). `harm` is the
direction that is bad. A limit `expected` is that of the detector. `scatter` is what a sound car's number is taken to
scatter by from drive to drive (standard deviation, in the unit of the measure). `when_bad` is the scatter that comes on
top out of range, as a share of how far out: a fault shows more or less by road and weather (0.85 to 1.1 measured on
warm-ups of all kinds of trips whose physics is written in the tests, of which half is a compromise; hardly any on leaks
in equal cells; the others are assumptions). `alike` names the conditions that must agree, and how closely.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from enum import StrEnum
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path

TABLE = "measures.csv"
EXPECTED = "expected"


class Kind(StrEnum):
    """How a number is compared."""

    VALUE = "value"
    POSITION = "position"
    CELLS = "cells"
    COUNT = "count"


class Harm(StrEnum):
    """The direction that is bad for the car."""

    RISE = "rise"
    FALL = "fall"
    BOTH = "both"


@dataclass(frozen=True, slots=True)
class Rule:
    """A row of the table; `alike` holds (condition, how closely) pairs."""

    detector: str
    name: str
    kind: Kind
    harm: Harm
    lower: float | None
    upper: float | None
    lower_expected: bool
    upper_expected: bool
    scatter: float
    when_bad: float
    alike: tuple[tuple[str, float], ...]
    words: str
    origin: str

    def limits(self, expected: tuple[float, float] | None) -> tuple[float | None, float | None]:
        """Return lower and upper limit, given the range the detector expects."""
        low, high = expected if expected is not None else (None, None)
        return (low if self.lower_expected else self.lower, high if self.upper_expected else self.upper)


@cache
def rules() -> tuple[Rule, ...]:
    """Return the table."""
    with Path(__file__).with_name(TABLE).open(encoding="utf-8", newline="") as file:
        return tuple(_rule(row) for row in csv.DictReader(file))


def rule_for(detector: str, name: str) -> Rule | None:
    """Return the row that speaks of a number, None where it is not compared."""
    return next((r for r in rules() if r.detector == detector and fnmatchcase(name, r.name)), None)


def _rule(row: dict[str, str]) -> Rule:
    pairs = (pair.split(":") for pair in row["alike"].split())
    return Rule(
        row["detector"],
        row["name"],
        Kind(row["kind"]),
        Harm(row["harm"]),
        _number(row["lower"]),
        _number(row["upper"]),
        row["lower"] == EXPECTED,
        row["upper"] == EXPECTED,
        _number(row["scatter"]) or 0.0,
        _number(row["when_bad"]) or 0.0,
        tuple((name, float(tolerance)) for name, tolerance in pairs),
        row["words"],
        row["origin"],
    )


def _number(text: str) -> float | None:
    return float(text) if text not in ("", EXPECTED) else None
