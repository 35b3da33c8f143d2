"""What a page may change in the logbook: what is known about a drive, and whether it is in the list.

The only place of the dashboard that writes. What a browser sends is checked here, and a session is looked up by its id,
never opened as a path. Nothing here can reach a car.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from obdwatch.errors import InputError
from obdwatch.records import Session
from obdwatch.units import KM_PER_MILE

MOST_NOTE = 2_000  # letters
FARTHEST_KM = 5_000_000.0  # an odometer beyond this is a slip of the finger
LONGEST_SOAK = 10_000.0  # h; more than a year


class WritableLogbook(Protocol):
    """What a logbook must let us do; `obdwatch.logbook.logbook.Logbook` is one."""

    @property
    def sessions_folder(self) -> Path:
        """Where the logbook's own session files lie."""
        ...

    def add_session(self, path: Path) -> Session:
        """List a session file."""
        ...

    def edit_session(
        self,
        name: str,
        car_id: str | None = None,
        odometer_km: float | None = None,
        soak_hours: float | None = None,
        note: str | None = None,
    ) -> Session:
        """Correct what is known about a drive."""
        ...

    def remove_session(self, name: str) -> Session:
        """Take a drive out of the list."""
        ...

    def restore_session(self, session_id: str) -> Session:
        """Put a removed drive back."""
        ...

    def removed_sessions(self) -> tuple[str, ...]:
        """The ids of drives that can be put back, the last removed first."""
        ...


@dataclass(frozen=True, slots=True)
class Correction:
    """What the keeper says of a drive; None leaves a field as it is."""

    car_id: str | None
    odometer_km: float | None
    soak_hours: float | None
    note: str | None

    def apply(self, logbook: WritableLogbook, session_id: str) -> Session:
        """Write it down. Raises LogbookError."""
        return logbook.edit_session(session_id, self.car_id, self.odometer_km, self.soak_hours, self.note)


def correction_from(sent: Mapping[str, Any], units: str) -> Correction:
    """Read what a form sends; the odometer is in the reader's unit. Raises InputError with one line for the reader."""
    odometer = amount_from(sent.get("odometer"), "The odometer", FARTHEST_KM)
    if odometer is not None and units == "us":
        odometer *= KM_PER_MILE
    note = sent.get("note")
    if isinstance(note, str) and len(note) > MOST_NOTE:
        raise InputError(f"The note is too long: {MOST_NOTE} letters at most.")
    car = sent.get("car")
    return Correction(
        car_id=car if isinstance(car, str) and car else None,
        odometer_km=odometer,
        soak_hours=amount_from(sent.get("soak"), "The hours", LONGEST_SOAK),
        note=note if isinstance(note, str) else None,
    )


def amount_from(value: Any, what: str, most: float) -> float | None:
    """A number as somebody types it: 171930, 171,930 and 171 930 are the same; empty is None. Raises InputError."""
    if value is None or (isinstance(value, str) and not value.strip()):
        return None
    text = str(value).replace(",", "").replace("\N{NO-BREAK SPACE}", "").replace(" ", "")
    try:
        number = float(text)
    except ValueError:
        raise InputError(f"{what} must be a number, such as 12 or 171930.") from None
    if not (math.isfinite(number) and 0.0 <= number <= most):
        raise InputError(f"{what} must lie between 0 and {most:,.0f}.")
    return number
