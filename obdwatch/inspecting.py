"""The guided inspection of a car of the logbook: what to ask now, noting answers, and what they changed.

The command and the page both stand on this; choosing questions and weighing answers is in `parts.inspection`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from obdwatch.car_risks import catalogue_of, risks
from obdwatch.errors import InputError
from obdwatch.logbook.logbook import OWN_PARTS, Logbook
from obdwatch.parts.inspection import ANSWERS, USUAL, Walk, read_questions, walk, walk_began
from obdwatch.records import Car, Event, EventKind, PartRisk

Remembered = dict[tuple[object, ...], tuple[PartRisk, ...]]
MOST_REMEMBERED = 8

WORTH_TELLING = 0.02  # a probability that moved by less says nothing to a reader


@dataclass(frozen=True, slots=True)
class Inspection:
    """The walk that is under way, or the next one; `before` are the risks as they were when it began."""

    car: Car
    walk: Walk
    before: tuple[PartRisk, ...]


@dataclass(frozen=True, slots=True)
class Change:
    """What the answers of a walk did to one part: the probability of being worn before and after."""

    part: str
    before: float
    after: float


def inspection_of(
    logbook: Logbook, car_id: str, at: datetime, most: int | None = USUAL, remembered: Remembered | None = None
) -> Inspection:
    """Return the inspection of a car at `at` (aware); all questions where `most` is None. Raises InputError.

    `remembered` keeps risks from one call to the next, for a page that is asked again and again.
    """
    car = known_car(logbook, car_id)
    events = logbook.events(car_id)
    began = walk_began(events, at)
    before = _risks(logbook, car, [event for event in events if event.at < began], remembered)
    costs = {
        part.id: part.breakdown_cost + part.damage_cost + part.price
        for part in catalogue_of(logbook, car).parts.values()
    }
    odometer_km = max((km for _, km in _readings(logbook, car_id)), default=None)
    return Inspection(car, walk(car, before, events, at, costs=costs, most=most, odometer_km=odometer_km), before)


def changes(logbook: Logbook, inspection: Inspection, remembered: Remembered | None = None) -> tuple[Change, ...]:
    """Return what the answers of the walk changed, the largest change first."""
    events = logbook.events(inspection.car.id)
    now = {risk.part: risk.degraded for risk in _risks(logbook, inspection.car, events, remembered)}
    found = [Change(risk.part, risk.degraded, now[risk.part]) for risk in inspection.before if risk.part in now]
    worth = [change for change in found if abs(change.after - change.before) >= WORTH_TELLING]
    return tuple(sorted(worth, key=lambda change: -abs(change.after - change.before)))


def note_answer(
    logbook: Logbook, car_id: str, question_id: str, answer: str, at: datetime, odometer_km: float | None = None
) -> Event:
    """Write an answer into the log and return the entry; within one walk a second answer takes the first one's place.

    `answer` is yes, no or could not look. Raises InputError for an unknown car, question or answer.
    """
    car = known_car(logbook, car_id)
    questions = read_questions().by_id
    if question_id not in questions:
        raise InputError(f"no question is called '{question_id}'; 'obdwatch inspect --list --all' shows them")
    if answer not in ANSWERS:
        raise InputError(f"answer '{answer}': it may be {', '.join(ANSWERS)}")
    speaks_for, has = questions[question_id].yes_if_degraded, catalogue_of(logbook, car).parts
    part = max(speaks_for, key=lambda one: (one in has, speaks_for[one]))  # of those the car has, the surest
    event = Event(car_id, at, EventKind.INSPECTION, odometer_km, part, answer, question=question_id)
    events = logbook.events(car_id)
    began = walk_began(events, at)
    earlier = [one for one in events if one.question == question_id and one.at >= began]
    if not earlier:
        return logbook.add_event(event)
    last = earlier[-1]
    kept = last.odometer_km if odometer_km is None else odometer_km
    changed = replace(event, id=last.id, odometer_km=kept, note=last.note, at=max(at, last.at))
    logbook.edit_event(changed)
    return changed


def known_car(logbook: Logbook, car_id: str) -> Car:
    """Return a car of the logbook. Raises InputError where there is none with this id."""
    car = logbook.car(car_id)
    if car is None:
        raise InputError(
            f"no car '{car_id}' in the logbook; 'obdwatch car list' shows them, 'obdwatch car add' adds one"
        )
    return car


def _risks(
    logbook: Logbook, car: Car, events: Sequence[Event], remembered: Remembered | None = None
) -> tuple[PartRisk, ...]:
    if remembered is None:
        return risks(logbook, car, (), events=events)
    key = _state(logbook, car, events)
    if key not in remembered:
        if len(remembered) >= MOST_REMEMBERED:
            remembered.clear()
        remembered[key] = risks(logbook, car, (), events=events)
    return remembered[key]


def _state(logbook: Logbook, car: Car, events: Sequence[Event]) -> tuple[object, ...]:
    """Everything the risks of a car are made of, to tell whether they have to be worked out again."""
    made = tuple((name, origin.made_from) for name, origin in sorted(logbook.analyses().items()))
    drives = tuple((one.id, one.odometer_km) for one in logbook.sessions(car.id))
    own = logbook.directory / OWN_PARTS
    return repr(car), tuple(events), drives, made, own.stat().st_mtime_ns if own.exists() else 0


def _readings(logbook: Logbook, car_id: str) -> list[tuple[datetime, float]]:
    read = [(event.at, event.odometer_km) for event in logbook.events(car_id)]
    read += [(one.started_at, one.odometer_km) for one in logbook.sessions(car_id) if one.started_at is not None]
    return [(at, km) for at, km in read if km is not None]
