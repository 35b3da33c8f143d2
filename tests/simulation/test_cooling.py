from dataclasses import replace

import numpy as np
import pytest

from obdwatch.simulation.cooling import COOLANT_HEAT, Cooling
from obdwatch.simulation.curves import Chance
from obdwatch.simulation.faults import Effects, effects_of, parse_fault
from obdwatch.simulation.layouts import INLINE_FOUR_AIR_FLOW, INLINE_SIX, LAYOUTS, Layout
from obdwatch.simulation.machine import Machine
from obdwatch.simulation.memory import CarMemory
from obdwatch.simulation.trips import compose, cycle, hold, standing
from tests.simulation.driven import COLD


def _cooling(layout: Layout, effects: Effects) -> Cooling:
    return Cooling(layout, compose("bench", (standing(10),)), CarMemory(), effects, Chance(1, 6))


def _steady(
    layout: Layout, fault: str | None = None, heat: float = 12_000.0, wind: float = 20.0, speed: float = 2200.0
) -> Cooling:
    """Run with constant heat until nothing changes, and return the cooling."""
    effects = effects_of([parse_fault(fault)] if fault else [], layout.bank_cylinders, 0.0)
    cooling = _cooling(layout, effects)
    for _ in range(16_000):
        cooling.step(0.25, heat, 2000.0, speed, wind, 18.0, 0.4, 0.0, True, effects)
    return cooling


def _mean_coolant(layout: Layout, fault: str | None = None, wind: float = 20.0, speed: float = 2200.0) -> float:
    effects = effects_of([parse_fault(fault)] if fault else [], layout.bank_cylinders, 0.0)
    cooling, values = _cooling(layout, effects), []
    for step in range(12_000):
        cooling.step(0.25, 13_000.0, 2000.0, speed, wind, 18.0, 0.4, 0.0, True, effects)
        if step > 9000:
            values.append(cooling.coolant)
    return float(np.mean(values))


def test_coolant_heat_capacity_is_that_of_the_reference_mixture() -> None:
    """CoolProp INCOMP::MEG-50% at 2 bar: 60 degC 1040.5 kg/m3 3503 J/kgK, 90 degC 1019.0 and 3616."""
    low, high = 1.0405 * 3503.0, 1.0190 * 3616.0
    assert low <= COOLANT_HEAT <= high


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_the_thermostat_regulates_within_its_range(layout: Layout) -> None:
    opens = layout.thermostat_temperature
    assert opens - 3.0 < _mean_coolant(layout) < opens + layout.thermostat_range


def test_heat_out_equals_heat_in_when_nothing_changes() -> None:
    """First law over the block node and the radiator node, written with what the model reports."""
    cooling = _steady(INLINE_FOUR_AIR_FLOW)
    before = cooling.block, cooling.coolant, cooling.oil, cooling.radiator
    cooling.step(0.25, 12_000.0, 2000.0, 2200.0, 20.0, 18.0, 0.4, 0.0, True, Effects())
    stored = (
        INLINE_FOUR_AIR_FLOW.block_heat_capacity * (cooling.block - before[0])
        + 0.55 * INLINE_FOUR_AIR_FLOW.coolant_l * COOLANT_HEAT * (cooling.coolant - before[1])
    ) / 0.25
    assert abs(stored) < 1200.0  # settled, but for the thermostat's slow hunting
    assert 0.4 * 12_000.0 < cooling.heat_to_coolant < 13_500.0
    assert cooling.radiator_heat < cooling.heat_to_coolant


def test_a_perfectly_insulated_engine_would_keep_every_joule() -> None:
    """In one step from equal temperatures nothing is lost, so all heat is stored in the metal."""
    cooling = _cooling(INLINE_SIX, Effects())
    start = cooling.block
    cooling.hood = cooling.oil = cooling.coolant = cooling.block
    cooling.step(0.25, 20_000.0, 0.0, 1500.0, 0.0, 10.0, 0.3, 0.0, True, Effects())
    assert (cooling.block - start) * INLINE_SIX.block_heat_capacity == pytest.approx(20_000.0 * 0.25, rel=1e-6)


@pytest.mark.parametrize("layout", [INLINE_FOUR_AIR_FLOW, INLINE_SIX], ids=lambda layout: layout.name)
def test_warm_up_takes_as_long_as_practice_says(layout: Layout) -> None:
    """From 20 degC in town traffic to 11 K below regulating temperature in 4 to 12 minutes (common practice)."""
    machine = Machine(layout, compose("town", (cycle("udds", 0, 900),)), (), 1, None)
    while machine.t < 900.0 and machine.cooling.sensor < layout.thermostat_temperature - 11.0:
        machine.step(dict)
    assert 240.0 < machine.t < 720.0


def test_an_open_thermostat_runs_cold_and_colder_in_the_wind() -> None:
    healthy = _mean_coolant(INLINE_FOUR_AIR_FLOW)
    town, motorway = (_mean_coolant(INLINE_FOUR_AIR_FLOW, "thermostat_stuck_open=0.7", wind) for wind in (5.0, 30.0))
    assert motorway < town < healthy - 4.0


def test_a_thermostat_that_opens_low_holds_a_low_but_flat_plateau() -> None:
    town, motorway = (_mean_coolant(INLINE_FOUR_AIR_FLOW, "thermostat_opens_low=0.6", wind) for wind in (5.0, 25.0))
    opens = INLINE_FOUR_AIR_FLOW.thermostat_temperature - 0.6 * 28.0
    for plateau in (town, motorway):
        assert opens - 3.0 < plateau < opens + INLINE_FOUR_AIR_FLOW.thermostat_range


def test_a_sticking_thermostat_overshoots_then_drops() -> None:
    effects = effects_of([parse_fault("thermostat_sticks_closed=0.6")], ((1, 2, 3, 4),), 0.0)
    cooling, seen = _cooling(INLINE_FOUR_AIR_FLOW, effects), []
    for _ in range(6000):
        cooling.step(0.25, 14_000.0, 2000.0, 2200.0, 20.0, 18.0, 0.4, 0.0, True, effects)
        seen.append(cooling.coolant)
    peak = int(np.argmax(seen))
    assert seen[peak] > INLINE_FOUR_AIR_FLOW.thermostat_temperature + 12.0
    assert min(seen[peak : peak + 480]) < seen[peak] - 10.0


def test_a_worn_belt_driven_pump_is_worst_at_idle_an_electric_one_stands_still() -> None:
    sound, worn = Effects(), effects_of([parse_fault("coolant_pump=0.6")], ((1, 2, 3, 4),), 0.0)

    def flow(effects: Effects, speed: float) -> float:
        cooling = _cooling(INLINE_FOUR_AIR_FLOW, effects)
        cooling.step(0.25, 5000.0, 500.0, speed, 5.0, 5.0, 0.3, 0.0, True, effects)
        return cooling.pump_flow

    assert flow(worn, 750.0) / flow(sound, 750.0) < 0.95 * flow(worn, 4000.0) / flow(sound, 4000.0)
    stops = effects_of([parse_fault("coolant_pump_stops")], INLINE_SIX.bank_cylinders, 0.0)
    cooling, flows = _cooling(INLINE_SIX, stops), []
    for _ in range(4000):
        cooling.step(0.25, 9000.0, 1000.0, 2000.0, 15.0, 15.0, 0.4, 0.0, True, stops)
        flows.append(cooling.pump_flow)
    assert 0.0 in flows
    assert max(flows) > 0.0


def test_after_a_long_stand_all_temperatures_agree() -> None:
    machine = Machine(INLINE_SIX, COLD, (), 1, None)
    cooling = machine.cooling
    readings = (cooling.sensor, cooling.intake_sensor, cooling.ambient_sensor, cooling.oil)
    assert max(readings) - min(readings) < 5.0  # the rule of thumb for eight hours and more


def test_a_short_stand_leaves_the_engine_warm_and_the_bonnet_hot() -> None:
    trip = compose("restart", (hold(0, 5),))
    machine = Machine(INLINE_SIX, replace(trip, soak_hours=0.4), (), 1, None)
    assert machine.cooling.coolant > 70.0
    assert machine.cooling.intake_sensor > trip.weather.ambient + 15.0
