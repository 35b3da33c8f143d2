"""Which numbers of the car's history are followed, what harm looks like, and where their limits are: data, not code.

`trend_features.csv` is read from top to bottom and the first row that fits a feature decides; `*` stands for anything.
`harm` is the direction of wear (rise, fall, both), or `none` for what says more of the weather, the road or the length
of the drive than of the car; `origin` then gives the reason. A limit `expected` is the end of the range that the
feature's own detector expects on the newest drive. What no row fits is not followed.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fnmatch import fnmatchcase
from functools import cache, lru_cache
from pathlib import Path

from obdwatch.records import Feature, Finding

TABLE = "trend_features.csv"
EXPECTED = "expected"


class Harm(StrEnum):
    """The direction in which a number moves as something wears."""

    RISE = "rise"
    FALL = "fall"
    BOTH = "both"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Rule:
    """A row of the table; a limit is a number, None, or `from_detector` where the detector's range is the limit."""

    detector: str
    name: str
    harm: Harm
    lower: float | None = None
    upper: float | None = None
    lower_from_detector: bool = False
    upper_from_detector: bool = False
    parts: tuple[str, ...] = ()
    origin: str = ""

    def fits(self, detector: str, name: str) -> bool:
        """Whether the row speaks of this feature."""
        return fnmatchcase(detector, self.detector) and fnmatchcase(name, self.name)

    def limits(self, expected: tuple[float, float] | None) -> tuple[float | None, float | None]:
        """Return lower and upper limit, given the range that the detector expects on the newest drive."""
        low, high = expected if expected is not None else (None, None)
        return (low if self.lower_from_detector else self.lower, high if self.upper_from_detector else self.upper)


@cache
def rules() -> tuple[Rule, ...]:
    """Return the table."""
    with Path(__file__).with_name(TABLE).open(encoding="utf-8", newline="") as file:
        return tuple(_rule(row) for row in csv.DictReader(file))


def rule_for(detector: str, name: str, table: Sequence[Rule]) -> Rule | None:
    """Return the first row that fits a feature, None where none does."""
    return _shipped_rule(detector, name) if table is rules() else _first_fit(detector, name, table)


@lru_cache(maxsize=4096)  # names come again with every drive, and matching a hundred patterns costs milliseconds
def _shipped_rule(detector: str, name: str) -> Rule | None:
    return _first_fit(detector, name, rules())


def _first_fit(detector: str, name: str, table: Sequence[Rule]) -> Rule | None:
    return next((rule for rule in table if rule.fits(detector, name)), None)


def unclassified(features: Iterable[Feature | Finding], table: Sequence[Rule] | None = None) -> tuple[str, ...]:
    """Return the names (`detector/name`) that no row speaks of, for whoever adds a detector."""
    known = table if table is not None else rules()
    names: set[tuple[str, str]] = set()
    for one in features:
        if isinstance(one, Feature):
            names.add((one.detector, one.name))
        else:
            names |= {(one.detector, measure.name) for measure in (*one.measures, *one.learnt)}
    return tuple(sorted(f"{detector}/{name}" for detector, name in names if rule_for(detector, name, known) is None))


def _rule(row: dict[str, str]) -> Rule:
    return Rule(
        detector=row["detector"],
        name=row["name"],
        harm=Harm(row["harm"]),
        lower=_number(row["lower"]),
        upper=_number(row["upper"]),
        lower_from_detector=row["lower"] == EXPECTED,
        upper_from_detector=row["upper"] == EXPECTED,
        parts=tuple(row["parts"].split()),
        origin=row["origin"],
    )


def _number(text: str) -> float | None:
    return float(text) if text not in ("", EXPECTED) else None
