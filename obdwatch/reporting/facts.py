"""Everything a report of one car rests on, fetched from the logbook once; the sections only word it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING

from obdwatch.car_risks import CODES_OF_NEWEST, catalogue_of, codes_of, risks_of_car, risks_over_drives
from obdwatch.comparing.proof_records import Proof
from obdwatch.detectors.trends_followed import Followed, followed
from obdwatch.detectors.trends_series import is_used
from obdwatch.errors import InputError, SessionFileError
from obdwatch.explanations.findings import explain
from obdwatch.parts.part import Catalogue
from obdwatch.parts.risk_words import is_suspected
from obdwatch.planning.plan import plan_visits
from obdwatch.planning.plan_records import Plan
from obdwatch.planning.wishes import Wishes
from obdwatch.planning.yearly import yearly_miles
from obdwatch.records import Car, CodeReading, Drive, Event, Finding, PartRisk, Session, Verdict
from obdwatch.reporting.last_repair import proof_of
from obdwatch.signals.drives import load_drive
from obdwatch.urgency import Urgency

if TYPE_CHECKING:
    from obdwatch.logbook.logbook import Logbook

MOST_PLACES = 6  # pictures of places in drives
FINDING = "finding"
_ORDER = [*reversed(Urgency), None]


@dataclass(frozen=True, slots=True)
class Place:
    """A fault and the drive it was found in; `drive` is None where its file cannot be read any more."""

    session: Session
    finding: Finding
    drive: Drive | None


@dataclass(frozen=True, slots=True)
class CodesRead:
    """What the code memories of one drive held, each code once for each memory; `drive` is the newest one only."""

    session: Session
    codes: tuple[CodeReading, ...]
    drive: Drive | None = None


@dataclass(frozen=True, slots=True)
class CarFacts:
    """What is known of a car.

    `sessions` oldest first; `said` the findings by session id, in words; `latest` the newest drive that was analysed.
    `grown` is how likely the suspected parts were worn after each drive; `codes` the drives whose codes were read,
    newest first; `proof` says whether the last repair worked. `identities` are the identification numbers that were
    met. `remarks` say what could not be used.
    """

    car: Car
    made_at: datetime
    units: str
    sessions: tuple[Session, ...]
    said: Mapping[str, tuple[Finding, ...]]
    latest: Session | None
    events: tuple[Event, ...]
    risks: tuple[PartRisk, ...]
    catalogue: Catalogue
    plan: Plan | None
    plan_problem: str
    per_year: float | None
    grown: tuple[tuple[Session, dict[str, float]], ...] = ()
    followed: tuple[Followed, ...] = ()
    places: tuple[Place, ...] = ()
    codes: tuple[CodesRead, ...] = ()
    proof: Proof | None = None
    identities: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """What the keeper calls the car."""
        return self.car.name.strip() or self.car.id

    @property
    def odometer_km(self) -> float | None:
        """The last odometer reading [km] of drives and log."""
        dated = [(one.started_at, one.odometer_km) for one in self.sessions if one.started_at is not None]
        dated += [(event.at, event.odometer_km) for event in self.events]
        return max(((at, km) for at, km in dated if km is not None), default=(None, None))[1]

    @property
    def suspected(self) -> tuple[PartRisk, ...]:
        """Parts that something seen speaks against, the most urgent first."""
        return tuple(risk for risk in self.risks if is_suspected(risk))

    @property
    def faults(self) -> tuple[Finding, ...]:
        """What is wrong by the latest drive, the most urgent first."""
        found = self.said.get(self.latest.id, ()) if self.latest is not None else ()
        return tuple(sorted((f for f in found if f.verdict is Verdict.FAULT), key=lambda f: _ORDER.index(f.urgency)))


@dataclass(slots=True)
class _Files:
    """Session files read so far, each once, and what was wrong with those that could not be read."""

    logbook: Logbook
    drives: dict[str, Drive | None] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)

    def drive(self, session: Session) -> Drive | None:
        if session.id not in self.drives:
            try:
                self.drives[session.id] = replace(load_drive(self.logbook.path_of(session.id)), session=session)
            except SessionFileError as problem:
                day = f"of {session.started_at:%Y-%m-%d}" if session.started_at is not None else "without a date"
                what = str(problem).removeprefix(f"{problem.path}: ")  # a path tells a stranger whose computer it was
                self.remarks.append(f"The recording of the drive {day} could not be read: {what}.")
                self.drives[session.id] = None
        return self.drives[session.id]


def facts_of(
    logbook: Logbook, car: Car, units: str, made_at: datetime, show: Callable[[float], None] = lambda share: None
) -> CarFacts:
    """Fetch what a report of `car` needs; `made_at` is aware. Raises InputError for a parts file that is wrong.

    `show` is told what share is done (0 to 1), roughly.
    """
    sessions = tuple(sorted(logbook.sessions(car.id), key=_age))
    said = {one.id: tuple(explain(f, units) for f in logbook.findings(one.id)) for one in sessions}
    latest = next((one for one in reversed(sessions) if said[one.id]), None)
    catalogue, risks = catalogue_of(logbook, car), risks_of_car(logbook, car.id, units)
    per_year = yearly_miles(logbook.odometer_readings(car.id))
    show(0.2)
    plan, plan_problem = _plan(catalogue, risks, car, units, per_year)
    files = _Files(logbook)
    suspected = {risk.part for risk in risks if is_suspected(risk)}
    facts = CarFacts(
        car=car,
        made_at=made_at,
        units=units,
        sessions=sessions,
        said=said,
        latest=latest,
        events=tuple(logbook.events(car.id)),
        risks=risks,
        catalogue=catalogue,
        plan=plan,
        plan_problem=plan_problem,
        per_year=per_year,
        grown=risks_over_drives(logbook, car.id, suspected) if suspected else (),
        followed=_followed(logbook, latest),
    )
    show(0.4)
    codes = _codes(files, sessions)
    show(0.5)
    places = tuple(Place(session, finding, files.drive(session)) for session, finding in _pointed_at(facts))
    drives = [drive for drive in files.drives.values() if drive is not None]
    show(0.7)
    identities = dict.fromkeys(unit.vin for drive in drives for unit in drive.vehicle if unit.vin)
    return replace(
        facts,
        places=places,
        codes=codes,
        proof=proof_of(logbook, sessions, facts.events, files.drives, units),
        identities=tuple(identities),
        remarks=tuple(files.remarks),
    )


def _age(session: Session) -> tuple[bool, float, str]:
    """Undated drives come first."""
    at = session.started_at
    return at is not None, at.timestamp() if at is not None else 0.0, session.id


def _plan(
    catalogue: Catalogue, risks: Sequence[PartRisk], car: Car, units: str, per_year: float | None
) -> tuple[Plan | None, str]:
    try:
        return plan_visits(catalogue, risks, Wishes(units=units, yearly_miles=per_year), car), ""
    except InputError as problem:
        return None, str(problem)


def _followed(logbook: Logbook, latest: Session | None) -> tuple[Followed, ...]:
    if latest is None:
        return ()
    return followed(latest, logbook.history_before(latest.id, is_used), logbook.findings(latest.id))


def _pointed_at(facts: CarFacts) -> list[tuple[Session, Finding]]:
    """Faults with a place in their drive: those of the latest drive, then the weightiest behind each suspicion."""
    by_id = {one.id: one for one in facts.sessions}
    found: dict[tuple[str, str], tuple[Session, Finding]] = {}

    def add(session: Session, finding: Finding) -> None:
        if finding.verdict is Verdict.FAULT and finding.spans:
            found.setdefault((finding.detector, finding.signature), (session, finding))

    for finding in facts.faults:
        if facts.latest is not None:
            add(facts.latest, finding)
    for risk in facts.suspected:
        for reason in risk.reasons:
            kind, _, rest = reason.source.partition(":")
            session_id, _, detector = rest.rpartition(":")
            if kind == FINDING and reason.likelihood_ratio > 1.0 and session_id in by_id:
                for finding in facts.said[session_id]:
                    if finding.detector == detector:
                        add(by_id[session_id], finding)
    return list(found.values())[:MOST_PLACES]


def _codes(files: _Files, sessions: Sequence[Session]) -> tuple[CodesRead, ...]:
    """The newest drives in which a memory of codes was read."""
    found: list[CodesRead] = []
    for session in list(reversed(sessions))[:CODES_OF_NEWEST]:
        if not found:
            drive = files.drive(session)
            if drive is not None and (drive.codes_read or drive.codes):
                found.append(CodesRead(session, _once(drive.codes), drive))
        elif (codes := codes_of(files.logbook.path_of(session.id))) is not None:
            found.append(CodesRead(session, _once(codes)))
    return tuple(found)


def _once(codes: Sequence[CodeReading]) -> tuple[CodeReading, ...]:
    return tuple({(one.kind, one.code): one for one in codes}.values())
