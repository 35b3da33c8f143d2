"""What the pages about a whole car ask of the logbook: which cars there are, and what their numbers did."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from obdwatch.detectors.trends_followed import Followed, followed
from obdwatch.errors import LogbookError
from obdwatch.records import Car, Event, Finding, History, Session


class CarSource(Protocol):
    """What a logbook must give; `obdwatch.logbook.logbook.Logbook` is one."""

    def sessions(self) -> Sequence[Session]:
        """Every session."""
        ...

    def cars(self) -> Sequence[Car]:
        """Every car."""
        ...

    def events(self, car_id: str | None = None) -> Sequence[Event]:
        """The log of a car."""
        ...

    def findings(self, session_id: str) -> Sequence[Finding]:
        """What was found in a session; empty where it was not analysed."""
        ...

    def history_before(self, name: str) -> History:
        """What was known of a drive's car before it."""
        ...


@dataclass(frozen=True, slots=True)
class KnownCar:
    """A car with its drives, the latest first; `car` is None where drives name one that has no profile."""

    id: str
    car: Car | None
    sessions: tuple[Session, ...]

    @property
    def name(self) -> str:
        """What the keeper calls it."""
        return (self.car.name if self.car is not None else "") or self.id


@dataclass(frozen=True, slots=True)
class CarTrends:
    """What a car's numbers did: `latest` is the newest drive that has been analysed, None where none has."""

    known: KnownCar
    latest: Session | None
    tracks: tuple[Followed, ...]


class Garage:
    """The cars of one logbook."""

    def __init__(self, logbook: CarSource) -> None:
        self._logbook = logbook

    def cars(self) -> tuple[KnownCar, ...]:
        """Every car that has a profile or a drive, the one driven last first."""
        profiles = {car.id: car for car in self._logbook.cars()}
        drives: dict[str, list[Session]] = {car_id: [] for car_id in profiles}
        for session in self._logbook.sessions():
            if session.car_id is not None:
                drives.setdefault(session.car_id, []).append(session)
        known = [
            KnownCar(car_id, profiles.get(car_id), tuple(sorted(sessions, key=_newest_first)))
            for car_id, sessions in drives.items()
        ]
        return tuple(sorted(known, key=lambda one: (not one.sessions, *map(_newest_first, one.sessions[:1]))))

    def car(self, car_id: str | None) -> KnownCar | None:
        """The car with this id; the one driven last for None, and None where there is none at all.

        Raises LogbookError for an unknown id.
        """
        cars = self.cars()
        if car_id is None:
            return cars[0] if cars else None
        for one in cars:
            if one.id == car_id:
                return one
        raise LogbookError("This logbook has no car with that name. It may have been deleted or belong elsewhere.")

    def trends(self, known: KnownCar) -> CarTrends:
        """What the car's numbers did up to its newest drive that has been analysed."""
        for session in known.sessions:
            findings = tuple(self._logbook.findings(session.id))
            if findings:
                history = self._logbook.history_before(session.id)
                return CarTrends(known, session, followed(session, history, findings))
        return CarTrends(known, None, ())


def _newest_first(session: Session) -> tuple[bool, float, str]:
    at = session.started_at
    return (at is None, -at.timestamp() if at is not None else 0.0, session.id)
