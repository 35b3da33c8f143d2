"""Filling, cams and advance on signals that no recording should hold: an answer comes, with finite numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors import air_filling, cam_timing, ignition_timing
from obdwatch.records import Car, Feature, FloatArray, History, Signal, Urgency
from tests.detectors.breathing_car import SIX, BreathingCar, drive, trip
from tests.detectors.breathing_history import past

CARS = (
    SIX,
    None,
    Car("bare"),
    replace(SIX, displacement_l=0.0),
    replace(SIX, cam_timing=("both",), displacement_l=-1.0),
)
WHOLE = drive(BreathingCar(), trip(pulls=3), monitors=True)


def spoiled(signal: Signal, random: np.random.Generator) -> Signal | None:
    """The signal lost, emptied, frozen, shuffled, thinned, shifted, with broken times or values, or as it was."""
    times, values = signal.times.copy(), signal.values.copy()
    kind = int(random.integers(0, 14))
    if kind == 0:
        return None
    if kind == 1:
        times, values = times[:0], values[:0]
    if kind == 2:
        values[:] = random.choice([0.0, np.nan, np.inf, -np.inf, 1e9, -40.0, 255.0])
    if kind == 3:
        times = random.permutation(times)
    if kind == 4:
        times[random.integers(0, len(times), 9)] = np.nan
    if kind == 5:
        times[-1] = np.nan
    if kind == 6:
        values[random.integers(0, len(values), 30)] = random.choice([np.inf, -np.inf, np.nan, 0.0, 1e12])
    if kind == 7:
        times[:] = times[0]
    if kind == 8:
        keep = np.sort(random.integers(0, len(times), 4))
        times, values = times[keep], values[keep]
    if kind == 9:
        values = random.normal(0.0, 1000.0, len(values))
    if kind == 10:
        times = times + random.normal(0.0, 100.0)
    return Signal(signal.key, signal.unit, times, values)


@pytest.fixture(scope="module")
def known() -> tuple[Feature, ...]:
    found: tuple[Feature, ...] = ()
    for detector in (air_filling, cam_timing, ignition_timing):
        found += past(detector.detect, BreathingCar(), SIX, days=3).features
    return found


def odd(features: tuple[Feature, ...], random: np.random.Generator) -> History:
    """A history of which some values cannot be."""
    wild: FloatArray = random.choice(np.array([0.0, -1.0, np.nan, np.inf, 1e12, 50.0]), len(features))
    return History(tuple(replace(one, value=float(value)) for one, value in zip(features, wild, strict=True)))


@pytest.mark.parametrize("seed", range(100))
def test_an_answer_comes_with_finite_numbers(known: tuple[Feature, ...], seed: int) -> None:
    random = np.random.default_rng(seed)
    signals = {key: one for key, signal in WHOLE.signals.items() if (one := spoiled(signal, random)) is not None}
    damaged = replace(WHOLE, signals=signals, monitors=WHOLE.monitors if seed % 2 else ())
    history = (History(), History(known), odd(known, random))[seed % 3]
    for detector in (air_filling, cam_timing, ignition_timing):
        finding = detector.detect(damaged, CARS[seed % 5], history)
        assert 0.0 <= finding.confidence <= 1.0
        assert finding.urgency not in (Urgency.SOON, Urgency.STOP)
        assert all(np.isfinite(one.value) for one in (*finding.measures, *finding.learnt))
        assert finding.verdict != "not_enough_data" or finding.drive_to_get


def test_the_input_is_left_as_it_was() -> None:
    before = {key: signal.values.copy() for key, signal in WHOLE.signals.items()}
    for detector in (air_filling, cam_timing, ignition_timing):
        detector.detect(WHOLE, SIX, History())
    for key, values in before.items():
        np.testing.assert_array_equal(WHOLE.signals[key].values, values)
