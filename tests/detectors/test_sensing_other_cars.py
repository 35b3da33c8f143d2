"""Oxygen sensors, catalyst and idle on twelve open recordings of a healthy turbo-diesel (data set: CC BY 4.0), and on
drives of the virtual car.

The diesel recordings hold none of the sensors: no fault may be claimed, with or without a profile, and what is missing
must be said.
"""

from __future__ import annotations

import pytest

from obdwatch.detectors import catalyst, idle_quality, oxygen_sensors
from obdwatch.explanations.catalyst_words import catalyst_words
from obdwatch.explanations.idle_quality_words import idle_quality_words
from obdwatch.explanations.oxygen_sensors_words import oxygen_sensors_words
from obdwatch.records import Car, Drive, Finding, History, Verdict
from obdwatch.simulation.drives import simulate
from obdwatch.simulation.faults import parse_fault
from obdwatch.simulation.layouts import LAYOUTS
from obdwatch.simulation.trips import trip_named
from tests.detectors.real_drives import read_drive
from tests.shared_data import SHARED, shared

NAMES = sorted(path.name for path in (SHARED / "data" / "warmup_drives").glob("*.csv.gz")) or ["absent"]
DETECTORS = (oxygen_sensors, catalyst, idle_quality)
WORDS = (oxygen_sensors_words, catalyst_words, idle_quality_words)


def findings(drive: Drive, car: Car | None) -> tuple[Finding, ...]:
    return tuple(module.detect(drive, car, History()) for module in DETECTORS)


@pytest.mark.parametrize("name", NAMES)
def test_no_fault_is_claimed_on_a_healthy_diesel(name: str) -> None:
    drive = read_drive(shared(f"data/warmup_drives/{name}"))
    petrol = Car("car", fuel="e10", displacement_l=2.0)
    for car in (None, Car("car", fuel="diesel", displacement_l=2.0), petrol):
        for finding, words in zip(findings(drive, car), WORDS, strict=True):
            assert finding.verdict is not Verdict.FAULT
            if finding.verdict is Verdict.NOT_ENOUGH_DATA:
                assert finding.drive_to_get
            assert words(finding, "metric").headline


@pytest.mark.parametrize(
    ("number", "fault", "expected"),
    [
        (0, "", ("", "", None)),
        (5, "", ("", "", None)),
        (5, "oxygen_sensor_upstream=1", ("slow_response", None, None)),
        (0, "catalytic_converter=1", ("", "worn", None)),
    ],
)
def test_the_virtual_car(number: int, fault: str, expected: tuple[str | None, ...]) -> None:
    made = simulate(LAYOUTS[number], trip_named("hwfet"), [parse_fault(fault)] if fault else (), 5)
    for finding, signature in zip(findings(made.drive, made.car), expected, strict=True):
        if signature is None:
            assert finding.verdict is not Verdict.FAULT
        else:
            assert finding.signature == signature
