"""Starting and charging on the virtual car: what is broken is found, and what is not is left alone."""

from __future__ import annotations

from functools import cache

from obdwatch.detectors import charging, cranking
from obdwatch.records import Drive, Finding, History, Verdict
from obdwatch.simulation.drives import simulate
from obdwatch.simulation.faults import parse_fault
from obdwatch.simulation.layouts import LAYOUTS
from obdwatch.simulation.trips import trip_named


@cache
def drive(number: int, faults: tuple[str, ...]) -> Drive:
    simulated = simulate(LAYOUTS[number], trip_named("udds"), [parse_fault(one) for one in faults], 11)
    return simulated.drive


def start(number: int, *faults: str) -> Finding:
    return cranking.detect(drive(number, faults), None, History())


def charge(number: int, *faults: str) -> Finding:
    return charging.detect(drive(number, faults), None, History())


def test_a_healthy_car_starts_and_charges() -> None:
    assert start(3).verdict is Verdict.HEALTHY
    assert charge(3).verdict is Verdict.HEALTHY


def test_a_bad_battery_and_a_high_regulator_are_both_found() -> None:
    both = ("battery=1", "alternator_overcharges=1")
    assert start(3, *both).parts[0] == "battery"
    assert charge(3, *both).signature == "overcharges"


def test_a_slipping_belt_is_found_on_a_car_that_sleeps_while_cranking() -> None:
    assert start(4, "drive_belt=1").signature == "asleep"
    assert charge(4, "drive_belt=1").parts[0] == "drive_belt"
