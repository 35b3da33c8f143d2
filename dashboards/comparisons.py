"""Two sides of a repair, asked for by address: which drives they are, what they prove, and whose curves are shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards.garage import KnownCar
from dashboards.sessions import SessionShelf
from dashboards.visit import Visit
from obdwatch.comparing.proof import prove
from obdwatch.comparing.proof_records import DriveRecord, Proof
from obdwatch.comparing.sides import Repair, picked, repair_between, repair_meant
from obdwatch.curves.curve import Curve
from obdwatch.errors import LogbookError
from obdwatch.records import Session


@dataclass(frozen=True, slots=True)
class TwoSides:
    """The drives before and after, oldest first, and what was done between them."""

    before: tuple[Session, ...]
    after: tuple[Session, ...]
    repair: Repair


@dataclass(frozen=True, slots=True)
class Pairs:
    """The curves that two drives have in common, each `(before, after)`."""

    before: Session
    after: Session
    curves: tuple[tuple[Curve, Curve], ...]


def sides_asked(shelf: SessionShelf, known: KnownCar, visit: Visit) -> TwoSides | None:
    """The two drives that the address names, else those around the last repair of the log; None without either.

    Raises LogbookError for a drive that is not this car's.
    """
    named = [visit.query.get(side, ("",))[-1] for side in ("before", "after")]
    events = shelf.garage.events(known)
    if any(named):
        if not all(named) or named[0] == named[1]:
            raise LogbookError("Name two different drives, one before and one after.")
        before, after = sorted((_own(known, one) for one in named), key=_time)
        return TwoSides((before,), (after,), repair_between(before, after, events))
    repair = repair_meant(None, events)
    if repair.at is None:
        return None
    sides = picked(tuple(reversed(known.sessions)), repair, events)
    return TwoSides(sides.before, sides.after, repair)


def _own(known: KnownCar, session_id: str) -> Session:
    for session in known.sessions:
        if session.id == session_id:
            return session
    raise LogbookError("This car has no such drive. It may have been deleted or belong to another car.")


def _time(session: Session) -> float:
    """Drives without a date stay in the order in which they are named."""
    return session.started_at.timestamp() if session.started_at is not None else 0.0


def proof_of(shelf: SessionShelf, sides: TwoSides, units: str) -> Proof:
    """Say whether it was fixed. Raises as `SessionShelf.open`; reads every drive once."""
    before, after = (_records(shelf, side) for side in (sides.before, sides.after))
    return prove(before, after, sides.repair.parts, sides.repair.events, units)


def _records(shelf: SessionShelf, sessions: Sequence[Session]) -> list[DriveRecord]:
    return [shelf.record(session.id) for session in sessions]


def pairs_of(shelf: SessionShelf, sides: TwoSides) -> Pairs:
    """The curves of the last drive before and the first after. Raises as `SessionShelf.open`.

    What was reckoned in another quantity cannot be laid over: the first drives of a car have no filling of their own.
    """
    before, after = sides.before[-1], sides.after[0]
    later = {curve.kind: curve for curve in shelf.curves(after.id)}
    both = [(one, later[one.kind]) for one in shelf.curves(before.id) if one.kind in later]
    return Pairs(before, after, tuple((a, b) for a, b in both if _axes(a) == _axes(b)))


def _axes(curve: Curve) -> tuple[object, ...]:
    return (curve.x, *(panel.axis for panel in curve.panels))
