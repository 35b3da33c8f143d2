"""Sensors against each other: the standard atmosphere, published air-flow values, a linear filter of a library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from obdwatch.physics.sensors import breathing, lagged, soak_remainder, standard_pressure


@pytest.mark.parametrize(("height", "pascal"), [(0, 101325), (1000, 89876), (2000, 79501), (3000, 70121)])
def test_the_standard_atmosphere(height: float, pascal: float) -> None:
    # ISO 2533 as computed by the library `ambiance`, which takes geometric heights: up to 0.02 % apart.
    assert standard_pressure(float(height)) == pytest.approx(pascal / 1000.0, rel=3e-4)


@pytest.mark.parametrize(
    ("pressure", "air", "speed", "efficiency", "flow"),
    [(33.0, 35.0, 750.0, 0.75, 4.372), (60.0, 30.0, 2500.0, 0.80, 28.729), (100.0, 25.0, 4500.0, 0.92, 100.78)],
)
def test_breathing_turns_speed_density_round(
    pressure: float, air: float, speed: float, efficiency: float, flow: float
) -> None:
    # Worked values of a 2.5 L engine by m = VE p Vd / (R T) n / 120 with R = 287.05 J/(kg K).
    assert breathing(flow, speed, pressure, air, 2.5) == pytest.approx(efficiency, rel=1e-3)


def test_breathing_of_a_trade_press_example() -> None:
    # 3.0 L, 700 1/min, air of 1.18 g/L, every stroke filled: 20.65 g/s (published by the trade press).
    pressure = 1.18 * 287.05 * 298.15 / 1000.0
    assert breathing(20.65, 700.0, pressure, 25.0, 3.0) == pytest.approx(1.0, rel=1e-3)


def test_cooling_down_by_half_every_two_hours() -> None:
    # Three hours of time constant are 2.08 h of half-life: ln 2 times 3.
    half = 3.0 * np.log(2.0)
    assert soak_remainder(float(half), 80.0, 3.0) == pytest.approx(40.0)
    assert soak_remainder(float(4.0 * half), 80.0, 3.0) == pytest.approx(5.0)


@pytest.mark.parametrize("time_constant", [15.0, 60.0, 240.0])
def test_a_lag_is_a_first_order_filter(time_constant: float) -> None:
    values = np.random.default_rng(1).normal(50.0, 20.0, 200)
    keep = np.exp(-10.0 / time_constant)
    same = lfilter([1.0 - keep], [1.0, -keep], values, zi=[keep * values[0]])[0]
    assert lagged(values, 10.0, time_constant) == pytest.approx(same)


def test_no_lag_changes_nothing_and_the_input_stays() -> None:
    values = np.array([1.0, 5.0, 2.0])
    shown = lagged(values, 10.0, 0.0)
    assert shown.tolist() == [1.0, 5.0, 2.0]
    shown[0] = 9.0
    assert values[0] == 1.0
    assert len(lagged(np.empty(0), 10.0, 30.0)) == 0
