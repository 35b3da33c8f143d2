"""The warm-up detector on cars of another build than its own model (`warming_car`): what it finds, what it leaves."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors import cooling
from obdwatch.detectors.warm_up import detect
from obdwatch.records import Car, Finding, History, Urgency, Verdict
from tests.detectors.warming_car import Trip, WarmingCar, any_car, any_trip, record

GOOD_TRIP = Trip(style="mixed", minutes=25.0, air=8.0)


def judge(car: WarmingCar, trip: Trip = GOOD_TRIP, profile: Car | None = None) -> Finding:
    return detect(record(car, trip), profile, History())


def measure(finding: Finding, name: str) -> float:
    return next(one.value for one in finding.measures if one.name == name)


def answers(faulty: dict[str, float], count: int, first: int = 0) -> Counter[str]:
    found: Counter[str] = Counter()
    for seed in range(first, first + count):
        generator = np.random.default_rng(seed)
        car, trip = any_car(generator), any_trip(generator)
        finding = judge(replace(car, **faulty), trip)  # type: ignore[arg-type]
        found[finding.signature if finding.verdict is Verdict.FAULT else finding.verdict.value] += 1
    return found


def test_random_healthy_cars_raise_no_alarm() -> None:
    found = answers({}, 60)
    # At 95 % probability for a claim and one faulty car in ten, under one alarm in a hundred is to be expected.
    assert found["healthy"] + found["not_enough_data"] == 60
    assert found["healthy"] >= 45


@pytest.mark.nightly
def test_hundreds_of_healthy_cars_raise_hardly_any_alarm() -> None:
    found = answers({}, 600, 2000)
    assert found["healthy"] + found["not_enough_data"] >= 597


@pytest.mark.parametrize("leak", [0.5, 1.0])
def test_a_thermostat_that_does_not_shut_is_found_where_the_drive_can_show_it(leak: float) -> None:
    found = answers({"leak": leak}, 30)
    assert found["stuck_open"] >= 20
    assert found["healthy"] <= 1
    assert found["opens_late"] == 0


@pytest.mark.parametrize(
    ("style", "air"),
    [("town", -10.0), ("town", 8.0), ("mixed", -10.0), ("mixed", 8.0), ("mixed", 25.0), ("motorway", -10.0),
     ("motorway", 8.0), ("motorway", 25.0)],
)  # fmt: skip
def test_stuck_open_is_found_in_every_weather_and_traffic(style: str, air: float) -> None:
    finding = judge(WarmingCar(leak=0.7), Trip(style=style, minutes=30.0, air=air))
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "stuck_open")
    assert finding.urgency is Urgency.NEXT_SERVICE
    assert finding.parts[0] == "thermostat"
    assert finding.confidence >= 0.95


def test_the_leak_shows_as_a_loss_well_beyond_the_expected_range() -> None:
    loss = next(one for one in judge(WarmingCar(leak=0.7)).measures if one.name == "cold_loss")
    assert loss.expected is not None
    assert loss.interval is not None
    assert loss.interval[0] > loss.expected[1] * 0.8


def test_a_thermostat_that_opens_low_keeps_a_flat_level() -> None:
    finding = judge(WarmingCar(opening=62.0))
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "opens_low")
    assert finding.parts == ("thermostat", "coolant_temperature_sensor")
    opening = next(one for one in finding.measures if one.name == "opening_temperature")
    assert opening.interval is not None
    assert opening.interval[0] < 62.0 < opening.interval[1]


def test_a_late_opening_is_told_from_a_healthy_overshoot() -> None:
    late = judge(WarmingCar(opening=86.0, sticks_until=106.0), Trip(style="mixed", minutes=25.0, air=15.0, seed=3))
    assert (late.verdict, late.signature) == (Verdict.FAULT, "opens_late")
    assert late.parts == ("thermostat",)
    hottest = measure(late, "hottest_coolant")
    assert any(span.text == "hottest" and span.start < span.end for span in late.spans)
    assert 104.0 <= hottest <= 109.0
    assert judge(WarmingCar(opening=86.0, wax_lag=25.0)).verdict is Verdict.HEALTHY


def test_a_level_held_too_high_is_late_only_where_the_thermostat_is_known() -> None:
    car = WarmingCar(opening=86.0, sticks_until=106.0)  # here it stands at 101-104 degC for minutes first
    assert judge(car).verdict is not Verdict.FAULT  # a mapped thermostat does the same
    known = judge(car, profile=Car("car", displacement_l=2.0, thermostat_temperature=86.0))
    assert known.signature == "opens_late"


@pytest.mark.parametrize("named", [None, 86.0])
def test_a_hot_idle_after_regulation_is_not_a_late_opening(named: float | None) -> None:
    drive = record(WarmingCar(opening=86.0), Trip(minutes=30.0, air=15.0))
    old = drive.signals["coolant_temperature"]
    bump = (
        14.0 * np.clip((old.times - 1350.0) / 200.0, 0.0, 1.0) * (old.times < 1550.0)
    )  # up in a jam, down on the road
    hot = replace(drive, signals={**drive.signals, old.key: replace(old, values=np.round(old.values + bump))})
    profile = Car("car", displacement_l=2.0, thermostat_temperature=named)
    assert detect(hot, profile, History()).verdict is not Verdict.FAULT


@pytest.mark.parametrize(("style", "opening"), [("mixed", 130.0), ("mixed", 150.0), ("motorway", 130.0)])
def test_a_thermostat_that_never_opens_is_handed_to_the_cooling_detector(style: str, opening: float) -> None:
    drive = record(WarmingCar(opening=opening), Trip(style=style, minutes=30.0, air=25.0))
    for car in (None, Car("car", displacement_l=2.0, thermostat_temperature=88.0)):
        left, taken = detect(drive, car, History()), cooling.detect(drive, car, History())
        assert (left.verdict, left.signature, left.parts) == (Verdict.NOT_ENOUGH_DATA, "overheated", ())
        assert left.drive_to_get
        hottest = measure(left, "hottest_coolant")
        assert hottest >= 115.0
        assert taken.verdict is Verdict.FAULT
        assert taken.urgency is (Urgency.STOP if hottest >= 121.0 else Urgency.SOON)
        assert set(taken.parts) >= {"thermostat", "coolant_pump"}


@pytest.mark.parametrize("opening", [82.0, 88.0, 95.0, 103.0])
def test_every_published_opening_is_healthy_without_a_profile(opening: float) -> None:
    assert judge(WarmingCar(opening=opening), Trip(minutes=30.0)).verdict is Verdict.HEALTHY


def test_a_mapped_thermostat_may_regulate_far_below_its_name() -> None:
    profile = Car("car", displacement_l=2.0, thermostat_temperature=105.0)
    assert judge(WarmingCar(opening=86.0), profile=profile).verdict is Verdict.HEALTHY


def test_a_strong_heater_in_hard_winter_is_not_a_fault() -> None:
    for seed in range(8):
        trip = Trip(style="town", minutes=30.0, air=-12.0, seed=seed)
        assert judge(WarmingCar(heater=0.065), trip).verdict is not Verdict.FAULT


def test_a_short_idle_in_winter_is_too_short_and_says_what_to_drive() -> None:
    finding = judge(WarmingCar(), Trip(style="town", minutes=6.0, air=-8.0))
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "too_short")
    assert "20 to 30 minutes" in finding.drive_to_get


def test_a_small_leak_on_a_gentle_short_drive_stays_open() -> None:
    finding = judge(WarmingCar(leak=0.12), Trip(style="town", minutes=12.0, air=20.0))
    assert finding.verdict is Verdict.NOT_ENOUGH_DATA


def test_a_hot_start_with_little_driving_cannot_tell() -> None:
    finding = judge(WarmingCar(), Trip(style="town", minutes=4.0, air=20.0, start=84.0))
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "started_warm")


def test_a_hot_start_still_shows_a_thermostat_stuck_open() -> None:
    finding = judge(WarmingCar(leak=0.8), Trip(style="motorway", minutes=20.0, air=0.0, start=80.0))
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "stuck_open")
