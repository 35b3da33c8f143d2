"""The fuel-trim detector with a car's past: changes count more than levels, fuel is no fault, a repair starts anew."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from obdwatch.detectors.fuel_trims import NAME, detect
from obdwatch.records import Event, EventKind, Feature, Finding, History, Verdict
from tests.detectors.trimmed_car import TrimmedCar, profile, record

BEGIN = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)


def features(finding: Finding, number: int) -> tuple[Feature, ...]:
    return tuple(
        Feature(f"drive-{number}", NAME, one.name, one.value, one.unit, one.interval, BEGIN + timedelta(days=number))
        for one in (*finding.measures, *finding.learnt)
    )


def driven(car: TrimmedCar, drives: int = 6, **how: float) -> History:
    """The history of a car after some healthy drives, each told of those before."""
    history = History()
    for number in range(drives):
        drive = record(car, seed=10 + number, start=BEGIN + timedelta(days=number), **how)  # type: ignore[arg-type]
        finding = detect(drive, profile(car), history)
        assert finding.verdict is Verdict.HEALTHY, (number, finding)
        history = History((*history.features, *features(finding, number)), history.events)
    return history


def today(car: TrimmedCar, history: History, level: float = 60.0) -> Finding:
    return detect(record(car, seed=99, start=BEGIN + timedelta(days=30), level=level), profile(car), history)


def test_a_small_leak_shows_against_the_cars_own_past_only() -> None:
    car = TrimmedCar(metering="both", gain=-0.03)
    small = replace(car, hole=0.85)
    assert today(small, History()).verdict is Verdict.HEALTHY
    finding = today(small, driven(car))
    assert finding.verdict is Verdict.FAULT
    assert finding.signature == "unmetered_air"
    assert any(one.name == "own_baseline" for one in finding.measures)


@pytest.mark.parametrize("drives", [1, 2])
def test_a_car_known_from_few_drives_is_judged_by_where_it_stood(drives: int) -> None:
    bent = TrimmedCar(metering="both", bend=0.03)  # lean by 3 % at idle from the day it was built
    past = driven(bent, drives)
    worse = replace(bent, bend=0.045)
    assert today(worse, past).verdict is Verdict.HEALTHY
    rich = TrimmedCar(metering="both", bend=-0.03)
    leaking = replace(rich, hole=1.25)
    assert today(leaking, History()).verdict is Verdict.HEALTHY
    assert today(leaking, driven(rich, drives)).signature == "unmetered_air"


@pytest.mark.parametrize("drives", [1, 2])
def test_a_pump_is_weak_against_where_the_car_stood(drives: int) -> None:
    rich = TrimmedCar(metering="pressure", gain=-0.04)  # richer than asked everywhere, within the tolerances
    weak = replace(rich, pump=0.10)
    assert today(weak, History()).verdict is Verdict.HEALTHY
    assert today(weak, driven(rich, drives)).signature == "fuel_delivery_falls"


@pytest.mark.parametrize("drives", [1, 2])
@pytest.mark.parametrize("shift", [-0.04, 0.04])
def test_fuel_and_weather_do_not_alarm_a_car_known_from_few_drives(drives: int, shift: float) -> None:
    for metering in ("air_flow", "pressure", "both"):
        car = TrimmedCar(metering=metering)
        assert today(replace(car, gain=shift, purge=0.05), driven(car, drives)).verdict is Verdict.HEALTHY


def test_few_earlier_drives_narrow_the_limits_step_by_step() -> None:
    car = TrimmedCar(metering="both")
    ranges = []
    for drives in (0, 1, 2, 4):
        finding = today(car, driven(car, drives))
        ranges.append(next(one.expected for one in finding.measures if one.name == "contrast"))
    assert all(one is not None for one in ranges)
    widths = [one[1] - one[0] for one in ranges if one is not None]
    assert widths[0] > widths[1] > widths[2]


def test_with_its_past_an_air_sensor_alone_tells_an_exhaust_leak_by_the_idle_air() -> None:
    car = TrimmedCar()
    past = driven(car)
    assert today(replace(car, exhaust=0.15), past).parts[0] == "exhaust_leak"
    assert today(replace(car, hole=1.8), past).parts[0] == "intake_leak"


def test_with_its_past_air_sensor_and_pump_are_told_apart() -> None:
    car = TrimmedCar(metering="both")
    past = driven(car)
    assert today(replace(car, dirty=0.15), past).signature == "air_sensor_reads_low"
    assert today(replace(car, pump=0.15), past).signature == "fuel_delivery_falls"


@pytest.mark.parametrize("car", [TrimmedCar(gain=0.07), TrimmedCar(gain=-0.05, bend=0.04), TrimmedCar(purge=0.1)])
def test_a_car_that_always_was_so_stays_healthy(car: TrimmedCar) -> None:
    past = driven(car)
    assert today(car, past).verdict is Verdict.HEALTHY


def test_other_fuel_after_a_refuel_is_no_fault() -> None:
    car = TrimmedCar()
    past = driven(car, level=20.0)
    finding = today(replace(car, gain=0.12), past, level=90.0)
    assert finding.verdict is Verdict.HEALTHY
    assert finding.signature == "fuel_changed"
    assert next(one.value for one in finding.measures if one.name == "fuel_shift") == pytest.approx(12.0, abs=2.0)


def test_the_log_tells_of_a_refuel_too() -> None:
    car = TrimmedCar()
    past = driven(car)
    shifted = replace(car, gain=0.10)
    refuel = Event("test", BEGIN + timedelta(days=20), EventKind.REFUEL)
    assert today(shifted, past).verdict is Verdict.FAULT
    assert today(shifted, replace(past, events=(refuel,))).signature == "fuel_changed"
    long_ago = replace(refuel, at=BEGIN - timedelta(days=9))
    assert today(shifted, replace(past, events=(long_ago,))).verdict is Verdict.FAULT


def test_a_refuel_does_not_excuse_a_leak() -> None:
    car = TrimmedCar()
    finding = today(replace(car, hole=1.8), driven(car, level=20.0), level=90.0)
    assert finding.verdict is Verdict.FAULT


def test_a_repair_starts_a_new_baseline() -> None:
    car = TrimmedCar()
    past = driven(car)
    changed = replace(car, gain=0.09)
    repair = Event("test", BEGIN + timedelta(days=10), EventKind.REPAIR, part="maf_sensor")
    other = replace(repair, part="battery")
    assert today(changed, past).verdict is Verdict.FAULT
    assert today(changed, replace(past, events=(repair,))).verdict is Verdict.HEALTHY
    assert today(changed, replace(past, events=(other,))).verdict is Verdict.FAULT


def test_ordinary_change_between_drives_does_not_alarm() -> None:
    car = TrimmedCar(size=2.5, banks=(0.01, -0.01), cylinders=6)
    past = driven(car)
    for shift in (-0.04, 0.04):  # pure petrol for E10, and back
        assert today(replace(car, gain=shift, purge=0.06), past).verdict is Verdict.HEALTHY


def test_a_mixture_that_turns_lean_at_once_and_alike_asks_for_the_fuel() -> None:
    """E85 in a car that learnt E10: 14.1 / 9.9 is 42 % more fuel for the same air (stoichiometric ratios, handbook)."""
    car = TrimmedCar()
    history = driven(car, drives=2)
    lean = replace(car, gain=14.1 / 9.9 - 1.0)
    for number in range(3):
        finding = today(lean, history)
        assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "fuel_or_fault")
        assert "log" in finding.drive_to_get
        kept = tuple(replace(one, healthy=False) for one in features(finding, 2 + number))
        history = History((*history.features, *kept))
    assert today(lean, history).verdict is Verdict.FAULT  # after some drives nobody has told of another fuel


def test_lean_at_once_on_a_road_without_an_idle_asks_for_the_fuel_too() -> None:
    car = TrimmedCar()
    history, lean = driven(car, drives=2), replace(car, gain=14.1 / 9.9 - 1.0)
    road = record(lean, ((80.0, 15.0), (80.0, 600.0)), seed=5, start=BEGIN + timedelta(days=30))
    finding = detect(road, profile(lean), history)
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "fuel_or_fault")
    slowly = record(replace(car, gain=0.16), ((80.0, 15.0), (80.0, 600.0)), seed=5, start=BEGIN + timedelta(days=30))
    assert detect(slowly, profile(car), history).verdict is Verdict.FAULT  # less than another fuel makes
    standing = record(lean, ((0.0, 900.0),), seed=5, start=BEGIN + timedelta(days=30))
    assert detect(standing, profile(lean), history).verdict is Verdict.FAULT  # a leak does that at idle


def test_a_weak_pump_that_turns_up_at_once_is_not_taken_for_another_fuel() -> None:
    car = TrimmedCar()
    finding = today(replace(car, gain=0.20, pump=0.25), driven(car, drives=2))
    assert finding.verdict is Verdict.FAULT
    assert "fuel_pump" in finding.parts[:2]


def test_one_earlier_drive_tells_an_exhaust_leak_from_an_intake_leak() -> None:
    car = TrimmedCar()
    past = driven(car, drives=1)
    assert today(replace(car, exhaust=0.25), past).parts[0] == "exhaust_leak"
    assert today(replace(car, hole=2.2), past).parts[0] == "intake_leak"


def test_a_leak_that_earlier_drives_knew_comes_before_the_pump_where_no_idle_was_seen() -> None:
    car = TrimmedCar(gain=0.1)
    leaking = replace(car, hole=2.2)
    sound = driven(TrimmedCar())
    road = ((80.0, 15.0), (80.0, 600.0))
    lean = replace(car, gain=0.17)  # less than another fuel makes

    def on_the_road(history: History) -> Finding:
        drive = record(lean, road, seed=5, start=BEGIN + timedelta(days=40))
        return detect(drive, profile(lean), history)

    assert on_the_road(sound).parts[0] == "fuel_pump"
    seen = today(leaking, sound)
    assert seen.signature == "unmetered_air"
    rows = tuple(replace(one, healthy=False) for one in features(seen, 30))
    knows = on_the_road(History((*sound.features, *rows), ()))
    assert knows.signature == "lean_leak_known"
    assert set(knows.parts[:2]) == {"intake_leak", "crankcase_ventilation"}
    repaired = Event("fern", BEGIN + timedelta(days=35), EventKind.REPAIR, part="intake_leak")
    assert on_the_road(History((*sound.features, *rows), (repaired,))).signature != "lean_leak_known"
