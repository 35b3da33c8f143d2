"""The fuel-trim detector on an engine whose physics is written in the tests: every fault, and what must not alarm."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors.fuel_trims import NAME, detect
from obdwatch.records import Finding, History, MonitorResult, Signal, Urgency, Verdict
from tests.detectors.trimmed_car import TrimmedCar, profile, record

NOTHING = History()
SOUND = TrimmedCar()


def judge(car: TrimmedCar, seed: int = 1, **how: object) -> Finding:
    return detect(record(car, seed=seed, **how), profile(car), NOTHING)  # type: ignore[arg-type]


def measure(finding: Finding, name: str) -> float:
    return next(one.value for one in finding.measures if one.name == name)


def interval(finding: Finding, name: str) -> tuple[float, float]:
    found = next(one.interval for one in finding.measures if one.name == name)
    assert found is not None
    return found


@pytest.mark.parametrize("metering", ["air_flow", "both", "pressure"])
@pytest.mark.parametrize("banks", [(0.0,), (0.01, -0.015)])
def test_a_sound_car_is_healthy(metering: str, banks: tuple[float, ...]) -> None:
    finding = judge(replace(SOUND, metering=metering, banks=banks, gain=0.03, purge=0.05))
    assert finding.verdict is Verdict.HEALTHY
    assert finding.detector == NAME
    assert finding.spans


@pytest.mark.parametrize("seed", range(40))
def test_tolerances_of_sensor_fuel_and_altitude_do_not_alarm(seed: int) -> None:
    generator = np.random.default_rng(seed)
    car = TrimmedCar(
        size=float(generator.uniform(1.0, 4.0)),
        metering=str(generator.choice(["air_flow", "both", "pressure"])),
        gain=float(generator.uniform(-0.05, 0.05) + generator.choice([0.0, 0.04])),  # sensor; pure petrol or E10
        bend=float(generator.uniform(-0.03, 0.03)),
        banks=tuple(generator.uniform(-0.02, 0.02, int(generator.choice([1, 2])))),
        purge=float(generator.uniform(0.0, 0.08)),
        outside=float(generator.choice([101.3, 85.0, 75.0])),
        ripple=float(generator.uniform(0.01, 0.05)),
    )
    drive = record(car, seed=seed, every=float(generator.choice([0.3, 1.0, 2.0])))
    for known in (profile(car), None):
        assert detect(drive, known, NOTHING).verdict is not Verdict.FAULT


@pytest.mark.parametrize("metering", ["air_flow", "both"])
@pytest.mark.parametrize(("size", "hole"), [(1.4, 1.2), (2.0, 1.5), (3.0, 2.4)])
def test_a_leak_is_found_with_its_flow_and_hole(metering: str, size: float, hole: float) -> None:
    finding = judge(replace(SOUND, size=size, metering=metering, hole=hole, gain=0.02))
    assert finding.verdict is Verdict.FAULT
    assert finding.signature == "unmetered_air"
    assert set(finding.parts[:2]) == {"intake_leak", "crankcase_ventilation"}
    # Choked flow of 239 kg/(s m2) at 20 degC, discharge coefficient 0.7 as the drive was made with.
    flow = 0.7 * np.pi / 4.0 * hole**2 * 239.0 / 1000.0
    assert measure(finding, "leak_flow") == pytest.approx(flow, rel=0.2)
    low, high = interval(finding, "leak_diameter")
    assert low <= hole <= high or measure(finding, "leak_diameter") == pytest.approx(hole, rel=0.06)
    assert measure(finding, "trim_at_idle") > measure(finding, "trim_at_flow") + 5.0


def test_the_interval_of_the_leak_holds_the_truth_most_of_the_time() -> None:
    hits = 0
    for seed in range(20):
        low, high = interval(judge(replace(SOUND, metering="both", hole=1.6), seed), "leak_diameter")
        hits += low <= 1.6 <= high
    assert hits >= 16


def test_a_larger_leak_is_more_urgent() -> None:
    order = [Urgency.WATCH, Urgency.NEXT_SERVICE, Urgency.SOON]
    found = [judge(replace(SOUND, hole=hole)).urgency for hole in (1.1, 1.5, 2.2)]
    assert found == order


def test_an_exhaust_leak_is_told_from_an_intake_leak_where_air_and_pressure_are_measured() -> None:
    finding = judge(replace(SOUND, metering="both", exhaust=0.14))
    assert finding.verdict is Verdict.FAULT
    assert finding.parts[0] == "exhaust_leak"


def test_an_exhaust_leak_with_an_air_sensor_alone_is_found_and_named_as_one_of_three() -> None:
    finding = judge(replace(SOUND, exhaust=0.14))
    assert finding.verdict is Verdict.FAULT
    assert "exhaust_leak" in finding.parts


def test_an_engine_metered_by_pressure_burns_what_leaks_in() -> None:
    assert judge(replace(SOUND, metering="pressure", hole=2.0)).verdict is Verdict.HEALTHY
    lean = judge(replace(SOUND, metering="pressure", exhaust=0.14))
    assert lean.parts[0] == "exhaust_leak"


def test_a_fast_idle_is_what_a_leak_looks_like_there() -> None:
    car = replace(SOUND, metering="pressure")
    drive = record(car)
    speed = drive.signals["engine_speed"]
    fast = Signal(speed.key, speed.unit, speed.times, np.maximum(speed.values, 1300.0))
    finding = detect(replace(drive, signals={**drive.signals, "engine_speed": fast}), profile(car), NOTHING)
    assert finding.verdict is Verdict.FAULT
    assert finding.signature == "idles_fast"
    assert "intake_leak" in finding.parts


@pytest.mark.parametrize("size", [1.6, 3.0])
def test_weak_fuel_delivery_grows_with_flow(size: float) -> None:
    finding = judge(replace(SOUND, size=size, metering="pressure", pump=0.2))
    assert finding.verdict is Verdict.FAULT
    assert finding.parts == ("fuel_pump",)
    assert measure(finding, "slope") > 3.0


def test_a_dirty_air_sensor_comes_first_where_pressure_shows_it() -> None:
    finding = judge(replace(SOUND, metering="both", dirty=0.25))
    assert finding.verdict is Verdict.FAULT
    assert finding.parts[0] == "maf_sensor"


def test_without_pressure_sensor_and_pump_are_both_named() -> None:
    for car in (replace(SOUND, dirty=0.2), replace(SOUND, pump=0.2)):
        finding = judge(car)
        assert finding.verdict is Verdict.FAULT
        assert set(finding.parts) == {"maf_sensor", "fuel_pump"}
        assert finding.signature == "lean_with_flow"


@pytest.mark.parametrize(("error", "signature"), [(0.12, "one_bank_lean"), (-0.12, "one_bank_rich")])
def test_one_bank_alone(error: float, signature: str) -> None:
    car = TrimmedCar(size=3.0, cylinders=6, banks=(0.0, error))
    finding = judge(car)
    assert finding.signature == signature
    assert finding.parts[0] == "fuel_injector"
    assert measure(finding, "bank") == 2.0


def test_one_bank_at_idle_only_is_a_leak_on_its_side() -> None:
    finding = judge(TrimmedCar(size=3.0, cylinders=6, banks=(0.0, 0.0), bank_exhaust=0.15))
    assert finding.signature == "one_bank_lean_at_idle"
    assert finding.parts[0] == "exhaust_leak"
    assert measure(finding, "bank") == 2.0


@pytest.mark.parametrize(
    ("gain", "signature", "urgency"),
    [
        (0.2, "lean_everywhere", Urgency.NEXT_SERVICE),
        (0.14, "lean_everywhere", Urgency.WATCH),
        (-0.2, "rich_everywhere", Urgency.SOON),
    ],
)
def test_a_level_that_is_wrong_everywhere(gain: float, signature: str, urgency: Urgency) -> None:
    finding = judge(replace(SOUND, gain=gain))
    assert finding.signature == signature
    assert finding.urgency is urgency


def test_a_fill_of_unknown_fuel_is_not_called_a_fault() -> None:
    car = replace(SOUND, gain=0.38)  # E85 in an engine that reckons with petrol
    full = detect(record(car, level=95.0), profile(car), NOTHING)
    nobody = detect(record(car), None, NOTHING)
    for finding in (full, nobody):
        assert finding.verdict is Verdict.NOT_ENOUGH_DATA
        assert finding.signature == "fuel_or_fault"
        assert finding.drive_to_get
    half_seen = detect(record(car, ((0, 400),)), profile(car, "e85"), NOTHING)
    assert half_seen.signature == "fuel_or_fault"


def test_ethanol_that_the_profile_tells_of_is_no_fault() -> None:
    car = replace(SOUND, gain=0.40)
    finding = detect(record(car), profile(car, "e85"), NOTHING)
    assert finding.verdict is Verdict.HEALTHY
    assert finding.signature == "fuel_changed"


def test_a_misfire_that_explains_the_trims_comes_first() -> None:
    # Twenty minutes at some 1,500 1/min are 15,000 revolutions: 3,000 misfires of 7,500 charges, a tenth of all four.
    revolutions = _revolutions(SOUND)
    misfires = round(0.45 * revolutions / 2.0)
    car = replace(SOUND, gain=0.45 / 4.0 + 0.03)
    finding = judge(car, misfires={1: misfires, 2: 1, 3: 0, 4: 0})
    assert finding.verdict is Verdict.NOT_ENOUGH_DATA
    assert finding.signature == "misfire_first"
    assert finding.drive_to_get


def test_a_lean_cylinder_is_leaner_than_its_misfires_explain() -> None:
    misfires = round(0.2 * _revolutions(SOUND) / 2.0)
    finding = judge(replace(SOUND, gain=0.05 + 0.13), misfires={1: 0, 2: 2, 3: misfires, 4: 1})
    assert finding.signature == "lean_cylinder"
    assert finding.parts[0] == "fuel_injector"
    assert measure(finding, "cylinder") == 3.0


def test_a_misfire_at_idle_is_not_taken_for_a_leak() -> None:
    # Counters that rise only while the car stands: a fifth of all charges at 750 1/min misfire there and nowhere else.
    car = replace(SOUND, exhaust=0.2)
    drive = record(car)
    speed = drive.signals["vehicle_speed"]
    at = np.arange(5.0, float(speed.times[-1]), 10.0)
    standing = np.interp(at, speed.times, speed.values) < 1.0
    counts = np.cumsum(standing * 10.0 * 750.0 / 60.0 / 2.0 * 0.2)
    monitors = tuple(
        MonitorResult(t, 0x7E8, 0xA1 + cylinder, 0x0C, 0x24, (int(n), 0, 65535), float(int(n)), 0.0, 65535.0, "", True)
        for cylinder in (1, 2, 3, 4)
        for t, n in zip(at.tolist(), counts.tolist(), strict=True)
    )
    assert detect(drive, profile(car), NOTHING).verdict is Verdict.FAULT
    finding = detect(replace(drive, monitors=monitors), profile(car), NOTHING)
    assert finding.signature == "misfire_first"
    assert measure(finding, "false_lean") == pytest.approx(20.0, abs=3.0)


def _revolutions(car: TrimmedCar) -> float:
    speed = record(car).signals["engine_speed"]
    return float(np.trapezoid(speed.values, speed.times)) / 60.0
