"""Curves against physics that the test writes down itself."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from obdwatch.curves import air_filling, cranking, fuel_trims, misfire, warm_up
from obdwatch.curves.all_curves import curves_of
from obdwatch.curves.curve import Curve, Look, Series
from obdwatch.curves.states import states_of
from obdwatch.detectors import air_filling as filling_detector
from obdwatch.records import Car, Feature, History, Signal
from tests.curves.plain_drives import FOUR, cranked, drive, every, leaking, misfiring, pulling, warming

NOTHING = History()


def found(curve: Curve | None) -> Curve:
    assert curve is not None
    return curve


def value(curve: Curve, name: str) -> float:
    fact = curve.fact(name)
    assert fact is not None, name
    return fact.value


def model(curve: Curve) -> Series:
    return next(one for one in curve.panels[0].measured if one.look is Look.MODEL)


# Warm-up


def test_what_is_measured_of_a_warm_up_is_what_the_sensor_said() -> None:
    curve = found(warm_up.curve(warming(8.0), FOUR, NOTHING))
    (line,) = curve.panels[0].measured
    assert line.y == pytest.approx(10.0 + 4.0 * line.x)  # 4 K a minute, over minutes


def test_expected_warm_up_begins_in_proportion_to_the_heat() -> None:
    """Close to the outside temperature nothing is lost yet: C dT/dt = a Q (energy balance), so twice the heat is twice
    the rise. A third of the fuel's heat (published: 30 to 40 %) into 60 to 120 kJ/K of a 2 L engine makes its size.
    """
    rises = {}
    for air in (4.0, 8.0):
        (band,) = found(warm_up.curve(warming(air), FOUR, NOTHING)).panels[0].expected
        assert band.middle is not None
        rises[air] = (band.middle[6] - band.middle[0]) / (band.x[6] - band.x[0])  # over the first minute [K/min]
    assert rises[8.0] / rises[4.0] == pytest.approx(2.0, rel=0.06)
    fuel = 8.0 / 14.7 * 42.5  # kW
    assert 60.0 * fuel * 0.30 / 120.0 < rises[8.0] < 60.0 * fuel * 0.40 / 60.0


def test_a_warm_up_that_lags_says_where_it_is_furthest_behind() -> None:
    curve = found(warm_up.curve(warming(16.0, 20.0), FOUR, NOTHING))
    (band,) = curve.panels[0].expected
    assert band.low is not None
    line = curve.panels[0].measured[0]
    behind = np.interp(band.x, line.x, line.y) < band.low
    assert value(curve, "colder") == pytest.approx(np.count_nonzero(behind) / 6.0, abs=0.5)  # steps of ten seconds
    furthest = curve.fact("furthest")
    assert furthest is not None
    assert furthest.expected is not None
    assert furthest.value < furthest.expected[0]
    # The engine rises by 4 K a minute from 10 degC: that is what it had then.
    assert furthest.value == pytest.approx(10.0 + 4.0 * value(curve, "furthest_at"), abs=1.0)


# Fuel trims


@pytest.mark.parametrize("leak", [0.15, 0.3, 0.6])
def test_a_leak_of_constant_flow_is_found_on_the_hyperbola_it_makes(leak: float) -> None:
    """Air that is not measured is L at every flow (choked below 0.528 of the outside pressure): trim = 100 L / air."""
    curve = found(fuel_trims.curve(leaking(leak), FOUR, NOTHING))
    line = model(curve)
    assert line.y == pytest.approx(100.0 * leak / line.x, abs=0.35)  # half a step of the trims is 0.39
    dots = curve.panels[0].measured[0]
    assert dots.look is Look.DOTS
    assert dots.y == pytest.approx(100.0 * leak / dots.x, abs=0.05)
    assert value(curve, "leak_bank_1") == pytest.approx(100.0 * leak / 3.0, rel=0.1)  # of the idle air


def test_the_band_of_the_trims_moves_to_the_cars_own_drives() -> None:
    at = leaking(0.1).session.started_at
    assert at is not None
    features = tuple(
        Feature(f"d{n}", "fuel_trims", f"trim_at_{where}", 6.0, "%", at=at - timedelta(days=9 - n))
        for n in range(5)
        for where in ("idle", "flow")
    )
    unknown = found(fuel_trims.curve(leaking(0.1), FOUR, NOTHING)).panels[0].expected[0]
    known = found(fuel_trims.curve(leaking(0.1), FOUR, History(features))).panels[0].expected[0]
    for band, middle in ((unknown, 0.0), (known, 6.0)):
        assert band.low is not None
        assert band.high is not None
        assert (band.low + band.high) / 2.0 == pytest.approx(middle)


# Air filling


def test_first_full_throttle_is_held_against_full_load() -> None:
    """Calculated load is 100 % at full throttle at every speed by definition (SAE J1979, parameter 04)."""
    curve = found(air_filling.curve(pulling(92.0, 100.0), FOUR, NOTHING))
    (band,) = curve.panels[0].expected
    assert band.middle == pytest.approx(100.0)
    line = next(one for one in curve.panels[0].measured if one.look is Look.LINE)
    assert line.y[line.x < 3400.0] == pytest.approx(92.0)
    assert line.y[line.x > 3600.0] == pytest.approx(100.0)


def test_later_full_throttle_is_held_against_the_cars_own() -> None:
    """Three drives at 100 % are the past; one with 90 % of their air everywhere has 10 % missing."""
    learnt = filling_detector.detect(pulling(100.0, 100.0), FOUR, NOTHING).learnt
    history = History(tuple(Feature(f"d{n}", "air_filling", m.name, m.value, m.unit) for n in range(3) for m in learnt))
    curve = found(air_filling.curve(pulling(90.0, 90.0), FOUR, history))
    (band,) = curve.panels[0].expected
    line = next(one for one in curve.panels[0].measured if one.look is Look.LINE)
    assert band.middle is not None
    assert line.y[np.isfinite(line.y)] == pytest.approx(0.9 * band.middle, rel=0.01)
    assert value(curve, "missing") == pytest.approx(10.0, abs=0.5)
    assert value(curve, "own_drives") == 3.0


# Cranking


def test_a_start_shows_ohms_law_above_the_floor_of_the_load_test() -> None:
    """12.6 V less 180 A over 10 milliohm is 10.8 V. A loaded battery at 21 degC must hold 9.6 V (70 degF, common
    practice of battery testing).
    """
    curve = found(cranking.curve(cranked(12.6, 180.0, 0.010, 210.0, 21.0), FOUR, NOTHING))
    volts, speed = curve.panels
    during = volts.measured[0].y[(volts.measured[0].x >= 0.0) & (volts.measured[0].x < 1.95)]
    assert during == pytest.approx(10.8)
    assert value(curve, "voltage") == pytest.approx(10.8)
    assert volts.expected[0].low == pytest.approx(9.6, abs=0.01)
    assert value(curve, "speed") == pytest.approx(210.0)
    assert speed.expected[0].low is not None
    assert value(curve, "lasted") == pytest.approx(2.0, abs=0.15)


def test_a_drive_that_began_with_the_engine_running_has_no_start() -> None:
    times = every(20.0, 0.1)
    running = drive(Signal("engine_speed", "1/min", times, np.full(len(times), 800.0)))
    assert cranking.curve(running, FOUR, NOTHING) is None


# Misfire


def test_misfires_are_shares_of_the_firings_in_firing_order() -> None:
    """1,500 1/min for ten minutes are 15,000 turns, and four cylinders fire 30,000 times in them: 120 are 0.4 %."""
    curve = found(misfire.curve(misfiring({4: 120, 1: 30}), FOUR, NOTHING))
    (bars,) = curve.panels[0].measured
    assert curve.x.labels == ("1", "3", "4", "2", "all")
    assert bars.y == pytest.approx([0.1, 0.0, 0.4, 0.0, 0.5], rel=0.01)
    assert curve.panels[0].expected[0].high == pytest.approx(1.5)
    assert value(curve, "worst_cylinder") == 4.0


def test_without_a_limit_of_its_own_the_regulations_have_one() -> None:
    """1 % is the least a car may tolerate over 1,000 turns (40 CFR 86.010-18(h)(2))."""
    curve = found(misfire.curve(misfiring({4: 120}, own=None), None, NOTHING))
    assert curve.panels[0].expected[0].high == pytest.approx(1.0)
    assert curve.x.labels == ("1", "2", "3", "4", "all")
    assert curve.fact("own_limit") is None


# All of them


def test_a_drive_without_data_has_no_curve_and_no_state() -> None:
    empty = drive()
    assert curves_of(empty, None, NOTHING) == ()
    assert states_of(empty) == ()


def test_diesels_have_neither_trims_nor_misfire_curves() -> None:
    diesel = replace(FOUR, fuel="diesel")
    assert fuel_trims.curve(leaking(0.3), diesel, NOTHING) is None
    assert misfire.curve(misfiring({4: 120}), diesel, NOTHING) is None


def test_each_curve_comes_once_and_only_where_it_was_driven() -> None:
    kinds = [one.kind for one in curves_of(misfiring({4: 120}), Car("plain"), NOTHING)]
    assert kinds == ["misfire"]
    assert "fuel_trims" in [one.kind for one in curves_of(leaking(0.3), FOUR, NOTHING)]


def test_states_are_the_stretches_in_which_they_held() -> None:
    """The end of a warm-up cycle is 71 degC, 160 degF (40 CFR 86.010-18): passed at 305 s when 0.2 K/s rise from 10."""
    times = every(600.0, 0.5)
    warming_up = drive(Signal("coolant_temperature", "degC", times, 10.0 + 0.2 * times))
    (warm,) = states_of(warming_up)
    assert warm.name == "warm"
    assert warm.starts == pytest.approx([305.0], abs=1.0)
    assert warm.ends == pytest.approx([600.0], abs=1.5)
