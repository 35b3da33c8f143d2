"""How much of what is wrong with a car is found, and how often a sound car is called faulty.

Run on request: `pytest tests/benchmarks/accuracy.py -s`. `OBDWATCH_ACCURACY=full` drives several times as much,
`OBDWATCH_ACCURACY_SEED=NUMBER` other cars, and `OBDWATCH_ACCURACY_REPORT=FILE` also writes the tables there. The cars
are virtual: their physics shares no code with the detectors, but both were written from the same books, so real cars
will rather give worse numbers than these.
"""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pytest

from obdwatch.simulation.faults import FAULT_BY_NAME, FAULTS
from tests.benchmarks import accuracy_cars as cars
from tests.benchmarks import accuracy_table as tables

SEVERITIES = (0.25, 0.5, 1.0)
GROWTH, GROWING_DRIVES = 0.14, 7  # per 1,000 km; drives, up to a part that has failed
GROWING = ("thermostat_stuck_open", "intake_leak", "fuel_pump", "catalytic_converter", "ignition_coil")

# Guards against getting worse, not aims: what was measured (94 %, 2 %, 0 of 66, 0 of 60), with a margin.
# The aims are 95 % found (not met yet), at most 3 % of sound drives with a fault and 1 % with an urgent one.
LEAST_FOUND = 0.84  # of faults from half worn on, the right part reported
MOST_FALSE = 0.08  # of drives of sound cars, any fault verdict
MOST_URGENT = 0.04  # of drives of sound cars, "soon" or "stop"
MOST_FALSE_ON_USUAL_FUEL = 0.05  # as MOST_FALSE, without the change of fuel, from which every false alarm came

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(7200)]


@dataclass(frozen=True, slots=True)
class Size:
    """How much is driven."""

    cars_per_layout: int
    past: int
    drives_per_fault: int
    growing: tuple[str, ...]


SIZES = {"quick": Size(1, 3, 1, GROWING), "full": Size(3, 5, 5, tuple(FAULT_BY_NAME))}


def test_accuracy() -> None:
    size = SIZES[os.environ.get("OBDWATCH_ACCURACY", "quick")]
    with ProcessPoolExecutor(2) as workers:
        grown = list(workers.map(cars.grow_up, cars.cars_to_grow(size.cars_per_layout, size.past)))
        known = [car for car, _ in grown]
        faulty_tasks = cars.faulty(known, FAULTS, SEVERITIES, size.drives_per_fault)
        histories_of = [
            (next(car for car in known[n % len(known) :] + known if cars.can_have(car.layout, fault)), fault.name)
            for n, fault in enumerate(FAULT_BY_NAME[name] for name in size.growing)
        ]
        faulty = workers.map(cars.one, faulty_tasks)
        innocent = workers.map(cars.one, cars.innocent(known))
        growing = workers.map(cars.growing, [(*each, GROWTH, GROWING_DRIVES) for each in histories_of])
        with_fault, sound, histories = list(faulty), list(innocent), list(growing)
    sound = [outcome for _, outcomes in grown for outcome in outcomes] + sound
    report = "\n\n".join(
        (
            tables.severity_table(with_fault),
            tables.innocent_table(sound),
            tables.growing_table(histories),
            tables.fault_table(with_fault),
        )
    )
    print(f"\n{report}\n\n{tables.mistakes([*sound, *with_fault])}")
    if "OBDWATCH_ACCURACY_REPORT" in os.environ:
        Path(os.environ["OBDWATCH_ACCURACY_REPORT"]).write_text(report + "\n", encoding="utf-8")
    any_fault, urgent = tables.false_alarms(sound)
    assert any_fault.value <= MOST_FALSE
    assert urgent.value <= MOST_URGENT
    usual, _ = tables.false_alarms([each for each in sound if each.trip != "e85"])
    assert usual.value <= MOST_FALSE_ON_USUAL_FUEL
    worn = [each for each in with_fault if each.severity >= 0.5]
    assert tables.summary(worn)["the right part reported"].value >= LEAST_FOUND
