"""The cooling detector against the car's own past, and what it says where it cannot tell."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from obdwatch.detectors.cooling import DRIVE_TO_GET, detect
from obdwatch.detectors.cooling_history import AGAIN
from obdwatch.records import Car, Drive, Event, EventKind, Feature, Finding, History, Session, Urgency, Verdict
from tests.detectors.damage import pierced_and_frozen
from tests.detectors.hot_car import COMMUTE, HotCar, any_car, profile, record
from tests.detectors.real_drives import read_drive
from tests.shared_data import shared

LONG_STAND = ((0.0, 20.0), (60.0, 500.0), (90.0, 500.0), (0.0, 900.0), (40.0, 100.0))
FIRST_DAY = datetime(2026, 5, 1, tzinfo=UTC)


def features(finding: Finding, session: str, day: int) -> tuple[Feature, ...]:
    """What the pipeline keeps of a finding."""
    healthy = finding.verdict is Verdict.HEALTHY
    at = FIRST_DAY + timedelta(days=day)
    return tuple(
        Feature(session, finding.detector, m.name, m.value, m.unit, m.interval, at, None, healthy)
        for m in (*finding.measures, *finding.learnt)
    )


def past(car: HotCar, drives: int = 4, air: float = 25.0) -> History:
    kept: tuple[Feature, ...] = ()
    for day in range(drives):
        drive = record(car, LONG_STAND, air + day - 2.0, seed=day)
        kept += features(detect(drive, profile(car), History(kept)), f"day{day}", day)
    return History(kept)


WEAK = HotCar(pump_worn=0.90)


def test_a_pump_that_weakens_is_seen_against_the_cars_own_past() -> None:
    drive = record(WEAK, LONG_STAND, 25.0)
    assert detect(drive, profile(WEAK), History()).verdict is not Verdict.FAULT
    finding = detect(drive, profile(WEAK), past(HotCar()))
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "hotter_than_before")
    assert finding.parts[0] == "coolant_pump"
    assert finding.urgency in (Urgency.WATCH, Urgency.NEXT_SERVICE)


def test_the_same_car_as_ever_is_healthy() -> None:
    assert (
        detect(record(HotCar(), LONG_STAND, 25.0, seed=9), profile(HotCar()), past(HotCar())).verdict is Verdict.HEALTHY
    )


def test_hotter_air_is_allowed_for() -> None:
    # In cooler air the earlier idling never needed the fan: coolant minus air is what may be compared.
    cool = past(HotCar(still=0.05), air=2.0)
    finding = detect(record(HotCar(still=0.05), LONG_STAND, 32.0), profile(HotCar()), cool)
    assert finding.verdict is not Verdict.FAULT


def test_a_repair_starts_a_new_past() -> None:
    history = past(HotCar())
    repair = Event("made", FIRST_DAY + timedelta(days=30), EventKind.REPAIR, part="coolant_pump")
    finding = detect(record(WEAK, LONG_STAND, 25.0), profile(WEAK), replace(history, events=(repair,)))
    assert finding.signature != "hotter_than_before"
    other = replace(repair, part="battery")
    finding = detect(record(WEAK, LONG_STAND, 25.0), profile(WEAK), replace(history, events=(other,)))
    assert finding.signature == "hotter_than_before"


def test_two_drives_are_no_past() -> None:
    finding = detect(record(WEAK, LONG_STAND, 25.0), profile(WEAK), past(HotCar(), 2))
    assert finding.verdict is not Verdict.FAULT


def test_one_earlier_stand_as_long_tells_a_pump_that_hardly_moves() -> None:
    known = past(HotCar(), 1)
    sound = detect(record(HotCar(), LONG_STAND, 25.0, seed=9), profile(HotCar()), known)
    assert sound.verdict is Verdict.HEALTHY
    limit = next(one.expected for one in sound.measures if one.name == "standing_level")
    usual = next(one.value for one in known.features if one.name == "standing_level")
    assert limit is not None
    assert usual + 3.0 < limit[1] < usual + 12.0


def test_growing_histories_of_healthy_cars_raise_no_alarm() -> None:
    for number in range(12):
        generator = np.random.default_rng(500 + number)
        car = any_car(generator)
        known = profile(car) if number % 2 else None
        kept: tuple[Feature, ...] = ()
        for day in range(8):
            parts = (COMMUTE, LONG_STAND)[int(generator.integers(2))]
            drive = record(car, parts, float(generator.uniform(-5.0, 35.0)), seed=day)
            finding = detect(drive, known, History(kept))
            assert finding.verdict is not Verdict.FAULT, (number, day, finding)
            kept += features(finding, f"day{day}", day)


def test_overheating_again_and_again_names_the_head_gasket() -> None:
    hot = Feature("old", "cooling", "hottest_coolant", 119.0, "degC", healthy=False)
    earlier = History(tuple(replace(hot, session_id=f"old{n}") for n in range(AGAIN)))
    dead = HotCar(pump_dead=((1000.0, 9000.0),))
    assert detect(record(dead, COMMUTE), profile(dead), earlier).parts[-1] == "head_gasket"


@pytest.mark.parametrize(
    ("drive", "signature"),
    [
        (Drive(Session("empty", None), {}), "coolant_missing"),
        (record(HotCar(), ((50.0, 60.0),)), "too_short"),
        (record(HotCar(), ((50.0, 300.0),), 0.0), "never_warm"),
        (record(HotCar(), COMMUTE, every=30.0), "sampling_too_slow"),
    ],
)
def test_what_is_missing_is_said_with_what_to_drive(drive: Drive, signature: str) -> None:
    finding = detect(drive, None, History())
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, signature)
    assert finding.drive_to_get == DRIVE_TO_GET[signature]


def test_a_climb_that_ends_before_the_fan_shows_is_left_open() -> None:
    car = HotCar(fan=0.0, still=0.02)
    parts = ((0.0, 20.0), (60.0, 500.0), (90.0, 400.0), (0.0, 330.0))
    finding = detect(record(car, parts, 28.0), profile(car), History())
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "fan_not_seen")
    assert "fan" in finding.drive_to_get


@pytest.mark.parametrize("missing", ["engine_speed", "vehicle_speed", "air_flow", "ambient_air_temperature"])
def test_any_signal_may_be_missing(missing: str) -> None:
    drive = record(HotCar(), COMMUTE)
    left = {key: one for key, one in drive.signals.items() if key != missing}
    finding = detect(replace(drive, signals=left), profile(HotCar()), History())
    assert finding.verdict is not Verdict.FAULT


def test_damaged_drives_are_judged_or_refused_but_never_raise() -> None:
    generator = np.random.default_rng(7)
    base = record(HotCar(pump_dead=((1000.0, 9000.0),)), COMMUTE)
    strange = Car("x", displacement_l=float("nan"), thermostat_temperature=-3.0)
    for _ in range(120):
        worse = pierced_and_frozen(base, generator, 15, (400.0, 1000.0))
        for car in (None, strange):
            finding = detect(worse, car, History())
            assert finding.verdict is not Verdict.NOT_ENOUGH_DATA or finding.drive_to_get


def test_the_drive_is_not_changed() -> None:
    drive = record(HotCar(), COMMUTE)
    before = {key: one.values.copy() for key, one in drive.signals.items()}
    detect(drive, None, History())
    assert all(np.array_equal(before[key], one.values) for key, one in drive.signals.items())


REAL = (
    "2017-07-05_s_ka_normal",
    "2017-07-07_s_rt_normal",
    "2017-07-11_ka_ka_stau",
    "2017-07-13_ka_ka_normal",
    "2017-07-26_s_ka_normal",
    "2018-02-20_ka_ka_frei",
    "2018-02-21_ka_ka_normal",
    "2018-02-23_s_s_stau",
    "2018-02-26_rt_rt_frei",
    "2018-02-27_ka_ka_normal",
    "2018-03-20_ka_ka_normal",
    "2018-04-23_ka_ka_frei",
)


@pytest.mark.parametrize("name", REAL)
def test_no_real_drive_raises_an_alarm(name: str) -> None:
    drive = read_drive(shared(f"data/warmup_drives/{name}.csv.gz"))
    assert detect(drive, None, History()).verdict is not Verdict.FAULT
    # Told that the thermostat is a plain one of 88 degC, as the level of 91 degC suggests, it is still no fault.
    assert detect(drive, Car("real", thermostat_temperature=88.0), History()).verdict is not Verdict.FAULT
