"""Heat balance of hot coolant: against energy conservation written out here, and against each other."""

from __future__ import annotations

import math

import pytest

from obdwatch.physics.heat_rejection import (
    hotter_air_allowance,
    rejected_conductance,
    time_to_reach,
    unrejected_rate,
)


def test_an_electric_kettle_heats_as_everybody_knows() -> None:
    # 1 kg of water (4.186 kJ/K, handbook), 2.0 kW: 80 K take 167 s, so 28.7 K/min.
    assert unrejected_rate(2.0, 1.0, 4.186) == pytest.approx(80.0 / (80.0 * 4.186 / 2.0) * 60.0)


def test_coolant_alone_heats_as_its_handbook_heat_capacity_says() -> None:
    # CoolProp INCOMP::MEG-50% at 90 degC: 1019.0 kg/m3, 3616 J/(kg K); 6 L of it in an engine without metal.
    capacity = 6.0e-3 * 1019.0 * 3.616
    assert unrejected_rate(10.0, 0.33, capacity) == pytest.approx(3.3 / capacity * 60.0)
    assert capacity == pytest.approx(22.1, abs=0.1)


def test_what_is_not_rejected_is_stored() -> None:
    rate = unrejected_rate(40.0, 0.33, 80.0)
    assert rejected_conductance(40.0, 0.33, 80.0, rate, 90.0, 20.0) == pytest.approx(0.0, abs=1e-12)
    # Half the rise leaves half the heat to the radiator: 6.6 kW over 70 K.
    assert rejected_conductance(40.0, 0.33, 80.0, rate / 2.0, 90.0, 20.0) == pytest.approx(6.6 / 70.0)


def test_time_to_a_limit() -> None:
    assert time_to_reach(120.0, 114.0, 3.0) == pytest.approx(120.0)
    assert time_to_reach(120.0, 120.0, 3.0) == 0.0
    assert math.isinf(time_to_reach(120.0, 90.0, -1.0))


def test_hotter_air_never_takes_away() -> None:
    assert [hotter_air_allowance(air, 20.0) for air in (-10.0, 20.0, 35.0)] == [0.0, 0.0, 15.0]
