"""Filling, cams and advance on the project's own virtual car, whose physics the detectors do not know."""

from __future__ import annotations

import pytest

from obdwatch.detectors import air_filling, cam_timing, ignition_timing
from obdwatch.records import History, Verdict
from obdwatch.simulation.drives import simulate
from obdwatch.simulation.faults import parse_fault
from obdwatch.simulation.layouts import LAYOUTS
from obdwatch.simulation.trips import trip_named

SIX = next(layout for layout in LAYOUTS if layout.name == "inline_six")
PULLS = trip_named("full_throttle")


def test_a_healthy_car_raises_no_alarm() -> None:
    healthy = simulate(SIX, PULLS, (), 5)
    for detector in (air_filling, cam_timing, ignition_timing):
        for profile in (healthy.car, None):
            assert detector.detect(healthy.drive, profile, History()).verdict is not Verdict.FAULT
    assert air_filling.detect(healthy.drive, healthy.car, History()).verdict is Verdict.HEALTHY


@pytest.mark.parametrize(
    ("fault", "part", "finder"),
    [
        ("intake_flap_actuator=0.5", "intake_flap_actuator", air_filling),
        ("cam_timing_solenoid_intake=0.5", "cam_timing_solenoid_intake", cam_timing),
        ("cam_timing_solenoid_exhaust=0.5", "cam_timing_solenoid_exhaust", cam_timing),
    ],
)
def test_a_fault_is_found_and_no_other_part_named(fault: str, part: str, finder: object) -> None:
    faulty = simulate(SIX, PULLS, [parse_fault(fault)], 6)
    for detector in (air_filling, cam_timing, ignition_timing):
        finding = detector.detect(faulty.drive, faulty.car, History())
        if detector is finder:
            assert finding.verdict is Verdict.FAULT
        if finding.verdict is Verdict.FAULT:
            assert finding.parts[0] == part
