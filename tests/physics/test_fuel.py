"""Fuel and its heat, against handbook ranges and textbook road loads."""

from __future__ import annotations

import numpy as np
import pytest
from fluids.core import dP_from_K

from obdwatch.physics import fuel


def test_fuels_lie_in_the_handbook_ranges() -> None:
    # Air need 14.7, ethanol 9.0, E10 14.1; heating value petrol 41.8-43.4 MJ/kg, E10 about 41.6; density 0.72-0.78.
    petrol, e10 = fuel.FUELS["petrol"], fuel.FUELS["e10"]
    assert petrol.air_ratio == pytest.approx(14.7)
    assert 41.8 <= petrol.heating_value <= 43.4
    assert 0.72 <= petrol.density <= 0.78
    assert e10.air_ratio == pytest.approx(14.1, abs=0.05)
    assert e10.heating_value == pytest.approx(41.6, abs=0.6)


@pytest.mark.parametrize(("name", "share"), [("petrol", 0.0), ("e10", 0.10), ("e85", 0.85)])
def test_the_table_agrees_with_the_mixture_rule(name: str, share: float) -> None:
    mixed, listed = fuel.blend(share), fuel.FUELS[name]
    assert mixed.air_ratio == pytest.approx(listed.air_ratio, rel=0.01)
    assert mixed.heating_value == pytest.approx(listed.heating_value, rel=0.01)
    assert mixed.density == pytest.approx(listed.density, rel=0.01)


def test_petrol_heat_from_formation_enthalpies_of_isooctane() -> None:
    """Liquid iso-octane C8H18: -259.2 kJ/mol; CO2 -393.5, water vapour -241.8 (CRC Handbook, from memory)."""
    burnt = 8 * 393.5 + 9 * 241.8 - 259.2
    assert burnt / 114.23 == pytest.approx(44.3, abs=0.2)
    assert fuel.FUELS["petrol"].heating_value < burnt / 114.23  # aromatics hold less


def test_air_need_of_ethanol_from_its_formula() -> None:
    oxygen = 3.0 * 31.998 / 46.07  # C2H5OH + 3 O2
    assert oxygen / 0.2314 == pytest.approx(fuel.ETHANOL.air_ratio, abs=0.05)


def test_a_litre_of_petrol_an_hour_in_kilowatts() -> None:
    petrol = fuel.FUELS["petrol"]
    flow = fuel.fuel_flow_from_volume(1.0, petrol.density)
    assert fuel.heat_release(flow, petrol.heating_value) == pytest.approx(8.88, abs=0.15)  # common: 8.9 kWh per litre


def test_rich_mixture_takes_more_fuel() -> None:
    assert fuel.fuel_flow(20.0, 14.7, 0.9) == pytest.approx(fuel.fuel_flow(20.0, 14.7, 1.0) / 0.9)


def test_air_drag_agrees_with_the_dynamic_pressure_of_fluids() -> None:
    v = np.array([120.0])
    power = fuel.road_power(v, np.zeros(1), 0.0, 0.65, 0.0)
    assert power[0] * 1000.0 == pytest.approx(dP_from_K(1.0, 1.2, 120.0 / 3.6) * 0.65 * 120.0 / 3.6, rel=1e-6)


def test_a_braking_car_needs_no_power() -> None:
    assert fuel.road_power(np.array([50.0]), np.array([-3.0]), 1500.0, 0.65, 0.012)[0] == 0.0


def test_a_two_litre_engine_uses_what_workshops_know_at_idle_and_cruise() -> None:
    # 0.6 to 1.2 L/h warm at idle, 5 to 8 L per 100 km at a steady 100 km/h (common practice).
    petrol = fuel.FUELS["petrol"]
    idle = fuel.willans_fuel_power(np.array([800.0]), np.zeros(1), 2.0, 180.0, 0.36)
    work = fuel.road_power(np.array([100.0]), np.zeros(1), 1500.0, 0.65, 0.012) / 0.9
    cruise = fuel.willans_fuel_power(np.array([2500.0]), work, 2.0, 180.0, 0.36)
    litres = np.array([idle[0], cruise[0]]) / petrol.heating_value / petrol.density * 3.6
    assert 0.6 <= litres[0] <= 1.2
    assert 5.0 <= litres[1] <= 8.0
