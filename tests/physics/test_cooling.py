"""The heat balance against closed forms, an independent integrator, and coolant data of CoolProp."""

from __future__ import annotations

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from scipy.integrate import solve_ivp

from obdwatch.detectors.warm_up_model import HEAT_CAPACITY_BASE, HEAT_CAPACITY_PER_LITRE
from obdwatch.physics import cooling
from obdwatch.physics.cooling import Conditions, CoolingSystem
from obdwatch.records import FloatArray


def one(**changes: float) -> CoolingSystem:
    values = {
        "heat_capacity": 80.0, "heat_share": 0.33, "loss_still": 0.03, "loss_speed": 0.0004, "heater": 0.0,
        "opening": 88.0, "radiator": 1.0, "leak": 0.0, "air_offset": 0.0,
    }  # fmt: skip
    return CoolingSystem(**{name: np.array([value]) for name, value in (values | changes).items()})


def steady(steps: int, step: float = 10.0, heat: float = 30.0, speed: float = 50.0, air: float = 10.0) -> Conditions:
    flat = np.ones(steps)
    return Conditions(step, flat * heat, flat * speed, flat * air, flat * air, np.arange(steps) == 0)


def test_a_shut_system_warms_up_exponentially() -> None:
    curve = cooling.warm_up_curves(steady(60), one(opening=500.0))[0]
    conductance = 0.03 + 0.0004 * 50.0
    t = np.arange(60) * 10.0
    closed_form = 10.0 + 0.33 * 30.0 / conductance * (1.0 - np.exp(-conductance * t / 80.0))
    np.testing.assert_allclose(curve, closed_form, rtol=1e-9)


def test_an_open_system_settles_where_the_balance_says() -> None:
    curve = cooling.warm_up_curves(steady(600), one(leak=1.0))[0]
    conductance = 0.03 + 0.0004 * 50.0 + cooling.RADIATOR_STILL + cooling.RADIATOR_SPEED * 50.0
    assert curve[-1] == pytest.approx(cooling.steady_temperature(30.0, 0.33, conductance, 10.0), abs=0.01)


def test_without_heat_an_engine_cools_by_half_in_its_half_life() -> None:
    conditions = steady(200, heat=0.0, speed=0.0)
    conditions.measured[0] = 90.0
    curve = cooling.warm_up_curves(conditions, one(opening=500.0))[0]
    half_life = 80.0 / 0.03 * np.log(2.0)
    assert np.interp(half_life, np.arange(200) * 10.0, curve) == pytest.approx(50.0, abs=0.1)


@pytest.mark.parametrize("step", [10.0, 15.0, 30.0])
def test_curves_agree_with_an_adaptive_integrator(step: float) -> None:
    """scipy.integrate.solve_ivp on the same equation, with thermostat, heater and a stop-and-go speed."""
    steps = int(1800 / step)
    t = np.arange(steps) * step
    speed = np.where(np.sin(t / 100.0) > 0.0, 70.0, 10.0)
    heat = np.where(np.sin(t / 100.0) > 0.0, 40.0, 15.0)
    conditions = Conditions(step, heat, speed, np.full(steps, 0.0), np.full(steps, 0.0), np.arange(steps) == 0)

    def slope(at: float, temperature: FloatArray) -> FloatArray:
        i = min(int(at / step), steps - 1)
        heater = 0.03 * np.clip((temperature - 30.0) / 25.0, 0.0, 1.0)
        wax = np.clip((temperature - 88.0) / 8.0, 0.0, 1.0)
        loss = 0.03 + 0.0004 * speed[i] + heater + wax * (0.08 + 0.005 * speed[i])
        return np.asarray((0.33 * heat[i] - loss * temperature) / 80.0)

    exact = solve_ivp(slope, (0.0, t[-1]), [0.0], t_eval=t, max_step=step / 5.0, rtol=1e-8).y[0]
    curve = cooling.warm_up_curves(conditions, one(heater=0.03))[0]
    assert np.max(np.abs(curve - exact)) < 0.05 * step  # half a kelvin at 10 s, far below the model's own error


def test_the_curve_starts_anew_after_a_gap() -> None:
    conditions = steady(40)
    conditions.restart[20] = True
    conditions.measured[20] = 75.0
    curve = cooling.warm_up_curves(conditions, one())[0]
    assert curve[20] == 75.0
    assert curve[21] > 75.0


def test_warmer_air_than_reported_slows_the_loss() -> None:
    plain, warmer = (cooling.warm_up_curves(steady(100), one(air_offset=offset))[0] for offset in (0.0, 5.0))
    assert warmer[0] == plain[0]
    assert warmer[50] > plain[50]


def test_many_systems_are_solved_as_one() -> None:
    table = [one(leak=leak) for leak in (0.0, 0.3, 1.0)]
    together = CoolingSystem(
        *(np.concatenate([getattr(system, name) for system in table]) for name in CoolingSystem.__slots__)
    )
    curves = cooling.warm_up_curves(steady(50), together)
    for row, system in zip(curves, table, strict=True):
        np.testing.assert_allclose(row, cooling.warm_up_curves(steady(50), system)[0])


def test_a_thermostat_is_shut_below_and_open_above_its_span() -> None:
    # Published: full opening 5 to 10 K above the first.
    assert 5.0 <= cooling.OPENING_SPAN <= 10.0
    opening = cooling.thermostat_opening(np.array([87.9, 88.0 + cooling.OPENING_SPAN]), np.array([88.0]), np.zeros(1))
    assert opening.tolist() == [0.0, 1.0]


def test_the_assumed_heat_capacity_is_metal_and_coolant_of_an_engine() -> None:
    """6 L of half glycol by CoolProp (INCOMP::MEG-50%), and 60 kg of aluminium and iron at 0.45 to 0.9 kJ/kgK."""
    density = PropsSI("D", "T", 333.15, "P", 2e5, "INCOMP::MEG-50%")
    specific = PropsSI("C", "T", 333.15, "P", 2e5, "INCOMP::MEG-50%")
    assert density == pytest.approx(1040.5, abs=1.0)
    assert specific == pytest.approx(3503.0, abs=5.0)
    coolant = 0.006 * density * specific / 1000.0
    low, high = coolant + 60.0 * 0.45, coolant + 60.0 * 0.9
    assert low < HEAT_CAPACITY_BASE + 2.0 * HEAT_CAPACITY_PER_LITRE < 1.2 * high
