"""What the pages about a whole car ask of the logbook: which cars there are, and what their numbers did."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Generic, Protocol, TypeVar, cast

from dashboards.wording import MOST_OF_A_NAME, shortened
from obdwatch.detectors.trends_followed import Followed, followed
from obdwatch.detectors.trends_series import is_used
from obdwatch.errors import InputError, LogbookError
from obdwatch.parts.part import Catalogue
from obdwatch.planning.plan_records import ByHand, Moves, OnlyThis, Plan
from obdwatch.planning.wishes import Wishes
from obdwatch.planning.yearly import yearly_miles
from obdwatch.records import Car, CodeReading, Event, Finding, History, PartRisk, Session

if TYPE_CHECKING:
    from obdwatch.logbook.logbook import Logbook

MOST_KEPT = 6
Kept = TypeVar("Kept")
Grown = tuple[tuple[Session, Mapping[str, float]], ...]


class _Shelf(Generic[Kept]):
    """The last few results by what they rest on. Two threads that want the same one wait for a single reckoning."""

    def __init__(self) -> None:
        self._kept: OrderedDict[Hashable, Kept] = OrderedDict()
        self._lock = threading.RLock()

    def of(self, mark: Hashable, make: Callable[[], Kept]) -> Kept:
        """The result for this mark, made where it is not kept."""
        with self._lock:
            if mark not in self._kept:
                self._kept[mark] = make()
                while len(self._kept) > MOST_KEPT:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(mark)
            return self._kept[mark]


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

    def analysed(self) -> frozenset[str]:
        """The ids of the sessions in which something was found."""
        ...

    def findings_of(self, session_ids: Iterable[str], /) -> Mapping[str, tuple[Finding, ...]]:
        """What was found in several sessions, by their ids."""
        ...

    def stamp(self) -> Hashable:
        """What changes with every change of the logbook."""
        ...

    def path_of(self, session_id: str, /) -> Path:
        """Where the session file of a known session is."""
        ...

    def history_before(self, name: str, wanted: Callable[[str, str], bool] | None = None, /) -> History:
        """What was known of a drive's car before it; `wanted` says which detectors' features are needed."""
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
        return shortened((self.car.name if self.car is not None else "") or self.id, MOST_OF_A_NAME)


@dataclass(frozen=True, slots=True)
class CarTrends:
    """What a car's numbers did: `latest` is the newest drive that has been analysed, None where none has."""

    known: KnownCar
    latest: Session | None
    tracks: tuple[Followed, ...]


@dataclass(frozen=True, slots=True)
class CarState:
    """What is known of a car's parts now: risks the most urgent first, its catalogue, and a plan (None: none needed).

    `plan_problem` says why there is no plan where one was wanted.
    """

    known: KnownCar
    risks: tuple[PartRisk, ...]
    catalogue: Catalogue
    plan: Plan | None
    plan_problem: str = ""


class Garage:
    """The cars of one logbook. What is worked out is kept until the logbook changes."""

    def __init__(self, logbook: CarSource) -> None:
        self._logbook = logbook
        self._states: _Shelf[CarState] = _Shelf()
        self._codes: _Shelf[tuple[Session, tuple[CodeReading, ...]] | None] = _Shelf()
        self._trends: _Shelf[CarTrends] = _Shelf()
        self._grown: _Shelf[Grown] = _Shelf()
        self._planned: _Shelf[ByHand] = _Shelf()
        self._only: _Shelf[OnlyThis] = _Shelf()

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
        return self._trends.of(self._mark(known, ""), lambda: self._trends_of(known))

    def _trends_of(self, known: KnownCar) -> CarTrends:
        for session in self.analysed(known)[:1]:
            history = self._logbook.history_before(session.id, is_used)
            return CarTrends(known, session, followed(session, history, tuple(self._logbook.findings(session.id))))
        return CarTrends(known, None, ())

    def analysed(self, known: KnownCar) -> tuple[Session, ...]:
        """The drives of a car that somebody has looked at, the latest first."""
        found = self._logbook.analysed()
        return tuple(one for one in known.sessions if one.id in found)

    def codes(self, known: KnownCar) -> tuple[Session, tuple[CodeReading, ...]] | None:
        """The newest drive on which the car's memory of codes was read, with what it held; None where none was."""
        return self._codes.of(self._mark(known, ""), lambda: self._codes_of(known))

    def _codes_of(self, known: KnownCar) -> tuple[Session, tuple[CodeReading, ...]] | None:
        from obdwatch.car_risks import CODES_OF_NEWEST, codes_of

        for session in known.sessions[:CODES_OF_NEWEST]:
            if (read := codes_of(self._logbook.path_of(session.id))) is not None:
                return session, read
        return None

    def findings(self, session: Session) -> tuple[Finding, ...]:
        """What was found in a drive; empty where it was not analysed."""
        return tuple(self._logbook.findings(session.id))

    def events(self, known: KnownCar) -> tuple[Event, ...]:
        """The log of a car."""
        return tuple(self._logbook.events(known.id))

    def state(self, known: KnownCar, units: str) -> CarState:
        """What is known of the car's parts now. Raises InputError for a parts file of the user's that is wrong."""
        return self._marked_state(known, units)[1]

    def grown(self, known: KnownCar) -> Grown:
        """How likely each part was worn after each dated drive, oldest first."""
        from obdwatch.car_risks import risks_over_drives

        logbook = cast("Logbook", self._logbook)
        return self._grown.of(self._mark(known, ""), lambda: risks_over_drives(logbook, known.id))

    def planned(self, known: KnownCar, wishes: Wishes, moves: Moves) -> ByHand:
        """The car's plan under these wishes, with jobs moved by hand. Raises InputError as `plan_by_hand` does."""
        from obdwatch.planning.by_hand import plan_by_hand

        mark, now = self._marked_state(known, wishes.units)
        asked = (mark, wishes, tuple(moves.items()))
        return self._planned.of(asked, lambda: plan_by_hand(now.catalogue, now.risks, wishes, known.car, dict(moves)))

    def only(self, known: KnownCar, wishes: Wishes, part: str) -> OnlyThis:
        """What becomes of the plan where only one part is done. Raises InputError as `what_if_only` does."""
        from obdwatch.planning.plan import what_if_only

        mark, now = self._marked_state(known, wishes.units)
        return self._only.of(
            (mark, wishes, part), lambda: what_if_only(part, now.catalogue, now.risks, wishes, known.car)
        )

    def yearly_miles(self, known: KnownCar) -> float | None:
        """How far the car is driven in a year [mile], as its drives and its log show; None where they do not."""
        readings = [(one.started_at, one.odometer_km) for one in known.sessions]
        readings += [(event.at, event.odometer_km) for event in self.events(known)]
        return yearly_miles((at, km) for at, km in readings if at is not None and km is not None)

    def _marked_state(self, known: KnownCar, units: str) -> tuple[Hashable, CarState]:
        mark = self._mark(known, units)
        return mark, self._states.of(mark, lambda: self._state(known, units))

    def _state(self, known: KnownCar, units: str) -> CarState:
        from obdwatch.car_risks import catalogue_of, risks_of_car
        from obdwatch.planning.plan import plan_visits

        logbook = cast("Logbook", self._logbook)
        catalogue, risks = catalogue_of(logbook, known.car), risks_of_car(logbook, known.id, units)
        try:
            plan = plan_visits(catalogue, risks, Wishes(units=units), known.car)
        except InputError as problem:
            return CarState(known, risks, catalogue, None, str(problem))
        return CarState(known, risks, catalogue, plan)

    def _mark(self, known: KnownCar, units: str) -> Hashable:
        """Changes whenever something that the state rests on does."""
        return self._logbook.stamp(), known.id, units


def _newest_first(session: Session) -> tuple[bool, float, str]:
    at = session.started_at
    return (at is None, -at.timestamp() if at is not None else 0.0, session.id)
