"""Whether the odometer readings of a car can all be true."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from obdwatch.units import odometer_text

MOST_KM_PER_DAY = 2500.0  # two drivers taking turns at 105 km/h for 24 hours
SLACK_KM = 1.0  # readings are rounded to whole kilometres or miles
SECONDS_PER_DAY = 86400.0


@dataclass(frozen=True, slots=True)
class Reading:
    """An odometer reading: `at` (aware), `km`, and where it comes from in words ("the drive of ...")."""

    at: datetime
    km: float
    place: str


def contradictions(readings: Iterable[Reading], units: str = "metric") -> tuple[str, ...]:
    """Return a sentence for each pair of neighbouring readings that cannot both be true.

    The clock of a car only counts up, and a car covers no more than `MOST_KM_PER_DAY`. Distances are
    said in `units`.
    """
    found = []
    before: Reading | None = None
    for reading in sorted(readings, key=lambda reading: reading.at):
        if before is not None and (problem := _problem(before, reading, units)) is not None:
            found.append(problem)
        if before is None or reading.km >= before.km:
            before = reading
    return tuple(found)


def _problem(before: Reading, after: Reading, units: str) -> str | None:
    if after.km < before.km - SLACK_KM:
        return (
            f"{after.place} has {odometer_text(after.km, units)} on {after.at:%Y-%m-%d}, less than "
            f"{odometer_text(before.km, units)} of {before.place} on {before.at:%Y-%m-%d}; correct one of them"
        )
    days = (after.at - before.at).total_seconds() / SECONDS_PER_DAY
    if after.km - before.km > MOST_KM_PER_DAY * days + SLACK_KM:
        return (
            f"from {before.place} on {before.at:%Y-%m-%d} to {after.place} on {after.at:%Y-%m-%d} the odometer gained "
            f"{odometer_text(after.km - before.km, units)}, more than a car can cover; correct one of them"
        )
    return None
