"""Filling: correction to standard air, residual gas, and the line idle air moves on, against published values."""

from __future__ import annotations

import numpy as np
import pytest

from obdwatch.physics.air import absolute_load, absolute_load_air_flow
from obdwatch.physics.filling import heat_allowance, idle_breathing_change, residual_pressure, standard_filling
from obdwatch.physics.sensors import standard_pressure


@pytest.mark.parametrize(
    ("speed", "flow", "load"),
    [(750.0, 4.372, 23.63), (2500.0, 28.729, 46.59), (4500.0, 100.78, 90.79)],  # 120 m / (n Vd 1.184), SAE J1979 PID 43
)
def test_load_and_flow_are_inverse(speed: float, flow: float, load: float) -> None:
    assert absolute_load(speed, flow, 2.5) == pytest.approx(load, abs=0.01)
    assert absolute_load_air_flow(speed, load, 2.5) == pytest.approx(flow, rel=1e-3)


@pytest.mark.parametrize(("height", "pressure"), [(0.0, 101.325), (1000.0, 89.876), (2000.0, 79.501), (3000.0, 70.121)])
def test_filling_at_height_comes_back_to_that_at_sea_level(height: float, pressure: float) -> None:
    """Standard atmosphere, ISO 2533: an engine draws in air in proportion to its density."""
    assert standard_pressure(height) == pytest.approx(pressure, rel=1e-3)
    shown = 90.0 * pressure / 101.325
    assert standard_filling(shown, pressure, 25.0) == pytest.approx(90.0, rel=1e-6)


def test_the_correction_for_heat_is_that_of_engine_tests() -> None:
    """SAE J1349 corrects naturally aspirated power by the square root of absolute temperature (from memory)."""
    hot = standard_filling(np.array([80.0, 80.0]), np.array([99.0, 99.0]), np.array([25.0, 50.0]))
    assert hot[1] / hot[0] == pytest.approx(np.sqrt(323.15 / 298.15))


@pytest.mark.parametrize("ratio", [8.0, 9.5, 11.0, 13.0])
def test_residual_pressure_is_where_the_ideal_cycle_draws_nothing(ratio: float) -> None:
    """Volumetric efficiency of the ideal cycle, r/(r-1) - (pe/pi + k - 1) / (k (r-1)), Heywood 5.37 (from memory)."""
    k, exhaust = 1.35, 101.325
    inlet = residual_pressure(exhaust, ratio)
    drawn = ratio / (ratio - 1.0) - (exhaust / inlet + k - 1.0) / (k * (ratio - 1.0))
    assert drawn == pytest.approx(0.0, abs=1e-9)
    assert 5.0 < inlet < 11.0


def test_air_and_pressure_together_are_no_change_of_breathing() -> None:
    """Healthy idle is 27 to 44 kPa (17 to 22 inHg of vacuum, trade press): more load moves along one line."""
    residual = 8.0
    for pressure in (27.0, 36.0, 44.0):
        air = 20.0 * (pressure - residual) / (30.0 - residual)
        assert idle_breathing_change(air, pressure, 20.0, 30.0, residual) == pytest.approx(0.0, abs=1e-12)
    assert idle_breathing_change(20.0, 40.0, 20.0, 30.0, residual) == pytest.approx(22.0 / 32.0 - 1.0)


@pytest.mark.parametrize(("now", "earlier"), [(34.0, 0.0), (40.0, 10.0)])
def test_what_heat_may_take_beyond_the_correction_is_the_rest_of_the_density(now: float, earlier: float) -> None:
    """Ideal gas: air at 0 degC and 101.325 kPa weighs 1.2929 kg/m3 (handbooks of physics), in proportion to 1/T."""
    density = [1.2929 * 273.15 / (273.15 + air) for air in (now, earlier)]
    corrected = [
        standard_filling(100.0 * one / 1.2929, 101.325, air) for one, air in zip(density, (now, earlier), strict=True)
    ]
    assert heat_allowance(now, earlier) == pytest.approx(100.0 * (1.0 - corrected[0] / corrected[1]))
    assert heat_allowance(earlier, now) == 0.0
