"""Misfire and monitor results on whole drives: the open recordings of a real car, and the project's virtual car."""

from __future__ import annotations

from dataclasses import replace

import pytest

from obdwatch.detectors import misfire, monitor_results
from obdwatch.records import Car, History, Verdict
from obdwatch.simulation.drives import simulate
from obdwatch.simulation.faults import parse_fault
from obdwatch.simulation.layouts import LAYOUTS
from obdwatch.simulation.trips import trip_named
from tests.detectors.real_drives import read_drive
from tests.shared_data import shared


def test_real_drives_without_counters_raise_no_alarm() -> None:
    """Twelve open drives of a healthy car; taken for a petrol car too, so that its idle is looked at."""
    paths = sorted(shared("data/warmup_drives").glob("*.csv.gz"))
    assert len(paths) == 12
    for path in paths:
        drive = read_drive(path)
        for car in (None, Car("unknown", fuel="petrol")):
            finding = misfire.detect(drive, car, History())
            assert finding.verdict is Verdict.NOT_ENOUGH_DATA, path.name
            assert finding.signature in ("diesel", "no_counters")
        assert monitor_results.detect(drive, None, History()).signature == "no_results"


@pytest.mark.parametrize("number", [0, len(LAYOUTS) - 1])
def test_a_healthy_virtual_car_raises_no_alarm(number: int) -> None:
    healthy = simulate(LAYOUTS[number], trip_named("short_trip"), (), number)
    for car in (healthy.car, None):
        assert misfire.detect(healthy.drive, car, History()).verdict is not Verdict.FAULT
        assert monitor_results.detect(healthy.drive, car, History()).verdict is not Verdict.FAULT


def test_a_failing_coil_of_the_virtual_car_is_named() -> None:
    faulty = simulate(LAYOUTS[0], trip_named("hwfet"), [parse_fault("ignition_coil=1")], 3)
    finding = misfire.detect(faulty.drive, replace(faulty.car, fuel="petrol"), History())
    assert finding.verdict is Verdict.FAULT
    assert finding.parts[0] == "ignition_coil"
    cylinder = next(one.value for one in finding.measures if one.name == "cylinder")
    assert f"P030{cylinder:.0f}" in {reading.code for reading in faulty.drive.codes}  # the car says so too


def test_a_sticking_cam_of_the_virtual_car_fails_its_own_test() -> None:
    faulty = simulate(LAYOUTS[0], trip_named("short_trip"), [parse_fault("cam_timing_solenoid_intake=1")], 3)
    finding = monitor_results.detect(faulty.drive, faulty.car, History())
    assert finding.verdict is Verdict.FAULT
    assert finding.parts[0] == "cam_timing_solenoid_intake"
