"""Which of a car's numbers start anew when a part is renewed: data (`renewal.csv`), applied before a drive is judged.

A new thermostat must not be judged against the warm-ups of the old one. The table is read from top to bottom and the
first row that fits a feature decides, `*` stands for anything; a feature that no row fits is touched by no repair.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import cache, lru_cache
from pathlib import Path

from obdwatch.part_ages import base_of, repairs
from obdwatch.records import Event, Feature, History

TABLE = "renewal.csv"


@dataclass(frozen=True, slots=True)
class Renewal:
    """A row: the features of a detector that start anew with each of these `parts`, and why."""

    detector: str
    name: str
    parts: tuple[str, ...]
    origin: str


@cache
def renewals() -> tuple[Renewal, ...]:
    """Return the table."""
    with Path(__file__).with_name(TABLE).open(encoding="utf-8", newline="") as file:
        return tuple(
            Renewal(row["detector"], row["name"], tuple(row["parts"].split()), row["origin"])
            for row in csv.DictReader(file)
        )


@lru_cache(maxsize=4096)
def parts_behind(detector: str, name: str) -> tuple[str, ...]:
    """Return the parts whose renewal starts this feature anew, none where the table does not speak of it.

    >>> parts_behind("cranking", "resting_voltage"), parts_behind("nobody", "anything")
    (('battery',), ())
    """
    fitting = (row for row in renewals() if fnmatchcase(detector, row.detector) and fnmatchcase(name, row.name))
    return next((row.parts for row in fitting), ())


def detectors_of(part: str) -> frozenset[str]:
    """Return the detectors that have a feature which a new `part` (place allowed) starts anew."""
    return frozenset(row.detector for row in renewals() if base_of(part) in row.parts)


def since_renewal(history: History) -> History:
    """Return a history without what was measured on parts that have since been renewed, in whatever place.

    What cannot be shown to be later than the repair is left out. Repairs are kept as they are; events too.
    """
    done = repairs(history.events)
    if not done:
        return history
    anew: dict[tuple[str, str], list[Event]] = {}  # the repairs that concern a feature: found once for all drives
    kept = []
    for feature in history.features:
        key = feature.detector, feature.name
        concern = anew.get(key)
        if concern is None:
            parts = parts_behind(*key)
            concern = anew[key] = [repair for repair in done if base_of(repair.part) in parts]
        if not concern or all(_after(feature, repair) for repair in concern):
            kept.append(feature)
    return history if len(kept) == len(history.features) else replace(history, features=tuple(kept))


def _after(feature: Feature, repair: Event) -> bool:
    """Whether a drive came after a repair, by date or else by odometer."""
    if feature.at is not None:
        return feature.at > repair.at
    if feature.odometer_km is not None and repair.odometer_km is not None:
        return feature.odometer_km > repair.odometer_km
    return False
