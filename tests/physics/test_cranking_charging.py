"""Starting and charging against a published trade table, a textbook circuit and other ways to the same number."""

from __future__ import annotations

import numpy as np
import pytest

from obdwatch.physics.charging import event_response, highest_regulated, level_by_speed, rises_through
from obdwatch.physics.cranking import (
    circuit_current,
    load_test_floor,
    resting_charge,
    resting_voltage,
    sag_ratio,
    speed_at_voltage,
)


@pytest.mark.parametrize(
    ("temperature", "volts"),
    # Published trade table of the load test at half the cold-cranking current for 15 s.
    [
        (30, 9.6),
        (20, 9.6),
        (16, 9.5),
        (18, 9.5),
        (10, 9.4),
        (4, 9.3),
        (-1, 9.1),
        (-7, 8.9),
        (-12, 8.7),
        (-18, 8.5),
        (-30, 8.5),
    ],
)
def test_the_floor_is_that_of_the_trade_table(temperature: float, volts: float) -> None:
    assert load_test_floor(temperature) == pytest.approx(volts, abs=0.035)


@pytest.mark.parametrize(("volts", "charge"), [(12.65, 100), (12.45, 75), (12.24, 50), (12.06, 25), (11.89, 0)])
def test_the_charge_at_rest_is_that_of_the_trade_table(volts: float, charge: float) -> None:
    assert resting_charge(volts) == pytest.approx(charge)
    assert resting_voltage(charge) == pytest.approx(volts)


def test_the_textbook_starter_circuit() -> None:
    """Open physics textbook: 12 V, 0.010 + 0.050 ohm: 200 A, 10.0 V, 2.0 kW; with 0.090 ohm more 80 A, 4.0 V, 320 W."""
    sound, corroded = circuit_current(12.0, 0.010, 0.0, 0.050), circuit_current(12.0, 0.010, 0.090, 0.050)
    assert (sound, sound * 0.050, sound**2 * 0.050) == pytest.approx((200.0, 10.0, 2000.0))
    assert (corroded, corroded * 0.050, corroded**2 * 0.050) == pytest.approx((80.0, 4.0, 320.0))
    # The corrosion takes current from the starter, and so the battery's own voltage rises: slow with the voltage up.
    assert sag_ratio(12.0, 12.0 - corroded * 0.010) < sag_ratio(12.0, 12.0 - sound * 0.010)


def test_crank_speed_follows_the_motor_equation_solved_for_each_battery() -> None:
    """V - I R = k n with the same torque and so the same current, at two voltages."""
    current, resistance, constant = 150.0, 0.020, 0.0325
    speeds = {volts: (volts - current * resistance) / constant for volts in (11.3, 10.1)}
    back = 1.0 - current * resistance / 11.3
    assert speed_at_voltage(speeds[11.3], 11.3, 10.1, back) == pytest.approx(speeds[10.1])
    assert speed_at_voltage(250.0, 11.0, 3.0, 0.5) == 0.0


def test_a_cold_regulator_may_hold_more() -> None:
    assert highest_regulated(25.0) == 14.8
    assert highest_regulated(-40.0) == pytest.approx(15.5)
    assert highest_regulated(0.0) == pytest.approx(15.1)


def test_the_level_goes_with_the_speed_and_only_where_it_was_steady() -> None:
    speed = np.repeat([800.0, 2000.0, 4000.0], 10)
    voltage = np.where(speed < 1000.0, 13.0, 14.0)
    level = level_by_speed(speed, voltage, speed < 3000.0, 150.0, 5)
    assert level[:20] == pytest.approx(voltage[:20])
    assert np.isnan(level[20:]).all()


def test_the_circular_shifts_are_those_of_a_plain_loop() -> None:
    generator = np.random.default_rng(3)
    residual, event = generator.normal(size=97), generator.random(97) < 0.15
    found = event_response(residual, event)
    means = [np.mean(residual[np.roll(event, -shift)]) for shift in range(97)]
    worse = [m <= found.mean + 1e-9 if found.mean <= 0 else m >= found.mean - 1e-9 for m in means]
    assert found.chance == pytest.approx(np.mean(worse))
    assert found.mean == pytest.approx(residual[event].mean())


def test_random_events_are_rarely_significant_and_planted_dips_always() -> None:
    generator = np.random.default_rng(4)
    chances = []
    for _ in range(300):
        slow = np.convolve(generator.normal(size=420), np.ones(20) / 20.0, mode="valid")
        chances.append(event_response(slow, generator.random(len(slow)) < 0.05).chance)
    assert np.mean(np.array(chances) <= 0.05) < 0.15  # one side is taken by the sign seen: twice 5 %, and scatter
    event = generator.random(400) < 0.05
    assert event_response(generator.normal(0.0, 0.1, 400) - 0.5 * event, event).chance <= 0.01


@pytest.mark.parametrize("level", [12.1, 12.7, 13.9])
def test_the_moment_of_a_rise_is_that_of_the_inverse_of_the_curve(level: float) -> None:
    """A first-order rise from 12 to 14 V in 0.3 s: t = -0.3 ln((14 - U) / 2), from readings 0.08 s apart."""
    times = np.arange(0.0, 3.0, 0.08)
    found = rises_through(times, 14.0 - 2.0 * np.exp(-times / 0.3), level, 0.1)
    assert found == pytest.approx(-0.3 * np.log((14.0 - level) / 2.0), abs=0.01)


def test_a_rise_in_a_gap_or_none_is_not_timed() -> None:
    assert rises_through(np.array([0.0, 1.0]), np.array([12.0, 14.0]), 13.0, 0.2) is None
    assert rises_through(np.array([0.0, 0.1]), np.array([12.0, 12.5]), 13.0, 0.2) is None
    assert rises_through(np.array([0.0, 0.1]), np.array([13.5, 14.0]), 13.0, 0.2) is None
    assert rises_through(np.empty(0), np.empty(0), 13.0, 0.2) is None


def test_too_few_events_say_nothing() -> None:
    assert event_response(np.zeros(5), np.array([True, False, False, False, False])).chance == 1.0
