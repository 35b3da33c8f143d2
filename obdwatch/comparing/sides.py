"""Which drives lie before a repair and which after it, and which repair is meant; nothing is opened here."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from obdwatch.car_profiles import PART_IDS
from obdwatch.detectors.renewal import detectors_of
from obdwatch.errors import InputError
from obdwatch.part_ages import base_of, repairs
from obdwatch.records import Event, Session

ONE_VISIT = timedelta(days=1.0)
"""Repairs so close together are one visit: what each did cannot be told apart."""

MOST_BEFORE, MOST_AFTER = 4, 8
"""So many drives at most: the last ones before, since a fault grows and older drives show it less, and the first ones
after (assumption)."""


@dataclass(frozen=True, slots=True)
class Repair:
    """What was done between the two sides: `parts` at `at` (aware), by these entries of the log."""

    parts: tuple[str, ...] = ()
    at: datetime | None = None
    odometer_km: float | None = None
    events: tuple[Event, ...] = ()


@dataclass(frozen=True, slots=True)
class Sides:
    """The drives before and after, oldest first; `undated` could not be put on either."""

    before: tuple[Session, ...]
    after: tuple[Session, ...]
    undated: tuple[Session, ...] = ()


def repair_meant(text: str | None, events: Sequence[Event]) -> Repair:
    """Return the repair for the number of an entry, a part id or a date; the last one of the log for no text.

    An empty log gives a repair without date. Raises InputError for what cannot be found, with near matches.
    """
    done = repairs(events)
    if text is None:
        return _visit(done[-1], done) if done else Repair()
    if text.isdigit():
        named = next((event for event in done if event.id == int(text)), None)
        if named is None:
            raise InputError(f"--repair {text}: the log has no repair with this number; 'obdwatch log list' shows them")
        return _visit(named, done)
    part = "_".join(text.lower().replace("-", " ").split())  # as typed for a plan: its name will do
    if base_of(part) in {*PART_IDS, *(base_of(event.part) for event in done)}:
        text = part
        own = [event for event in done if event.part == text or (":" not in text and base_of(event.part) == text)]
        return _visit(own[-1], done, text) if own else Repair((text,))
    try:
        return Repair((), datetime.fromisoformat(text).astimezone(UTC))
    except (ValueError, OverflowError):
        close = difflib.get_close_matches(text, PART_IDS, 3)
        hint = f"did you mean {', '.join(close)}?" if close else "write the number of an entry, a part id or a date"
        raise InputError(f"--repair {text!r}: no such part or entry; {hint}") from None


def _visit(event: Event, done: Sequence[Event], part: str | None = None) -> Repair:
    """The entries of one visit; with a named part only those of that part."""
    base = base_of(part) if part is not None else None
    same = [e for e in done if abs(e.at - event.at) <= ONE_VISIT and (base is None or base_of(e.part) == base)]
    parts = dict.fromkeys(e.part for e in same if e.part)
    return Repair(tuple(parts), event.at, event.odometer_km, tuple(same))


def repair_between(before: Session, after: Session, events: Sequence[Event]) -> Repair:
    """Return all that was done between two drives as one repair; one without parts where nothing was, or no date is."""
    if before.started_at is None or after.started_at is None:
        return Repair()
    done = [event for event in repairs(events) if before.started_at <= event.at < after.started_at]
    parts = dict.fromkeys(event.part for event in done if event.part)
    return Repair(tuple(parts), done[-1].at, done[-1].odometer_km, tuple(done)) if done else Repair()


def split(sessions: Sequence[Session], repair: Repair) -> Sides:
    """Put drives on the two sides of a repair, by date or else by odometer."""
    sides: tuple[list[Session], list[Session], list[Session]] = ([], [], [])
    for session in sessions:
        sides[_side(session, repair)].append(session)
    return Sides(*(tuple(side) for side in sides))


def _side(session: Session, repair: Repair) -> int:
    if session.started_at is not None and repair.at is not None:
        return int(session.started_at >= repair.at)
    if session.odometer_km is not None and repair.odometer_km is not None:
        return int(session.odometer_km >= repair.odometer_km)
    return 2


def picked(sessions: Sequence[Session], repair: Repair, events: Sequence[Event]) -> Sides:
    """Choose from all drives of a car: the last before and the first after, none beyond another repair that matters.

    Another repair matters where it touches a number that this one touches.
    """
    every = split(sessions, repair)
    touched = {detector for part in repair.parts for detector in detectors_of(part)}
    others = [e.at for e in repairs(events) if e not in repair.events and _touches(e, touched)]
    start = max((at for at in others if repair.at is not None and at < repair.at), default=None)
    end = min((at for at in others if repair.at is not None and at > repair.at), default=None)
    before = [s for s in every.before if start is None or s.started_at is None or s.started_at >= start]
    after = [s for s in every.after if end is None or s.started_at is None or s.started_at < end]
    return Sides(tuple(before[-MOST_BEFORE:]), tuple(after[:MOST_AFTER]), every.undated)


def _touches(event: Event, touched: Collection[str]) -> bool:
    return bool(detectors_of(event.part or "") & set(touched))
