"""What an entry of the log must say to be of use later."""

from __future__ import annotations

import difflib
import math

from obdwatch.car_profiles import PART_IDS
from obdwatch.errors import InputError
from obdwatch.records import Event, EventKind

LARGEST_ODOMETER_KM = 5_000_000.0  # no car has been driven further
NEEDED: dict[EventKind, tuple[str, ...]] = {
    EventKind.REPAIR: ("part",),
    EventKind.INSPECTION: ("part", "answer"),
    EventKind.ODOMETER: ("odometer_km",),
    EventKind.NOTE: ("note",),
}


def check_event(event: Event) -> None:
    """Raise InputError for an entry that lacks something, naming the field and what to do."""
    for field in NEEDED.get(event.kind, ()):
        if getattr(event, field) in (None, ""):
            raise InputError(f"an entry of kind '{event.kind}' needs its {field}")
    if event.at.tzinfo is None:
        raise InputError("the date of an entry needs its time zone")
    km = event.odometer_km
    if km is not None and not (isinstance(km, int | float) and math.isfinite(km) and 0 <= km <= LARGEST_ODOMETER_KM):
        raise InputError(f"odometer_km is {km}; it lies between 0 and {LARGEST_ODOMETER_KM:,.0f}")
    if event.part is not None and event.part.partition(":")[0] not in PART_IDS:
        close = difflib.get_close_matches(event.part, PART_IDS, 1)
        hint = f"did you mean '{close[0]}'?" if close else f"parts are {', '.join(PART_IDS)}"
        raise InputError(f"no part is called '{event.part}'; {hint}")
