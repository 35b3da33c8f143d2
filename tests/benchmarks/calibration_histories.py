"""Cars whose parts have worn as the catalogue's lives say, driven and judged: what the risk model is held against.

Every part gets a distance since new and, from its own lives, a hidden state: sound, or degraded by so much of the way
from first signs to failure. The keeper knows the distances, not the states. Parts without a fault in the virtual car
stay out: nothing could show them.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from obdwatch.car_profiles import PART_IDS
from obdwatch.parts.drive_evidence import JudgedDrive as DriveSaid
from obdwatch.parts.inspection import NO, YES, questions_for
from obdwatch.parts.part import Catalogue, Life
from obdwatch.records import Car, CodeKind, CodeReading, Event, EventKind, PartRisk, Session
from obdwatch.simulation.drives import DEFAULT_START
from obdwatch.simulation.faults import Fault
from obdwatch.simulation.layouts import LAYOUTS, Layout
from obdwatch.units import KM_PER_MILE
from tests.benchmarks.accuracy_cars import ADAPTERS, DAYS_BETWEEN, HEALTHY_PAST, Wear, can_have
from tests.benchmarks.judged_drives import JudgedDrive, Past, Story, layout_named
from tests.benchmarks.likelihood_drives import FAULTS_OF_WEAR, FIRST_SIGNS, place_for

TRIPS = ("commute", "traffic_jam")
ODOMETER_KM = 148_000.0
FORECAST_MILES = 5_000
SINCE_NEW = (0.1, 0.8)
"""Distances since new, in mean lives of the part: a car that was looked after by someone who renewed what failed."""


@dataclass(frozen=True, slots=True)
class State:
    """The hidden truth about one part: how far it has run, how far it is from first signs (0) to failure (1), None
    where it has none yet, and how far it will run yet.
    """

    since_new_km: float
    progress: float | None
    fails_in_km: float

    @property
    def degraded(self) -> bool:
        return self.progress is not None


@dataclass(frozen=True, slots=True)
class Hidden:
    """A car with the hidden states of its parts, and the story of its recorded drives."""

    story: Story
    states: dict[str, State]

    @property
    def car(self) -> Car:
        """The profile, with what its keeper knows of the age of each part."""
        new_at = {part: ODOMETER_KM - state.since_new_km for part, state in self.states.items()}
        return replace(layout_named(self.story.past.layout).car_record(), part_new_at_km=new_at)


def draw(number: int, first_seed: int, catalogue: Catalogue) -> Hidden:
    """Draw one car: layout, ages, states, faults and places."""
    dice = random.Random(first_seed + number)
    layout = LAYOUTS[number % len(LAYOUTS)]
    states, wears = {}, []
    for part in PART_IDS:
        faults = [fault for fault in FAULTS_OF_WEAR if fault.part == part and can_have(layout, fault)]
        if part not in catalogue.parts or not faults:
            continue
        entry = catalogue.parts[part]
        states[part] = _state(entry.onset, entry.to_failure, dice)
        progress = states[part].progress
        fault = dice.choice(faults)
        place = _place(fault, layout, dice)
        if progress is not None:
            wears.append(Wear(fault.name, round(FIRST_SIGNS + (1.0 - FIRST_SIGNS) * progress, 3), place))
    known = number // len(LAYOUTS) % 2 == 1
    car_seed = first_seed + 1_000 + number % len(LAYOUTS) if known else first_seed + 2_000 + number
    past = Past(layout.name, car_seed, HEALTHY_PAST if known else (), ODOMETER_KM)
    adapter = dice.choice(tuple(ADAPTERS))
    return Hidden(Story(past, first_seed + 5_000 + number, TRIPS, adapter, tuple(wears)), states)


def _state(onset: Life, to_failure: Life, dice: random.Random) -> State:
    """Draw a distance since new, then lives until one has not failed by then."""
    mean = onset.scale_km + to_failure.scale_km
    since_new = min(ODOMETER_KM, dice.uniform(*SINCE_NEW) * mean)
    while True:
        begins = dice.weibullvariate(onset.scale_km, onset.shape)
        lasts = dice.weibullvariate(to_failure.scale_km, to_failure.shape)
        if begins + lasts > since_new:
            progress = (since_new - begins) / lasts if begins <= since_new else None
            return State(since_new, progress, begins + lasts - since_new)


def _place(fault: Fault, layout: Layout, dice: random.Random) -> int | None:
    if fault.place == "bank" and layout.banks > 1:
        return dice.choice((None, 1, 2))
    return place_for(fault, layout.cylinders, dice.randrange(layout.cylinders))


def as_said(drives: tuple[JudgedDrive, ...]) -> tuple[DriveSaid, ...]:
    """Return judged drives as the logbook would give them back, dated a week apart."""
    said = []
    for number, drive in enumerate(drives):
        session = Session(f"drive-{number}", _date(number), odometer_km=drive.odometer_km)
        codes = tuple(CodeReading(0.0, CodeKind(kind), code) for kind, code in drive.codes)
        said.append(DriveSaid(session, drive.findings, codes))
    return tuple(said)


def _date(number: int) -> datetime:
    return DEFAULT_START + timedelta(days=DAYS_BETWEEN * number)


def walked(hidden: Hidden, risks: tuple[PartRisk, ...], seed: int) -> tuple[Event, ...]:
    """Return the log of one walk round the car: the questions worth most, answered at the rates of their own file.

    So these answers are no test of those rates, only of what such a walk adds where they are right.
    """
    dice, events = random.Random(seed), []
    for number, question in enumerate(questions_for(hidden.car, risks, odometer_km=ODOMETER_KM)):
        no = 1.0 - question.yes_if_sound
        for part, shown in question.yes_if_degraded.items():
            if part in hidden.states and hidden.states[part].degraded:
                no *= (1.0 - shown) / (1.0 - question.yes_if_sound)
        answer = YES if dice.random() >= no else NO
        part = max(question.yes_if_degraded, key=lambda each: question.yes_if_degraded[each])
        at = DEFAULT_START + timedelta(days=365)
        kind = EventKind.INSPECTION
        events.append(Event(hidden.car.id, at, kind, ODOMETER_KM, part, answer, id=number, question=question.id))
    return tuple(events)


@dataclass(frozen=True, slots=True)
class Judged:
    """One part of one car: what distance alone said, what all evidence said, and what was so.

    `will_fail` is the probability given of failing within 5,000 miles, `failed` whether it does.
    """

    part: str
    prior: float
    given: float
    degraded: bool
    will_fail: float
    failed: bool


def held_against(hidden: Hidden, risks: tuple[PartRisk, ...]) -> list[Judged]:
    """Return a row for every part that the virtual car could have shown."""
    by_part = {risk.part: risk for risk in risks}
    return [
        Judged(
            part,
            by_part[part].prior,
            by_part[part].degraded,
            state.degraded,
            by_part[part].failure_within_miles[FORECAST_MILES],
            state.fails_in_km <= FORECAST_MILES * KM_PER_MILE,
        )
        for part, state in hidden.states.items()
    ]
