"""How a report says dates, distances, counts and names."""

from __future__ import annotations

from datetime import datetime

from obdwatch.records import Session
from obdwatch.units import screen_unit, to_screen


def day(at: datetime | None) -> str:
    """Return a day in UTC, the same wherever the report is read.

    >>> from datetime import UTC
    >>> day(datetime(2026, 3, 1, 7, 10, tzinfo=UTC)), day(None)
    ('1 March 2026', 'no date')
    """
    return f"{at.day} {at:%B %Y}" if at is not None else "no date"


def short_day(at: datetime | None) -> str:
    """Return a day for a narrow column, which is never broken.

    >>> from datetime import UTC
    >>> short_day(datetime(2026, 3, 1, 7, 10, tzinfo=UTC))
    '1\xa0Mar\xa02026'
    """
    return f"{at.day}\N{NO-BREAK SPACE}{at:%b}\N{NO-BREAK SPACE}{at.year}" if at is not None else "no date"


def odometer(km: float | None, units: str) -> str:
    """Return a distance as an odometer is read out, a dash where it is not known.

    >>> odometer(163831.2, "metric"), odometer(163831.2, "us"), odometer(None, "us")
    ('163,831\xa0km', '101,800\xa0miles', '–')
    """
    if km is None:
        return "–"
    return f"{to_screen(km, 'km', units):,.0f}\N{NO-BREAK SPACE}{screen_unit('km', units).name}"


def capital(text: str) -> str:
    """Return a text with a capital letter in front.

    >>> capital("coolant pump")
    'Coolant pump'
    """
    return text[:1].upper() + text[1:]


def counted(number: int, thing: str) -> str:
    """Return a number of things.

    >>> counted(1, "drive"), counted(3, "drive")
    ('1 drive', '3 drives')
    """
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def drive_of(session: Session, units: str) -> str:
    """Return which drive is meant: its day and odometer."""
    at = f" at {odometer(session.odometer_km, units)}" if session.odometer_km is not None else ""
    return (
        f"the drive of {day(session.started_at)}{at}" if session.started_at is not None else f"a drive without date{at}"
    )
