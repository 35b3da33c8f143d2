import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdwatch.simulation.combustion import (
    air_per_fuel,
    best_timing,
    coolant_heat_share,
    friction_torque,
    fuel_density,
    heating_value,
    indicated_torque,
    knock_limit,
    mixture_torque,
    oil_friction_factor,
    pumping_torque,
    relative_filling,
    timing_efficiency,
)


# SAE J1979 parameter 43: absolute load = 120 m / (n Vd 1.184); worked values by hand for 2.5 L.
@pytest.mark.parametrize(
    ("flow", "speed", "load"), [(4.372, 750.0, 23.63), (28.729, 2500.0, 46.59), (100.78, 4500.0, 90.79)]
)
def test_absolute_load_worked_values(flow: float, speed: float, load: float) -> None:
    assert 100.0 * relative_filling(flow, speed, 2.5) == pytest.approx(load, abs=0.01)


def test_a_standing_engine_has_no_load() -> None:
    assert relative_filling(0.3, 0.0, 2.0) == 0.0


# Handbook values: 14.7 for petrol, 9.0 for ethanol, 14.10 for E10; E10 41.6 MJ/kg; densities 0.72 to 0.78 kg/L.
def test_fuel_properties_are_the_handbook_values() -> None:
    assert air_per_fuel(0.0) == pytest.approx(14.7)
    assert air_per_fuel(1.0) == pytest.approx(9.0)
    assert air_per_fuel(0.10) == pytest.approx(14.10, abs=0.02)
    assert 41_000.0 < heating_value(0.10) < 42_000.0
    assert 720.0 < fuel_density(0.10) < 780.0


def test_share_of_heat_in_the_coolant_lies_in_the_textbook_ranges() -> None:
    """Heywood table 12.1: 17 to 26 % at full load, 30 to 40 % at part load (from memory)."""
    assert 0.17 <= coolant_heat_share(220_000.0, 2.0) <= 0.26
    assert 0.30 <= coolant_heat_share(20_000.0, 2.0) <= 0.40


def test_cold_oil_drags() -> None:
    assert oil_friction_factor(90.0) == pytest.approx(1.0)
    assert 3.0 < oil_friction_factor(-20.0) < 6.0
    assert friction_torque(800.0, 20.0, 2.0) > 1.5 * friction_torque(800.0, 90.0, 2.0)


def test_pumping_torque_is_pressure_difference_over_a_cycle() -> None:
    """Work of a cycle = difference times swept volume, over two turns: 68 kPa x 2 L / 4 pi = 10.8 Nm."""
    assert pumping_torque(33.0, 101.0, 2.0) == pytest.approx(10.8, abs=0.03)


def test_gas_torque_never_gives_more_work_than_its_fuel_holds() -> None:
    for speed in (700.0, 2000.0, 6000.0):
        heat = 30.0 / air_per_fuel(0.1) * heating_value(0.1)
        work = indicated_torque(30.0, speed, 1.0, 1.0) * speed * 3.14159 / 30.0
        assert 0.30 < work / heat < 0.42


def test_torque_is_best_a_little_rich_and_falls_lean() -> None:
    assert mixture_torque(0.88) > mixture_torque(1.0) > mixture_torque(1.15) > mixture_torque(1.4)
    assert mixture_torque(0.6) < mixture_torque(0.88)
    assert mixture_torque(8.0) == 0.0


@given(filling=st.floats(0.1, 1.0), speed=st.floats(700.0, 6500.0))
def test_timing_of_best_torque_is_earlier_with_speed_and_residual_gas(filling: float, speed: float) -> None:
    assert best_timing(speed + 500.0, filling, 0.05) >= best_timing(speed, filling, 0.05)
    assert best_timing(speed, filling, 0.2) >= best_timing(speed, filling, 0.05)
    assert timing_efficiency(best_timing(speed, filling, 0.05), best_timing(speed, filling, 0.05)) == 1.0


def test_heat_and_load_bring_knock_nearer() -> None:
    cool = knock_limit(3000.0, 0.8, 20.0, 90.0, 10.0)
    assert knock_limit(3000.0, 0.8, 60.0, 90.0, 10.0) < cool
    assert knock_limit(3000.0, 0.95, 20.0, 90.0, 10.0) < cool
    assert knock_limit(3000.0, 0.8, 20.0, 115.0, 10.0) < cool
