"""Heat of the fuel from every source a car may offer, against the fuel the test car really burnt."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors.heat_input import burns_lean, displacement, find_heat, fuel_cut
from obdwatch.physics import air
from obdwatch.records import Car, Drive, FloatArray, Session, Signal
from tests.detectors.warming_car import HEATING_VALUE, STOICHIOMETRIC, Trip, WarmingCar, engine, speeds, throttle

CAR, TRIP = WarmingCar(displacement=2.4), Trip(style="mixed", minutes=20.0)
V = speeds(TRIP, np.random.default_rng(5))
RPM, AIR, FUEL = engine(CAR, V)
T = np.arange(float(len(V)))
TRUE_HEAT = float(np.sum(FUEL) * HEATING_VALUE / 1000.0)  # MJ
PROFILE = Car("car", displacement_l=2.4, fuel="petrol")


def drive(**values: FloatArray) -> Drive:
    given = {"engine_speed": RPM, "vehicle_speed": V, **values}
    return Drive(Session("heat", None), {key: Signal(key, "", T, column) for key, column in given.items()})


def absolute_load() -> FloatArray:
    return np.asarray(100.0 * 120.0 * AIR / (RPM * 2.4 * 1.184))  # SAE J1979, PID 43


def pressure() -> FloatArray:
    return np.asarray(AIR * 120.0 * 287.05 * 303.15 / (0.80 * 2.4 * RPM) / 1000.0)  # speed-density, turned round


SOURCES = {
    "engine_fuel_mass_rate": FUEL,
    "engine_fuel_rate": FUEL / 0.745 * 3.6,
    "air_flow": AIR,
    "absolute_load": absolute_load(),
    "intake_manifold_pressure": pressure(),
    "calculated_load": absolute_load() / 0.88,
}


@pytest.mark.parametrize("source", [*SOURCES, "vehicle_speed"])
def test_every_source_gives_the_heat_within_its_own_uncertainty(source: str) -> None:
    given = {} if source == "vehicle_speed" else {source: SOURCES[source]}
    given["short_term_fuel_trim_bank_1"] = np.zeros(len(T))
    pedal = {} if source.startswith("engine_fuel") else {"throttle_position": throttle(CAR, AIR, FUEL)}
    found = find_heat(drive(**given, **pedal), PROFILE, T)
    assert found is not None
    assert found.source == source
    heat = float(np.nansum(found.heat)) / 1000.0
    assert abs(np.log(heat / TRUE_HEAT)) < 2.0 * max(found.deviation, 0.08)


def test_the_best_source_is_taken_first() -> None:
    order = list(SOURCES)
    for best, source in enumerate(order):
        found = find_heat(drive(**{key: SOURCES[key] for key in order[best:]}), PROFILE, T)
        assert found is not None
        assert found.source == source


def test_coarser_sources_say_that_they_are_less_sure() -> None:
    found = [find_heat(drive(**{key: values}), PROFILE, T) for key, values in SOURCES.items()]
    deviations = [one.deviation for one in found if one is not None]
    assert deviations == sorted(deviations)


def test_an_unknown_engine_size_widens_what_rests_on_it() -> None:
    known, unknown = (find_heat(drive(absolute_load=absolute_load()), car, T) for car in (PROFILE, None))
    assert known is not None
    assert unknown is not None
    assert unknown.deviation > 2.0 * known.deviation


def test_fuel_cut_on_overrun_burns_nothing() -> None:
    plain = drive(air_flow=AIR, throttle_position=throttle(CAR, AIR, FUEL))
    cut = fuel_cut(plain, T, RPM, AIR)
    overrun = (FUEL == 0.0) & (RPM > 1350.0)
    assert np.mean(cut[overrun]) > 0.8
    assert np.mean(cut[FUEL > 0.0]) < 0.02


def test_commanded_lambda_tells_the_fuel_cut() -> None:
    excess = np.where(FUEL == 0.0, 1.999, 1.0)
    found = find_heat(drive(air_flow=AIR, commanded_equivalence_ratio=excess), PROFILE, T)
    assert found is not None
    assert float(np.sum(found.heat)) / 1000.0 == pytest.approx(TRUE_HEAT, rel=0.03)


def test_rich_mixture_burns_more_fuel_from_the_same_air() -> None:
    rich = find_heat(drive(air_flow=AIR, commanded_equivalence_ratio=np.full(len(T), 0.9)), PROFILE, T)
    plain = find_heat(drive(air_flow=AIR, commanded_equivalence_ratio=np.ones(len(T))), PROFILE, T)
    assert rich is not None
    assert plain is not None
    assert np.nanmax(rich.heat / plain.heat) == pytest.approx(1.0 / 0.9, rel=1e-6)


def test_ethanol_in_the_tank_changes_the_heat_of_the_same_volume() -> None:
    pure, blended = (
        find_heat(drive(engine_fuel_rate=FUEL * 5.0, alcohol_fuel_percentage=np.full(len(T), share)), None, T)
        for share in (0.0, 85.0)
    )
    assert pure is not None
    assert blended is not None
    # Ethanol holds about two thirds of petrol's energy per litre (26.8 MJ/kg x 0.789 to 42.9 x 0.745).
    assert np.nanmax(blended.heat) / np.nanmax(pure.heat) == pytest.approx(0.71, abs=0.03)


def test_displacement_comes_from_load_and_air_where_the_profile_is_silent() -> None:
    assert displacement(drive(air_flow=AIR, absolute_load=absolute_load()), None) == pytest.approx(2.4, rel=0.02)
    assert displacement(drive(air_flow=AIR), None) is None
    assert displacement(drive(), PROFILE) == 2.4


def test_a_throttled_engine_is_not_taken_for_a_diesel() -> None:
    assert not burns_lean(drive(intake_manifold_pressure=pressure()), None)
    assert burns_lean(drive(intake_manifold_pressure=np.full(len(T), 99.0)), None)


def test_fuel_trims_outweigh_a_high_idle_pressure() -> None:
    """Petrol engines that throttle with their valves idle near 95 kPa, and trim to lambda 1."""
    valves = drive(intake_manifold_pressure=np.full(len(T), 95.0), short_term_fuel_trim_bank_1=np.zeros(len(T)))
    assert not burns_lean(valves, None)


@pytest.mark.parametrize(("kind", "lean"), [(1.0, False), (4.0, True), (17.0, False), (19.0, True)])
def test_the_fuel_type_decides_where_the_car_tells_it(kind: float, lean: bool) -> None:
    assert burns_lean(drive(fuel_type=np.full(len(T), kind)), None) is lean


def test_high_ground_lowers_the_pressure_of_an_open_throttle() -> None:
    mountain = drive(intake_manifold_pressure=np.full(len(T), 72.0), barometric_pressure=np.full(len(T), 75.0))
    assert burns_lean(mountain, None)


def test_a_standing_engine_gives_no_heat() -> None:
    stopped = replace(drive(air_flow=np.full(len(T), 3.0)), signals={
        **drive(air_flow=np.full(len(T), 3.0)).signals, "engine_speed": Signal("engine_speed", "", T, np.zeros(len(T)))
    })  # fmt: skip
    found = find_heat(stopped, PROFILE, T)
    assert found is not None
    assert not np.any(found.heat)


def test_no_source_gives_no_heat() -> None:
    assert find_heat(Drive(Session("none", None), {}), PROFILE, T) is None


def test_air_and_fuel_of_the_test_car_are_stoichiometric() -> None:
    burning = FUEL > 0.0
    np.testing.assert_allclose(AIR[burning] / FUEL[burning], STOICHIOMETRIC)
    assert air.absolute_load(2000.0, 20.0, 2.4) > 0.0
