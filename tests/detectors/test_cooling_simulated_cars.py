"""The cooling detector on the project's own virtual car, whose physics it does not know."""

from __future__ import annotations

import pytest

from obdwatch.detectors.cooling import danger, detect
from obdwatch.records import History, Urgency, Verdict
from obdwatch.simulation.drives import simulate
from obdwatch.simulation.faults import parse_fault
from obdwatch.simulation.layouts import LAYOUTS
from obdwatch.simulation.trips import trip_named


@pytest.mark.parametrize(("number", "trip"), [(3, "summer_commute")])
def test_no_healthy_layout_raises_an_alarm(number: int, trip: str) -> None:
    healthy = simulate(LAYOUTS[number], trip_named(trip), (), number)
    assert detect(healthy.drive, healthy.car, History()).verdict is Verdict.HEALTHY
    assert detect(healthy.drive, None, History()).verdict is not Verdict.FAULT
    assert danger(healthy.drive) is None


@pytest.mark.parametrize(
    ("number", "fault", "trip", "part"),
    [
        (0, "coolant_pump_stops=0.5", "commute", "coolant_pump"),
        (0, "radiator_fan=1", "traffic_jam", "radiator_fan"),
    ],
)
def test_a_fault_is_found_and_the_right_part_named(number: int, fault: str, trip: str, part: str) -> None:
    faulty = simulate(LAYOUTS[number], trip_named(trip), [parse_fault(fault)], 7)
    finding = detect(faulty.drive, faulty.car, History())
    assert finding.verdict is Verdict.FAULT
    assert finding.parts[0] == part
    assert finding.urgency in (Urgency.SOON, Urgency.STOP)
