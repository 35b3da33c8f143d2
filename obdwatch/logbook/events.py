"""What an entry of the log must say to be of use later."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Collection

from obdwatch.errors import InputError
from obdwatch.records import Event, EventKind

LARGEST_ODOMETER_KM = 5_000_000.0  # no car has been driven further
WELL_FORMED = re.compile(r"[A-Za-z0-9_]{1,64}(:[A-Za-z0-9_]{1,16})?")
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
    if event.part is not None and not WELL_FORMED.fullmatch(event.part):
        raise InputError(f"part {event.part!r} cannot be used; take letters, digits and '_', and ':' before a place")


def part_warning(event: Event, known: Collection[str]) -> str | None:
    """Return what to look at where no part is called so: the entry is kept, but nothing starts anew with it.

    `known` are the part ids of the catalogue, the user's own included.
    """
    base, colon, place = (event.part or "").partition(":")
    if not base or base in known:
        return None
    close = [f"{name}{colon}{place}" for name in difflib.get_close_matches(base, sorted(known), 3)]
    kept = f"no part is called '{base}'. The entry is kept, but starts no part's clock and no baseline anew."
    if not close:
        return f"{kept} 'obdwatch car show' names the parts that are known."
    again = f"Then remove entry {event.id} ('obdwatch log remove {event.id}') and log it again."
    return f"{kept} Did you mean {' or '.join(close)}? {again}"
