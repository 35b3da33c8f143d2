"""Air of an engine, against published figures, a general-purpose library and the inverse forms."""

from __future__ import annotations

import pytest
from CoolProp.CoolProp import PropsSI
from fluids.atmosphere import ATMOSPHERE_1976

from obdwatch.physics import air


@pytest.mark.parametrize(
    ("pressure", "intake", "rpm", "efficiency", "flow", "load"),
    [
        # Computed by hand for a 2.5 L engine from m = VE p V N / (120 R T) and the definition of PID 43 in SAE J1979.
        (33.0, 35.0, 750.0, 0.75, 4.372, 23.63),
        (60.0, 30.0, 2500.0, 0.80, 28.729, 46.59),
        (100.0, 25.0, 4500.0, 0.92, 100.78, 90.79),
    ],
)
def test_speed_density_and_absolute_load_agree_with_hand_values(
    pressure: float, intake: float, rpm: float, efficiency: float, flow: float, load: float
) -> None:
    found = air.speed_density_air_flow(rpm, pressure, intake, 2.5, efficiency)
    assert found == pytest.approx(flow, rel=2e-4)
    assert air.absolute_load(rpm, found, 2.5) == pytest.approx(load, rel=2e-4)
    assert air.absolute_load_air_flow(rpm, load, 2.5) == pytest.approx(flow, rel=2e-4)
    assert air.displacement_from_load(rpm, flow, load) == pytest.approx(2.5, rel=2e-4)


def test_a_worked_value_of_the_trade_press() -> None:
    # 3.0 L, 700 rpm, full filling at 1.18 g/L: 20.65 g/s.
    assert air.absolute_load_air_flow(700.0, 100.0, 3.0) == pytest.approx(20.65, rel=0.005)


@pytest.mark.parametrize("celsius", [-20.0, 0.0, 25.0, 50.0])
def test_density_agrees_with_coolprop(celsius: float) -> None:
    reference = PropsSI("D", "T", celsius + 273.15, "P", 101325.0, "Air") / 1.0  # kg/m3 = g/L; CoolProp, real gas
    assert air.air_density(101.325, celsius) == pytest.approx(reference, rel=1e-3)


@pytest.mark.parametrize("height", [0.0, 1000.0, 2000.0, 3000.0])
def test_density_agrees_with_the_standard_atmosphere_of_fluids(height: float) -> None:
    standard = ATMOSPHERE_1976(height)
    assert air.air_density(standard.P / 1000.0, standard.T - 273.15) == pytest.approx(standard.rho, rel=1e-3)


def test_absolute_load_refers_to_air_at_25_degrees() -> None:
    assert air.air_density(air.STANDARD_PRESSURE, 25.0) == pytest.approx(air.LOAD_AIR_DENSITY, rel=1e-3)


def test_calculated_load_at_full_throttle_is_the_whole_filling() -> None:
    full = air.calculated_load_air_flow(3000.0, 100.0, 2.0, 0.9, 101.325, 25.0)
    assert air.absolute_load(3000.0, full, 2.0) == pytest.approx(90.0)


def test_thin_and_warm_air_carry_less() -> None:
    sea = air.calculated_load_air_flow(3000.0, 50.0, 2.0, 0.9, 101.325, 25.0)
    assert air.calculated_load_air_flow(3000.0, 50.0, 2.0, 0.9, 79.5, 25.0) == pytest.approx(sea * 79.5 / 101.325)
    assert air.calculated_load_air_flow(3000.0, 50.0, 2.0, 0.9, 101.325, 40.0) < sea
