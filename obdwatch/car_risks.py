"""The risks of one car from everything its logbook holds: drives and what was found, codes, log, profile.

Command, planner and pages call this; the arithmetic is in `parts`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING

from obdwatch.errors import SessionFileError
from obdwatch.logbook.logbook import OWN_PARTS
from obdwatch.parts.catalogue import catalogue_for, read_catalogue
from obdwatch.parts.drive_evidence import JudgedDrive, newest_first, that_count
from obdwatch.parts.risk import risks_of
from obdwatch.recording.session_file.reader import read_services
from obdwatch.records import Car, CodeReading, Event, Evidence, PartRisk, Session
from obdwatch.signals.drives import drive_from

if TYPE_CHECKING:
    from obdwatch.analysis import Analysis
    from obdwatch.logbook.logbook import Logbook
    from obdwatch.parts.part import Catalogue

CODE_SERVICES = (b"\x03", b"\x07", b"\x0a")  # stored, pending, permanent codes (SAE J1979)
MOST_SHOWN = 24  # drives after which the risks are reckoned anew for a picture: as many points as one can tell apart
LEARNT = 0.005  # a probability that moved by more since the last drive shows in whole per cent
CODES_OF_NEWEST = 8  # drives whose codes are read again from their files; older ones would count less than 1 %


Known = tuple[datetime, float | None, float]
"""When something was known of a part: date, odometer [km] or None, and how likely it was worn."""


def known_over_time(
    grown: Iterable[tuple[Session, Mapping[str, float]]], part: str, now: float, at: datetime, events: Iterable[Event]
) -> list[Known]:
    """Return how likely a part was worn after each dated drive, in the order of `grown`; none with fewer than two.

    Where the log has taught something since, so that it is `now` another, today (`at`) is one more.
    """
    found: list[Known] = [
        (session.started_at, session.odometer_km, of[part])
        for session, of in grown
        if session.started_at is not None and part in of
    ]
    if len(found) < 2:
        return []
    if abs(now - found[-1][2]) >= LEARNT:
        read = [km for km in (found[-1][1], *(event.odometer_km for event in events)) if km is not None]
        found.append((at, max(read, default=None), now))
    return found


def catalogue_of(logbook: Logbook | None, car: Car | None) -> Catalogue:
    """Return the parts this car has, the user's own figures included. Raises InputError for a wrong file of theirs."""
    own = logbook.directory / OWN_PARTS if logbook is not None else None
    return catalogue_for(car, read_catalogue(own if own is not None and own.exists() else None))


def risks_of_car(logbook: Logbook, car_id: str, units: str = "metric") -> tuple[PartRisk, ...]:
    """Return the risks of a car of the logbook as it is known today, the most urgent first."""
    return risks(logbook, logbook.car(car_id) or Car(id=car_id), (), units)


def risks(
    logbook: Logbook | None,
    car: Car | None,
    analyses: Sequence[tuple[Analysis, Path]],
    units: str = "metric",
    further: Iterable[Evidence] = (),
    events: Sequence[Event] | None = None,
) -> tuple[PartRisk, ...]:
    """Return the risks of a car from drives just judged (with their files) and from all its others in the logbook.

    `events` stand for the whole log of the car where they are given: to ask what was known before some of it.
    `further` is evidence that neither drives nor log hold; the answers of inspections are in the log.
    """
    drives = [JudgedDrive(one.session, one.findings, codes_of(path)) for one, path in analyses]
    if events is None:
        events = logbook.events(car.id) if logbook is not None and car is not None else ()
    if logbook is not None and car is not None:
        fresh = {one.session.id for one, _ in analyses}
        answers = logbook.answers(car.id)
        stored = [JudgedDrive(one, answers.get(one.id, ())) for one in logbook.sessions(car.id) if one.id not in fresh]
        newest = newest_first(_read_where_it_counts(logbook, stored))
        drives += [
            JudgedDrive(one.session, one.findings, codes_of(logbook.path_of(one.session.id)))
            for one in newest[:CODES_OF_NEWEST]
        ]
        drives += newest[CODES_OF_NEWEST:]
    return risks_of(car, None, drives, events, catalogue_of(logbook, car), further, units)


def _read_where_it_counts(logbook: Logbook, drives: Sequence[JudgedDrive]) -> list[JudgedDrive]:
    """Return drives of which only the verdicts are known, in full where what they say still counts."""
    found = logbook.findings_of(that_count(drives))
    return [replace(one, findings=found.get(one.session.id, one.findings)) for one in drives]


def codes_of(path: Path) -> tuple[CodeReading, ...] | None:
    """Return the trouble codes of a session file; None where no memory of codes was read, or the file cannot be.

    Only the replies to the three services that read codes are read: a car may have many and long drives.
    """
    try:
        contents = read_services(path, CODE_SERVICES)
    except SessionFileError:
        return None
    drive = drive_from(contents)
    return drive.codes if drive.codes_read else None


def risks_over_drives(
    logbook: Logbook, car_id: str, parts: Collection[str] | None = None, most: int = MOST_SHOWN
) -> tuple[tuple[Session, dict[str, float]], ...]:
    """Return how likely parts were worn after each dated drive of a car, oldest first, by what was known then.

    `parts` are those asked for, all where it is None. Codes are left out: reading them again from every file would take
    longer than they add to a picture of many drives. Of more than `most` drives, so many are shown, evenly chosen, the
    newest among them.
    """
    car = logbook.car(car_id) or Car(id=car_id)
    catalogue, events = catalogue_of(logbook, car), logbook.events(car_id)
    dated = [(one.started_at, one) for one in logbook.sessions(car_id) if one.started_at is not None]
    in_order = [one for _, one in sorted(dated, key=itemgetter(0))]
    answers = logbook.answers(car_id)
    judged = [JudgedDrive(one, answers.get(one.id, ())) for one in in_order]
    over: list[tuple[Session, dict[str, float]]] = []
    for number in _evenly(len(in_order), most):
        session = in_order[number]
        known = [event for event in events if session.started_at is not None and event.at <= session.started_at]
        until_then = _read_where_it_counts(logbook, judged[: number + 1])
        found = risks_of(car, session.odometer_km, until_then, known, catalogue)
        over.append((session, {one.part: one.degraded for one in found if parts is None or one.part in parts}))
    return tuple(over)


def _evenly(count: int, most: int) -> list[int]:
    """Up to `most` numbers below `count`, evenly apart, with the first and the last.

    >>> _evenly(3, 5), _evenly(9, 3)
    ([0, 1, 2], [0, 4, 8])
    """
    if count <= most:
        return list(range(count))
    return sorted({round(place * (count - 1) / (most - 1)) for place in range(most)})
