"""The live warning: early enough to stop, never for a healthy car, and cheap to ask again as the drive grows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors.cooling import danger
from obdwatch.records import Drive, Session, Signal, Urgency
from tests.detectors.hot_car import COMMUTE, STOPPED_ENGINE, HotCar, profile, record


def up_to(drive: Drive, end: float) -> Drive:
    """The drive as it was known at a moment of it."""
    signals = {
        key: replace(one, times=one.times[one.times <= end], values=one.values[one.times <= end])
        for key, one in drive.signals.items()
    }
    return replace(drive, signals=signals)


def ramp(rate: float, top: float, seconds: int = 600, engine: float = 2000.0) -> Drive:
    """Coolant that rises by `rate` [K/min] from 90 degC to `top` and stays there."""
    times = np.arange(0.0, seconds, 2.0)
    values = np.round(np.minimum(90.0 + rate / 60.0 * np.maximum(times - 150.0, 0.0), top))
    signals = {
        "coolant_temperature": Signal("coolant_temperature", "degC", times, values),
        "engine_speed": Signal("engine_speed", "1/min", times, np.full(len(times), engine)),
    }
    return Drive(Session("ramp", None), signals)


def test_the_limits_are_those_of_the_workshop_and_below_boiling() -> None:
    # Caution about 115 degC, stop about 120 degC (workshop rule); 50/50 coolant boils at 129 degC under 1 bar of cap.
    assert danger(ramp(10.0, 114.0)) is None
    caution, stop = danger(ramp(10.0, 116.0)), danger(ramp(10.0, 121.0))
    assert caution is not None
    assert stop is not None
    assert (caution.urgency, caution.signature) == (Urgency.SOON, "overheating")
    assert (stop.urgency, stop.signature) == (Urgency.STOP, "overheating")
    assert stop.measures[0].value == 121.0


def test_it_warns_before_the_limit_when_the_rise_is_steep() -> None:
    whole = ramp(8.0, 131.0)
    first = next(end for end in np.arange(200.0, 600.0, 2.0) if danger(up_to(whole, float(end))) is not None)
    warned = danger(up_to(whole, float(first)))
    reached = 150.0 + (120.0 - 90.0) / 8.0 * 60.0
    assert warned is not None
    assert warned.signature == "about_to_overheat"
    assert 40.0 <= reached - first <= 130.0
    left = next(one.value for one in warned.measures if one.name == "time_left")
    assert left == pytest.approx(reached - first, abs=25.0)


def test_a_slow_rise_is_not_an_emergency() -> None:
    assert danger(ramp(1.0, 113.0, 2000)) is None


@pytest.mark.parametrize("rate", [3.0, 6.0, 9.0])
def test_a_warm_up_is_no_emergency_however_quick(rate: float) -> None:
    for end in range(100, 600, 20):
        assert danger(up_to(ramp(rate, 106.0), float(end))) is None


def test_heat_soaked_into_standing_coolant_is_not_overheating() -> None:
    parts = ((0.0, 20.0), (90.0, 900.0), (STOPPED_ENGINE, 900.0), (0.0, 30.0), (50.0, 300.0))
    drive = record(HotCar(fan_on=101.0), parts, 35.0)
    coolant = drive.signals["coolant_temperature"]
    soaked = np.where((coolant.times > 930.0) & (coolant.times < 1880.0), 122.0, coolant.values)
    soaking = replace(drive, signals={**drive.signals, "coolant_temperature": replace(coolant, values=soaked)})
    assert danger(soaking) is None


def test_an_engine_that_stops_at_every_light_is_warned_of_as_well() -> None:
    # Automatic stops last 20 s here, every 90 s: the engine never runs for two minutes on end.
    drive = ramp(10.0, 124.0, 900)
    speed = drive.signals["engine_speed"]
    stopping = replace(speed, values=np.where(speed.times % 90.0 < 20.0, 0.0, speed.values))
    found = danger(replace(drive, signals={**drive.signals, "engine_speed": stopping}))
    assert found is not None
    assert found.urgency is Urgency.STOP


def test_single_wild_readings_are_not_overheating() -> None:
    drive = ramp(0.0, 90.0)
    coolant = drive.signals["coolant_temperature"]
    wild = coolant.values.copy()
    wild[[100, 150, 220]] = (140.0, 215.0, 125.0)
    assert (
        danger(replace(drive, signals={**drive.signals, "coolant_temperature": replace(coolant, values=wild)})) is None
    )


@pytest.mark.parametrize(("seconds", "warned"), [(8.0, False), (25.0, False), (45.0, True)])
def test_a_leap_that_heat_cannot_make_counts_once_it_lasts(seconds: float, warned: bool) -> None:
    drive = ramp(0.0, 90.0)
    coolant = drive.signals["coolant_temperature"]
    leapt = np.where((coolant.times > 300.0) & (coolant.times <= 300.0 + seconds), 130.0, coolant.values)
    found = danger(replace(drive, signals={**drive.signals, "coolant_temperature": replace(coolant, values=leapt)}))
    assert (found is not None) == warned


def test_heat_that_came_while_nothing_was_recorded_counts_at_once() -> None:
    drive = ramp(0.0, 90.0)
    coolant = drive.signals["coolant_temperature"]
    there = (coolant.times < 300.0) | (coolant.times > 340.0)
    values = np.where(coolant.times > 340.0, 121.0, coolant.values)[there]
    late = replace(coolant, times=coolant.times[there], values=values)
    found = danger(up_to(replace(drive, signals={**drive.signals, "coolant_temperature": late}), 355.0))
    assert found is not None
    assert found.urgency is Urgency.STOP


def test_a_stopped_pump_is_warned_of_while_there_is_time() -> None:
    car = HotCar(pump_dead=((1000.0, 9000.0),))
    drive = record(car, COMMUTE, 20.0)
    coolant = drive.signals["coolant_temperature"]
    boiling = float(coolant.times[np.argmax(coolant.values >= 129.0)])
    stop_at = float(coolant.times[np.argmax(coolant.values >= 120.0)])
    known = next(e for e in np.arange(1000.0, 1700.0, 5.0) if danger(up_to(drive, float(e)), profile(car)) is not None)
    assert known < stop_at - 20.0
    assert known < boiling


def test_without_engine_speed_coolant_alone_is_enough() -> None:
    drive = ramp(10.0, 121.0)
    alone = replace(drive, signals={"coolant_temperature": drive.signals["coolant_temperature"]})
    found = danger(alone)
    assert found is not None
    assert found.urgency is Urgency.STOP


def test_nothing_recorded_is_nothing_to_warn_of() -> None:
    empty = np.empty(0)
    assert danger(Drive(Session("empty", None), {})) is None
    signals = {"coolant_temperature": Signal("coolant_temperature", "degC", empty, empty)}
    assert danger(Drive(Session("empty", None), signals)) is None
    one = {"coolant_temperature": Signal("coolant_temperature", "degC", np.array([1.0]), np.array([125.0]))}
    assert danger(Drive(Session("one", None), one)) is None
