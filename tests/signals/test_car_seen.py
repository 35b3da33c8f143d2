"""What a drive tells of its car, and what it contradicts; engines whose air follows published definitions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from obdwatch.decoding.monitors import decode_results
from obdwatch.records import Car, Drive, MonitorResult, Readiness, Session, Signal
from obdwatch.signals.car_seen import CarSeen, completed, displacement_seen, profile_from, seen_of
from obdwatch.signals.profile_check import contradictions


def drive(**signals: float | np.ndarray) -> Drive:
    t = np.arange(120.0)
    made = {
        key: Signal(key, "", t, np.broadcast_to(np.asarray(values, dtype=np.float64), t.shape).copy())
        for key, values in signals.items()
    }
    return Drive(Session("a", None, odometer_km=100_000.0), made)


def misfires(*monitors: int) -> tuple[MonitorResult, ...]:
    """Counters of cylinders as service 06 sends them."""
    found: list[MonitorResult] = []
    for monitor in monitors:
        reply = bytes([0x46, monitor, 0x0C, 0x24, 0, 0, 0, 0, 0xFF, 0xFF])
        found += decode_results(reply, 0.0, 0x7E8)
    return tuple(found)


@pytest.mark.parametrize(
    ("signals", "fuel"),
    [
        ({"fuel_type": 1.0}, "petrol"),
        ({"fuel_type": 4.0}, "diesel"),
        ({"fuel_type": 3.0}, "e85"),
        ({"fuel_type": 0.0}, None),
        ({"fuel_type": 1.0, "alcohol_fuel_percentage": 9.8}, "e10"),
        ({"fuel_type": 1.0, "alcohol_fuel_percentage": 78.0}, "e85"),
        ({}, None),
    ],
)
def test_the_fuel_is_that_of_parameter_51_and_52(signals: dict[str, float], fuel: str | None) -> None:
    """Codes of SAE J1979 parameter 51: 1 petrol, 3 ethanol, 4 diesel, 0 not available."""
    assert seen_of(drive(**signals)).fuel == fuel


def test_a_diesel_shows_in_its_readiness() -> None:
    readiness = Readiness(0.0, 0x7E8, False, 0, True, {})
    assert seen_of(replace(drive(), readiness=(readiness,))).fuel == "diesel"


@pytest.mark.parametrize(
    ("keys", "metering"),
    [(("air_flow",), "air_flow"), (("intake_manifold_pressure",), "pressure"), ((), None),
     (("air_flow", "intake_manifold_pressure"), "both")],
)  # fmt: skip
def test_the_metering_is_what_the_car_sends(keys: tuple[str, ...], metering: str | None) -> None:
    assert seen_of(drive(**dict.fromkeys(keys, 30.0))).air_metering == metering


def test_cylinders_are_those_with_a_misfire_counter_and_a_gap_tells_nothing() -> None:
    assert seen_of(replace(drive(), monitors=misfires(0xA2, 0xA3, 0xA4, 0xA5))).cylinders == 4
    assert seen_of(replace(drive(), monitors=misfires(0xA2, 0xA5))).cylinders is None
    assert seen_of(drive()).cylinders is None


def test_a_second_bank_shows_and_a_single_one_is_not_claimed() -> None:
    assert seen_of(drive(long_term_fuel_trim_bank_2=1.0)).banks == 2
    assert seen_of(drive(long_term_fuel_trim_bank_1=1.0)).banks is None


def test_boost_is_a_charger_and_its_absence_none_is_not_claimed() -> None:
    pressure = np.where(np.arange(120) > 100, 160.0, 60.0)
    assert seen_of(drive(intake_manifold_pressure=pressure, barometric_pressure=100.0)).induction == "turbo"
    assert seen_of(drive(intake_manifold_pressure=98.0, barometric_pressure=100.0)).induction is None


def test_the_displacement_from_manifold_pressure_holds_the_worked_example_in_its_interval() -> None:
    """2.0 L at 2000 1/min, 40 kPa, 26.85 degC and 85 % filling breathe 13.16 g/s (Heywood 2.10, from memory)."""
    shown = displacement_seen(drive(engine_speed=2000.0, intake_manifold_pressure=40.0, intake_air_temperature=26.85,
                                    air_flow=13.16))  # fmt: skip
    assert shown is not None
    assert shown.interval[0] < 2.0 < shown.interval[1]
    assert shown.interval[0] == pytest.approx(2.0 * 0.85 / 0.95, rel=0.002)
    assert profile_from(CarSeen(displacement=shown), "a").displacement_l is None  # too wide for a profile


def test_the_displacement_from_absolute_load_goes_into_the_profile_as_an_estimate() -> None:
    """2.5 L at 2500 1/min breathe 28.729 g/s at an absolute load of 46.59 % (definition of SAE J1979)."""
    seen = seen_of(drive(absolute_load=46.59, engine_speed=2500.0, air_flow=28.729))
    assert seen.displacement is not None
    assert seen.displacement.interval == pytest.approx((2.25, 2.75), abs=0.01)
    assert profile_from(seen, "a").displacement_l == 2.5
    assert any("an estimate of 2.5 L (2.2 to" in text for text in seen.reasons)


def test_what_was_stated_stays() -> None:
    seen = CarSeen(fuel="petrol", cylinders=6)
    assert completed(Car("a", fuel="e10", units="us"), seen) == Car("a", fuel="e10", cylinders=6, units="us")


def test_every_contradiction_is_said_and_names_its_field() -> None:
    shown = drive(fuel_type=1.0, long_term_fuel_trim_bank_2=1.0, odometer=100_500.0,
                  intake_manifold_pressure=np.linspace(40.0, 170.0, 120), barometric_pressure=100.0)  # fmt: skip
    cam = tuple(replace(one, monitor=0x35) for one in misfires(0xA2)[:1])
    shown = replace(shown, monitors=(*misfires(0xA2, 0xA3, 0xA4, 0xA5, 0xA6, 0xA7), *cam))
    wrong = Car("a", fuel="diesel", cylinders=4, bank_cylinders=((1, 2, 3, 4),), cam_timing=(),
                induction="naturally_aspirated", air_metering="pressure")  # fmt: skip
    said = contradictions(shown, wrong)
    for field in ("check fuel", "check cylinders", "check bank_cylinders", "check cam_timing", "check induction"):
        assert sum(field in " ".join(text.split()) for text in said) == 1, field
    assert any("100,500 km" in text for text in said)
    right = Car("a", fuel="e10", cylinders=6, bank_cylinders=((1, 2, 3), (4, 5, 6)), cam_timing=("intake",),
                induction="turbo", air_metering="pressure")  # fmt: skip
    assert [text for text in contradictions(shown, right) if "odometer" not in text] == []
    assert contradictions(shown, Car("a"))[0].startswith("This drive is noted at")


def test_an_odometer_read_at_the_end_of_the_drive_is_no_contradiction() -> None:
    shown = drive(odometer=np.linspace(100_000.0, 100_150.0, 120))
    assert contradictions(shown, Car("a")) == ()
    assert contradictions(replace(shown, session=replace(shown.session, odometer_km=100_160.0)), Car("a")) == ()


def test_ethanol_in_the_tank_of_a_petrol_car_is_said_as_fuel() -> None:
    (said,) = contradictions(drive(fuel_type=1.0, alcohol_fuel_percentage=80.0), Car("a", fuel="petrol"))
    assert "log a refuel" in said
