"""The throttle against its own past: on a plate in a bore, read in the steps of its scale, as drawn in the tests."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors.idle_quality import EXTRA_AIR, NAME, THROTTLE_PARTS, detect
from obdwatch.detectors.idle_quality_throttle import (
    CHANCE,
    GAP,
    SIGMAS,
    STEPS_PER_E,
    Shift,
    ThrottleCurve,
    learnt_of_curve,
    throttle_curve,
    throttle_shift,
)
from obdwatch.records import Feature, FloatArray, History, Verdict
from tests.detectors.idling_car import IdlingCar, drive, plate_angle
from tests.detectors.test_idle_quality import CAR, features, past, value

SCALE = 100.0 / 255.0  # SAE J1979, one step of a throttle position


def percent(area: float, bore: float, rest: float) -> float:
    """Throttle position [%] of an area [mm2], 80 % of the scale for the whole way of 84 degrees."""
    return plate_angle(area, bore, rest) / 84.0 * 80.0


def test_between_steps_a_plate_moves_along_a_straight_line() -> None:
    for bore, rest in ((45.0, 5.0), (58.0, 6.0), (70.0, 8.0)):
        for least in (10.0, 20.0, 40.0):
            ends = [percent(area, bore, rest) for area in (least, least * math.exp(GAP / 2.0), least * math.exp(GAP))]
            assert abs(ends[1] - (ends[0] + ends[2]) / 2.0) < 0.1


def drawn_curve(
    generator: np.random.Generator, bore: float, rest: float, areas: FloatArray, off: float
) -> ThrottleCurve:
    """A drive with a sound plate `off` [%] from where it was: air wrong by 1.3 % as a whole, angles in whole steps."""
    areas = areas * np.exp(0.05 * generator.standard_normal(len(areas)))
    angle = np.array([percent(float(area), bore, rest) for area in areas]) + off
    seen = areas * math.exp(0.013 * generator.standard_normal())
    return ThrottleCurve(
        "relative", np.round(np.log(seen) * STEPS_PER_E), seen, np.round(angle / SCALE) * SCALE, np.zeros(len(seen))
    )


def shift_of(generator: np.random.Generator, drives: int, off: float) -> Shift:
    bore, rest = generator.uniform(45.0, 65.0), generator.uniform(5.0, 8.0)
    areas = generator.uniform(12.0, 25.0) * np.exp(np.cumsum(generator.uniform(0.25, 0.4, generator.integers(1, 7))))
    known = [drawn_curve(generator, bore, rest, areas, 0.0) for _ in range(drives)]
    rows = tuple(
        Feature(f"drive-{number}", NAME, one.name, one.value, one.unit)
        for number, curve in enumerate(known)
        for one in learnt_of_curve(curve)
    )
    found = throttle_shift(drawn_curve(generator, bore, rest, areas, off), None, History(rows), NAME, THROTTLE_PARTS)
    assert found is not None
    return found


@pytest.mark.parametrize("drives", [1, 2, 3, 5])
def test_a_sound_throttle_passes_the_limit_no_oftener_than_it_may(drives: int) -> None:
    generator = np.random.default_rng(17 + drives)
    many = 400
    shifts = [shift_of(generator, drives, 0.0) for _ in range(many)]
    beyond = sum(one.measured > SIGMAS * one.sigma for one in shifts)
    assert beyond <= 3  # of 400 at 1 in 1,000: four or more come once in 1,000 (binomial distribution)
    assert CHANCE == 1e-3
    spread = float(np.std([one.measured for one in shifts]))
    limit = float(np.median([SIGMAS * one.sigma for one in shifts]))
    assert 3.0 < limit / spread < 7.0  # one in 1,000 lies at 3.1 where all is known (normal distribution)


def test_the_limit_narrows_with_every_drive() -> None:
    limits = []
    for drives in (1, 3, 5, 10):
        generator = np.random.default_rng(5)
        limits.append(float(np.median([shift_of(generator, drives, 0.0).sigma for _ in range(60)])))
    assert limits == sorted(limits, reverse=True)
    assert limits[2] < 0.7 * limits[0]


def test_a_throttle_that_stands_two_and_a_half_steps_off_is_seen_from_few_drives() -> None:
    generator = np.random.default_rng(3)
    found = [shift_of(generator, 2, 2.5 * SCALE) for _ in range(100)]
    assert sum(one.measured > SIGMAS * one.sigma for one in found) >= 90
    assert float(np.mean([one.measured for one in found])) == pytest.approx(2.5 * SCALE, abs=0.05)


def test_a_cold_idle_tells_of_the_throttle_too() -> None:
    cold = IdlingCar(coolant=55.0)
    unjudged = detect(drive(cold, seed=11), CAR, History())
    assert unjudged.verdict is Verdict.NOT_ENOUGH_DATA
    known = History(features(unjudged, 1))
    dirty = detect(drive(replace(cold, coolant=90.0, deposits=14.0), seed=12), CAR, known)
    assert (dirty.signature, value(dirty, "earlier_drives")) == ("throttle_deposits", 1.0)
    sound = detect(drive(replace(cold, coolant=90.0), seed=12), CAR, known)
    assert sound.verdict is Verdict.HEALTHY
    assert not any("_angle_" in one.name for one in dirty.learnt)  # nothing to compare the next one with
    assert any("_angle_" in one.name for one in sound.learnt)


def test_only_steady_air_past_a_choked_throttle_counts() -> None:
    whole = drive(IdlingCar(metering="both"))
    seen = throttle_curve(whole, CAR)
    assert seen is not None
    pressure = whole.signals["intake_manifold_pressure"]
    open_ = {**whole.signals, pressure.key: replace(pressure, values=pressure.values * 0.0 + 80.0)}
    assert throttle_curve(replace(whole, signals=open_), CAR) is None  # 80 of 101 kPa: not choked (isentropic flow)
    throttle = whole.signals["relative_throttle_position"]
    moving = np.where(np.arange(len(throttle.values)) % 16 < 8, throttle.values, throttle.values + 4.0)
    restless = {**whole.signals, throttle.key: replace(throttle, values=moving)}
    assert throttle_curve(replace(whole, signals=restless), CAR) is None
    assert throttle_curve(replace(whole, signals={}), CAR) is None


def test_a_hole_shows_by_what_it_lets_the_throttle_close_at_idle() -> None:
    car = IdlingCar(metering="pressure")
    finding = detect(drive(replace(car, leak=4.0), seed=99), CAR, past(car))
    assert (finding.signature, finding.parts[0]) == ("extra_air", "intake_leak")
    opening = 1.0 * 2.0 * math.sqrt(293.15) / (0.0404 * 101.0)  # the mechanic's rule, as the car has it
    closed = percent(opening, 58.0, 6.0) - percent(opening - 4.0, 58.0, 6.0)
    assert value(finding, "throttle_shut") == pytest.approx(closed, abs=0.25)
    assert value(finding, "throttle_shut") > EXTRA_AIR
