"""The cars, trips and adapters of the accuracy measurement, and one drive of one car through the whole analysis."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from obdwatch.analysis import analyse_drive, features_of
from obdwatch.records import CodeKind, Feature, Finding, History, Verdict
from obdwatch.simulation.drives import DEFAULT_START, Sampling
from obdwatch.simulation.faults import FAULT_BY_NAME, ActiveFault, Fault
from obdwatch.simulation.layouts import LAYOUTS, Layout
from obdwatch.simulation.memory import CarMemory
from obdwatch.simulation.trips import Trip, trip_named
from tests.benchmarks.simulated_drives import simulated

FIRST_SEED = int(os.environ.get("OBDWATCH_ACCURACY_SEED", "5000"))  # another one drives cars that nobody has seen
DAYS_BETWEEN = 7
KM_BETWEEN = 180.0
HEALTHY_PAST = ("commute", "winter_commute", "short_trip")  # what the keeper recorded before anything was wrong
FAULTY_TRIP = "commute"
TRIP_OF_FAULT = {"radiator_fan": "traffic_jam", "coolant_level": "traffic_jam"}  # only standing in heat shows them
INNOCENT = ("winter_commute", "mountain_commute", "towing", "summer_commute", "short_trip", "traffic_jam", "motorway")
E85 = 0.8  # share of ethanol in the tank after another fuel was bought
ADAPTERS = {
    "good": Sampling(),
    "slow": Sampling(fast=0.6, medium=2.0, slow=5.0, rare=60.0, lost=0.01, gaps=2),
    "poor": Sampling(fast=0.4, medium=1.5, slow=4.0, rare=45.0, lost=0.05, gaps=5, gap_seconds=12.0),
}


@dataclass(frozen=True, slots=True)
class KnownCar:
    """A car with its past: what it remembers, what obdwatch has learnt of it, and when it was last driven."""

    layout: Layout
    seed: int
    memory: CarMemory
    features: tuple[Feature, ...] = ()
    at: datetime = DEFAULT_START


@dataclass(frozen=True, slots=True)
class Said:
    """A fault verdict of one drive."""

    detector: str
    signature: str
    urgency: int
    confidence: float
    parts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What was said of one drive; `fault` is empty for a sound car."""

    layout: str
    trip: str
    adapter: str
    fault: str = ""
    part: str = ""
    severity: float = 0.0
    said: tuple[Said, ...] = ()
    has_code: bool = False
    seed: int = 0

    @property
    def ranked(self) -> tuple[str, ...]:
        """The parts in the order in which a keeper would look at them: urgency, then confidence."""
        best = sorted(self.said, key=lambda each: (-each.urgency, -each.confidence))
        return tuple(dict.fromkeys(part for each in best for part in each.parts))

    @property
    def found(self) -> bool:
        """Whether a finding names the part; where the fault is none of a part, whether there is a finding."""
        return self.part in self.ranked if self.part else bool(self.said)


@dataclass(frozen=True, slots=True)
class Wear:
    """A fault by name, which can be sent to another process as `ActiveFault` cannot."""

    name: str
    severity: float
    place: int | None = None
    from_km: float = 0.0
    growth: float = 0.0

    def active(self) -> ActiveFault:
        """Return the fault itself."""
        return ActiveFault(FAULT_BY_NAME[self.name], self.severity, self.place, self.from_km, self.growth)


@dataclass(frozen=True, slots=True)
class Task:
    """One drive of a known car."""

    car: KnownCar
    trip: Trip
    adapter: str
    seed: int
    wear: Wear | None = None


def can_have(layout: Layout, fault: Fault) -> bool:
    """Whether the car has the part at all, so that the fault can be something."""
    if fault.name.startswith("cam_timing_solenoid"):
        return ("exhaust" if "exhaust" in fault.name else "intake") in layout.cam_timing
    if fault.name == "intake_flap_actuator":
        return layout.intake_flaps
    if fault.name == "maf_sensor":
        return layout.has_air_flow_sensor
    if fault.name == "coolant_pump_stops":
        return layout.coolant_pump == "electric"
    return True


def urgency_rank(finding: Finding) -> int:
    """0 for 'watch' to 3 for 'stop'."""
    return ("watch", "next_service", "soon", "stop").index(finding.urgency or "watch")


def drive(task: Task) -> tuple[Outcome, KnownCar]:
    """Drive, analyse with the car's history, and return what was said and the car as it is afterwards."""
    car, first = task.car, task.wear.active() if task.wear else None
    faults = (first,) if first else ()
    done, profile, memory = simulated(
        car.layout, task.trip, faults, task.seed, ADAPTERS[task.adapter], car.memory, car.at
    )
    recorded = replace(done, codes_read=frozenset(CodeKind))  # a recording asks for all of them at its end
    analysis = analyse_drive(recorded, profile, History(car.features))
    said = tuple(
        Said(finding.detector, finding.signature, urgency_rank(finding), finding.confidence, finding.parts)
        for finding in analysis.findings
        if finding.verdict is Verdict.FAULT
    )
    outcome = Outcome(
        car.layout.name,
        task.trip.name,
        task.adapter,
        first.fault.name if first else "",
        first.fault.part if first else "",
        first.severity_at(car.memory.odometer_km) if first else 0.0,
        said,
        bool(recorded.codes),
        task.seed,
    )
    return outcome, driven_on(replace(car, memory=memory, features=(*car.features, *features_of(analysis))))


def driven_on(car: KnownCar, km: float = KM_BETWEEN) -> KnownCar:
    """Return the car some days and kilometres later, driven without a recording."""
    memory = replace(car.memory, odometer_km=car.memory.odometer_km + km, engine_temperature=None)
    return replace(car, memory=memory, at=car.at + timedelta(days=DAYS_BETWEEN))


def grow_up(job: tuple[Layout, int, int]) -> tuple[KnownCar, list[Outcome]]:
    """Return a sound car with so many recorded drives behind it, and what was said of these."""
    layout, seed, drives = job
    car, outcomes = KnownCar(layout, seed, CarMemory(car_seed=seed)), []
    for number in range(drives):
        trip = trip_named(HEALTHY_PAST[number % len(HEALTHY_PAST)])
        outcome, car = drive(Task(car, trip, tuple(ADAPTERS)[(seed + number) % 3], seed * 100 + number))
        outcomes.append(outcome)
    return car, outcomes


def one(task: Task) -> Outcome:
    """Return what is said of one drive."""
    return drive(task)[0]


def growing(job: tuple[KnownCar, str, float, int]) -> list[Outcome]:
    """Let a fault grow by so much per 1,000 km, with one recorded drive every 1,000 km; return what each said."""
    car, name, growth, drives = job
    place = 1 if FAULT_BY_NAME[name].place in ("cylinder", "pair") else None
    wear = Wear(name, 0.0, place, car.memory.odometer_km, growth)
    outcomes = []
    for number in range(drives):
        car = driven_on(car, 1_000.0)
        trip = trip_named(TRIP_OF_FAULT.get(name, FAULTY_TRIP))
        outcome, car = drive(Task(car, trip, "good", car.seed * 1000 + number, wear))
        outcomes.append(outcome)
        if outcome.found and outcome.has_code:
            break
    return outcomes


def faulty(
    cars: Sequence[KnownCar], faults: Sequence[Fault], severities: Sequence[float], per_fault: int
) -> list[Task]:
    """Return drives with every fault at every severity, each on so many cars that have the part."""
    tasks = []
    for number, fault in enumerate(faults):
        able = [car for car in cars if can_have(car.layout, fault)]
        for level, severity in enumerate(severities):
            for turn in range(per_fault):
                car = able[(number + level + turn * len(severities)) % len(able)]
                place = 1 + (number + turn) % car.layout.cylinders if fault.place == "cylinder" else None
                wear = Wear(fault.name, severity, 1 if fault.place == "pair" else place)
                trip = trip_named(TRIP_OF_FAULT.get(fault.name, FAULTY_TRIP))
                seed = FIRST_SEED + 100_000 + number * 1_000 + level * 100 + turn
                tasks.append(Task(car, trip, tuple(ADAPTERS)[(number + level + turn) % 3], seed, wear))
    return tasks


def innocent(cars: Sequence[KnownCar]) -> list[Task]:
    """Return hard but innocent drives of sound cars: cold, altitude, towing, air conditioning, another fuel, jams."""
    trips = [*(trip_named(name) for name in INNOCENT), replace(trip_named(FAULTY_TRIP), name="e85", ethanol=E85)]
    return [
        Task(car, trip, tuple(ADAPTERS)[(number + turn) % 3], FIRST_SEED + 200_000 + number * 100 + turn)
        for number, car in enumerate(cars)
        for turn, trip in enumerate(trips)
    ]


def cars_to_grow(per_layout: int, drives: int) -> list[tuple[Layout, int, int]]:
    """Return the sound cars to begin with."""
    return [
        (layout, FIRST_SEED + number * per_layout + turn, drives)
        for turn in range(per_layout)
        for number, layout in enumerate(LAYOUTS)
    ]
