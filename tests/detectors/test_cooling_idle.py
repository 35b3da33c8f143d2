"""The level of a steady idle against the car's own past; the physics of the cars is in `hot_car`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors.cooling import detect
from obdwatch.explanations.cooling_words import cooling_words
from obdwatch.records import Finding, History, Urgency, Verdict
from tests.detectors.hot_car import HotCar, any_car, profile, record
from tests.detectors.test_cooling_history import features

STOP = ((0.0, 20.0), (60.0, 500.0), (90.0, 500.0), (0.0, 330.0), (40.0, 100.0))
"""Twenty minutes on the road, and five minutes with the engine idling."""

SOUND = HotCar(still=0.06)
WORN = replace(SOUND, pump_worn=0.87)


def value(finding: Finding, name: str) -> float | None:
    return next((one.value for one in finding.measures if one.name == name), None)


def one_earlier_drive(car: HotCar, air: float = 20.0) -> History:
    drive = record(car, STOP, air, seed=5)
    return History(features(detect(drive, profile(car), History()), "earlier", 0))


@pytest.fixture(scope="module")
def known() -> History:
    return one_earlier_drive(SOUND)


@pytest.mark.parametrize("every", [1.0, 5.0])
def test_a_worn_pump_shows_at_idle_after_one_earlier_drive(known: History, every: float) -> None:
    drive = record(WORN, STOP, 20.0, every=every)
    assert detect(drive, profile(WORN), History()).verdict is Verdict.HEALTHY
    finding = detect(drive, profile(WORN), known)
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "hotter_than_before")
    assert finding.parts[0] == "coolant_pump"
    assert finding.urgency is Urgency.WATCH
    assert "belt" in " ".join(cooling_words(finding, "metric").reasons)


def test_the_same_car_as_ever_stays_within_what_its_idle_is_expected_to_be(known: History) -> None:
    finding = detect(record(SOUND, STOP, 20.0, seed=9), profile(SOUND), known)
    assert finding.verdict is Verdict.HEALTHY
    level, before = value(finding, "idle_level"), value(finding, "idle_level_before")
    assert level is not None
    assert level == pytest.approx(before, abs=0.6)


def test_a_sensor_that_reads_high_lifts_idle_and_road_alike_and_is_not_the_pump(known: History) -> None:
    high = replace(SOUND, bias=4.5)
    drive = record(high, STOP, 20.0)
    finding = detect(drive, profile(high), known)
    assert finding.verdict is Verdict.FAULT
    assert finding.parts[0] != "coolant_pump"
    assert "coolant_temperature_sensor" in finding.parts
    assert "thermometer" in " ".join(cooling_words(finding, "metric").reasons)


def test_an_idle_with_another_heat_is_not_compared(known: History) -> None:
    # With the compressor of an air conditioning on, its fan is on too, and the engine idles cooler than without.
    cooled = History(
        tuple(replace(one, value=1.4 * one.value) if one.name == "idle_heat" else one for one in known.features)
    )
    finding = detect(record(WORN, STOP, 20.0), profile(WORN), cooled)
    assert value(finding, "idle_level_before") is None
    assert finding.verdict is Verdict.HEALTHY


def test_an_idle_that_nothing_holds_is_no_level() -> None:
    climbing = HotCar(still=0.02, fan=0.0)
    finding = detect(record(climbing, STOP, 32.0), profile(climbing), History())
    assert value(finding, "idle_level") is None


def test_colder_and_hotter_air_are_allowed_for() -> None:
    for before, now in ((0.0, 24.0), (20.0, 27.0), (27.0, 5.0)):
        history = one_earlier_drive(SOUND, before)
        assert detect(record(SOUND, STOP, now), profile(SOUND), history).verdict is not Verdict.FAULT


def test_sound_cars_with_one_earlier_idle_raise_no_alarm() -> None:
    compared = 0
    for number in range(20):
        generator = np.random.default_rng(900 + number)
        car = replace(any_car(generator), mapped=False, still=float(generator.uniform(0.045, 0.08)))
        air = float(generator.uniform(0.0, 22.0))
        history = one_earlier_drive(car, air)
        drive = record(car, STOP, air + float(generator.uniform(-5.0, 5.0)), every=float(generator.choice([1.0, 4.0])))
        finding = detect(drive, profile(car), history)
        assert finding.verdict is not Verdict.FAULT, (number, finding)
        compared += value(finding, "idle_level_before") is not None
    assert compared >= 10


@pytest.mark.parametrize("missing", ["air_flow", "engine_speed", "ambient_air_temperature", "vehicle_speed"])
def test_any_signal_may_be_missing(known: History, missing: str) -> None:
    drive = record(SOUND, STOP, 20.0)
    left = {key: one for key, one in drive.signals.items() if key != missing}
    assert detect(replace(drive, signals=left), profile(SOUND), known).verdict is not Verdict.FAULT
