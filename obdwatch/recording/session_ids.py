"""Names for sessions: they sort by time, tell a person which drive it was, and are safe as file names everywhere."""

from __future__ import annotations

import re
import secrets
from datetime import datetime

_UNSAFE = re.compile(r"[^a-z0-9]+")
LONGEST_CAR_PART = 24  # characters of the car's id that are shown
ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"  # without letters and digits that are mistaken for one another
RANDOM_CHARACTERS = 4


def new_session_id(started_at: datetime | None, car_id: str | None = None) -> str:
    """Return a new id such as `2026-11-25T071503-family-car-k7mq`; `started_at` aware, None if nobody knows it.

    The date and time are those of `started_at` as given (UTC in this program). The random end keeps apart what starts
    in the same second.
    """
    start = started_at.strftime("%Y-%m-%dT%H%M%S") if started_at is not None else "undated"
    car = _UNSAFE.sub("-", (car_id or "").lower()).strip("-")[:LONGEST_CAR_PART].strip("-")
    end = "".join(secrets.choice(ALPHABET) for _ in range(RANDOM_CHARACTERS))
    return "-".join(part for part in (start, car, end) if part)
