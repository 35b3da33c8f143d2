"""What a renewal in the log ends: what the old part showed on earlier drives says nothing of the new one.

How old each part is since, `part_ages` says.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from obdwatch.part_ages import repairs
from obdwatch.records import Event, EventKind, Session


@dataclass(frozen=True, slots=True)
class Renewal:
    """A part (or one place of it: `ignition_coil:3`) renewed at `at`, at `odometer_km` [km] where that is known."""

    part: str
    place: int | None
    at: datetime
    odometer_km: float | None


@dataclass(frozen=True, slots=True)
class Renewals:
    """Every renewal and erasing of codes in a car's log."""

    renewed: tuple[Renewal, ...] = ()
    erased: tuple[Event, ...] = ()

    def since(self, part: str, session: Session, place: tuple[str, int] | None) -> bool:
        """Whether a part was renewed after a drive; a renewal of one place ends only what was seen at that place.

        Where neither date nor odometer tells, the drive is taken to be the later one.
        """
        return any(
            one.part == part
            and (one.place is None or (place is not None and one.place == place[1]))
            and _is_after(one.at, one.odometer_km, session)
            for one in self.renewed
        )

    def old_code(self, part: str, session: Session, seen_before: Sequence[Session]) -> bool:
        """Whether a code read on a drive only remembers a part that has been renewed.

        It does where it was read before the renewal already and nobody has erased it since.
        """
        for one in self.renewed:
            if one.part != part or _is_after(one.at, one.odometer_km, session):
                continue
            read_before = any(_is_after(one.at, one.odometer_km, earlier) for earlier in seen_before)
            erased = any(
                event.at >= one.at and not _is_after(event.at, event.odometer_km, session) for event in self.erased
            )
            if read_before and not erased:
                return True
        return False


def renewals_of(events: Iterable[Event]) -> Renewals:
    """Return what the log of one car says of parts renewed and codes erased."""
    kept = tuple(events)
    renewed = []
    for event in repairs(kept):
        part, _, place = (event.part or "").partition(":")
        renewed.append(Renewal(part, int(place) if place.isdigit() else None, event.at, event.odometer_km))
    erased = tuple(event for event in kept if event.kind is EventKind.CODE_ERASE)
    return Renewals(tuple(renewed), erased)


def _is_after(at: datetime, odometer_km: float | None, session: Session) -> bool:
    """Whether an entry of the log is later than a drive, by date or else by odometer."""
    if session.started_at is not None:
        return at > session.started_at
    if odometer_km is not None and session.odometer_km is not None:
        return odometer_km > session.odometer_km
    return False
