"""The warm-up detector on the project's own virtual car, whose physics it does not know."""

from __future__ import annotations

import pytest

from obdwatch.detectors.warm_up import detect
from obdwatch.records import History, Verdict
from obdwatch.simulation.drives import simulate
from obdwatch.simulation.faults import parse_fault
from obdwatch.simulation.layouts import LAYOUTS
from obdwatch.simulation.trips import trip_named


@pytest.mark.parametrize("number", range(len(LAYOUTS)))
def test_no_healthy_layout_raises_an_alarm(number: int) -> None:
    layout = LAYOUTS[number]
    trip = trip_named(("commute", "winter_commute", "motorway")[number % 3])
    healthy = simulate(layout, trip, (), number)
    assert detect(healthy.drive, healthy.car, History()).verdict is not Verdict.FAULT
    assert detect(healthy.drive, None, History()).verdict is not Verdict.FAULT


@pytest.mark.parametrize(
    ("fault", "signatures"),
    [
        ("thermostat_stuck_open=1", {"stuck_open", "opens_low"}),
        ("thermostat_opens_low=1", {"opens_low"}),
        ("thermostat_sticks_closed=1", {"opens_late"}),
    ],
)
def test_a_faulty_thermostat_is_found_on_a_commute(fault: str, signatures: set[str]) -> None:
    faulty = simulate(LAYOUTS[0], trip_named("commute"), [parse_fault(fault)], 3)
    finding = detect(faulty.drive, faulty.car, History())
    assert finding.verdict is Verdict.FAULT
    assert finding.signature in signatures
    assert finding.parts[0] == "thermostat"


def test_a_sensor_that_reads_low_is_not_blamed_on_the_thermostat_after_a_stand() -> None:
    drive = simulate(LAYOUTS[0], trip_named("commute"), [parse_fault("coolant_sensor_reads_low=1")], 3)
    finding = detect(drive.drive, drive.car, History())
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "coolant_disagrees_cold")
    assert finding.parts == ("coolant_temperature_sensor",)
