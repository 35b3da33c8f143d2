"""How far a car is driven in a year, as its odometer readings show; it turns distances into dates."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta

from obdwatch.planning.wishes import DAYS_PER_YEAR
from obdwatch.units import KM_PER_MILE

LEAST_DAYS = 60.0  # readings closer together tell of a holiday or an illness, not of a year (assumption)


def yearly_miles(readings: Iterable[tuple[datetime, float]]) -> float | None:
    """Return the distance per year [mile] between the first and the last reading (aware time, km), None where unknown.

    >>> from datetime import UTC
    >>> round(yearly_miles([(datetime(2026, 1, 1, tzinfo=UTC), 100_000.0),
    ...                     (datetime(2026, 7, 2, 15, tzinfo=UTC), 108_046.72)]))
    10000
    """
    ordered = sorted(readings)
    if not ordered:
        return None
    (began, low), (ended, high) = ordered[0], ordered[-1]
    days = (ended - began).total_seconds() / 86_400.0
    if days < LEAST_DAYS or high <= low:
        return None
    return (high - low) / KM_PER_MILE / days * DAYS_PER_YEAR


def day_of(miles: float, today: date, per_year: float | None) -> date | None:
    """Return the day by which a distance from now [mile] is driven, None where that is not known.

    >>> day_of(5_000.0, date(2026, 1, 1), 10_000.0)
    datetime.date(2026, 7, 3)
    """
    if per_year is None:
        return None
    try:
        return today + timedelta(days=round(miles / per_year * DAYS_PER_YEAR))
    except OverflowError:  # a car that hardly moves
        return None
