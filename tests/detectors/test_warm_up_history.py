"""What earlier drives of the same car change: a narrower expectation, its own level, and a new start after a repair."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from obdwatch.detectors.warm_up import detect
from obdwatch.records import Car, Event, EventKind, Feature, Finding, History, Verdict
from tests.detectors.warming_car import Trip, WarmingCar, record

DAY = datetime(2024, 1, 1, tzinfo=UTC)
CAR = WarmingCar(opening=92.0)
PROFILE = Car("car", displacement_l=2.0)


def features(finding: Finding, day: int) -> tuple[Feature, ...]:
    return tuple(
        Feature(f"s{day}", finding.detector, one.name, one.value, one.unit, one.interval, DAY + timedelta(days=day),
                healthy=finding.verdict is Verdict.HEALTHY)
        for one in finding.measures
    )  # fmt: skip


@pytest.fixture(scope="module")
def known() -> History:
    past: tuple[Feature, ...] = ()
    for day in range(6):
        trip = Trip(style=("mixed", "motorway")[day % 2], minutes=25.0, air=4.0 * day, seed=day)
        past += features(detect(record(CAR, trip), PROFILE, History()), day)
    return History(past)


def expected(finding: Finding, name: str) -> tuple[float, float]:
    range_ = next(one.expected for one in finding.measures if one.name == name)
    assert range_ is not None
    return range_


def test_the_cars_own_past_narrows_what_is_expected(known: History) -> None:
    drive = record(CAR, Trip(minutes=25.0, air=10.0, seed=40))
    alone, with_past = detect(drive, PROFILE, History()), detect(drive, PROFILE, known)
    for name in ("warm_up_rate", "regulating_temperature", "cold_loss_rate"):
        low, high = expected(alone, name)
        own_low, own_high = expected(with_past, name)
        assert own_high - own_low < 0.75 * (high - low), name
    assert with_past.verdict is Verdict.HEALTHY


def test_a_level_below_the_cars_own_is_found_though_others_regulate_there(known: History) -> None:
    drive = record(replace(CAR, opening=79.5), Trip(minutes=25.0, air=10.0, seed=41))
    assert detect(drive, PROFILE, History()).verdict is not Verdict.FAULT
    assert detect(drive, PROFILE, known).signature == "opens_low"


def test_a_small_leak_is_found_against_the_cars_own_past(known: History) -> None:
    drive = record(replace(CAR, leak=0.25), Trip(style="mixed", minutes=20.0, air=5.0, seed=42))
    finding = detect(drive, PROFILE, known)
    assert finding.verdict is Verdict.FAULT
    assert finding.signature in ("stuck_open", "slow")


@pytest.mark.parametrize("seed", range(50, 56))
def test_a_healthy_car_stays_healthy_against_its_past(known: History, seed: int) -> None:
    trip = Trip(style=("town", "mixed", "motorway")[seed % 3], minutes=25.0, air=float(seed % 5) * 7.0 - 8.0, seed=seed)
    assert detect(record(CAR, trip), PROFILE, known).verdict is not Verdict.FAULT


def test_a_new_thermostat_starts_a_new_baseline(known: History) -> None:
    repair = Event("car", DAY + timedelta(days=30), EventKind.REPAIR, part="thermostat")
    cooler = record(replace(CAR, opening=83.0), Trip(minutes=25.0, air=10.0, seed=43))
    renewed = History(known.features, (repair,))
    assert detect(cooler, PROFILE, renewed) == detect(cooler, PROFILE, History())


def test_another_repair_leaves_the_baseline(known: History) -> None:
    repair = Event("car", DAY + timedelta(days=30), EventKind.REPAIR, part="spark_plugs")
    drive = record(CAR, Trip(minutes=25.0, air=10.0, seed=44))
    assert detect(drive, PROFILE, History(known.features, (repair,))) == detect(drive, PROFILE, known)


def test_drives_that_were_not_healthy_are_no_baseline(known: History) -> None:
    sick = History(tuple(replace(one, healthy=False) for one in known.features))
    drive = record(CAR, Trip(minutes=25.0, air=10.0, seed=45))
    assert detect(drive, PROFILE, sick) == detect(drive, PROFILE, History())


def test_two_drives_are_no_baseline(known: History) -> None:
    two = History(tuple(one for one in known.features if one.session_id in ("s0", "s1")))
    drive = record(CAR, Trip(minutes=25.0, air=10.0, seed=46))
    assert detect(drive, PROFILE, two) == detect(drive, PROFILE, History())


@pytest.fixture(scope="module")
def summer() -> History:
    past: tuple[Feature, ...] = ()
    for day in range(5):
        trip = Trip(style=("mixed", "motorway")[day % 2], minutes=25.0, air=20.0 + 2.0 * day, seed=day, heater_on=False)
        past += features(detect(record(CAR, trip), PROFILE, History()), day)
    return History(past)


@pytest.mark.parametrize("seed", range(70, 78))
def test_a_summer_without_the_heater_does_not_accuse_a_winter_with_it(summer: History, seed: int) -> None:
    strong = replace(CAR, heater=0.05)
    trip = Trip(style=("town", "mixed")[seed % 2], minutes=25.0, air=float(seed % 4) * 4.0 - 10.0, seed=seed)
    assert detect(record(strong, trip), PROFILE, summer).verdict is not Verdict.FAULT


@pytest.mark.parametrize("air", [-8.0, 4.0])
def test_a_leak_is_found_in_winter_against_a_past_of_summers(summer: History, air: float) -> None:
    drive = record(replace(CAR, leak=0.5), Trip(style="mixed", minutes=25.0, air=air, seed=80))
    assert detect(drive, PROFILE, summer).verdict is Verdict.FAULT
