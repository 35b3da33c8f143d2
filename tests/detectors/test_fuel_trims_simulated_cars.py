"""The fuel-trim detector on the project's own virtual car, whose physics it does not know."""

from __future__ import annotations

import pytest

from obdwatch.detectors.fuel_trims import detect
from obdwatch.records import History, Verdict
from obdwatch.simulation.drives import simulate
from obdwatch.simulation.faults import parse_fault
from obdwatch.simulation.layouts import LAYOUTS
from obdwatch.simulation.trips import trip_named


def test_a_healthy_layout_raises_no_alarm() -> None:
    healthy = simulate(LAYOUTS[3], trip_named("motorway"), (), 5)
    assert detect(healthy.drive, healthy.car, History()).verdict is Verdict.HEALTHY
    assert detect(healthy.drive, None, History()).verdict is Verdict.HEALTHY


@pytest.mark.parametrize(("number", "fault", "part"), [(0, "intake_leak=0.5", "intake_leak")])
def test_a_fault_is_found_and_the_right_part_named(number: int, fault: str, part: str) -> None:
    faulty = simulate(LAYOUTS[number], trip_named("commute"), [parse_fault(fault)], 7)
    finding = detect(faulty.drive, faulty.car, History())
    assert finding.verdict is Verdict.FAULT
    assert part in finding.parts[:2]  # a torn crankcase ventilation looks the same; the age of the car orders the two
