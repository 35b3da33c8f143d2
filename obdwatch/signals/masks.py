"""When the engine was in a state that a detector needs: warm, steady, in closed loop, idling, on overrun, at full
throttle.

Every mask is over times `at` [s] and is False also where its inputs are missing or old: unknown is never taken for
the state. Thresholds carry their origin; a detector that needs others says so itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.records import BoolArray, Drive, FloatArray, Signal
from obdwatch.signals.alignment import hold, places

FAST_AGE = 3.0  # s; a value of a moving quantity is good for this long (common practice)
STATUS_AGE = 15.0  # s; fuel system status is polled more slowly than it matters
SLOW_AGE = 30.0  # s; temperatures move by less than 2 K in that time once warm (common practice)

WARM_COOLANT = 71.0  # degC; end of a warm-up cycle, 160 degF (40 CFR 86.010-18)
RUNNING_SPEED = 400.0  # 1/min; above cranking (150-300) and below any idle (common practice)
IDLE_VEHICLE_SPEED = 1.6  # km/h; one mile per hour, as in-use idle counts it (13 CCR 1968.2, from memory)
IDLE_ENGINE_SPEED = 1500.0  # 1/min; covers the raised idle of a cold engine (common practice)
CLOSED_LOOP = (2.0, 16.0)  # fuel system status: closed loop, and closed loop with a sensor fault (SAE J1979)
OPEN_LOOP_DRIVING = 4.0  # fuel system status: open loop for enrichment or fuel cut (SAE J1979)
OVERRUN_LOAD = 35.0  # %; fuel cut lies below, enrichment far above (common practice)
OVERRUN_ENGINE_SPEED = 1200.0  # 1/min; fuel comes back somewhat above idle (common practice)
OVERRUN_VEHICLE_SPEED = 10.0  # km/h
FULL_LOAD = 85.0  # %; calculated load is 100 at full throttle by definition, less a margin (SAE J1979)
FULL_THROTTLE = 65.0  # %; wide open reads 70-100 % depending on the sensor (common practice)
FULL_THROTTLE_ENGINE_SPEED = 1500.0  # 1/min


@dataclass(frozen=True, slots=True)
class SteadyLimit:
    """How much a quantity may move within the window and still count as steady."""

    key: str
    spread: float


STEADY_WINDOW = 5.0  # s, up to the time in question (common practice)
STEADY_LIMITS = (  # a third of the similar-conditions window of 40 CFR 86.010-18 (375 1/min, 20 % load) or tighter
    SteadyLimit("engine_speed", 125.0),
    SteadyLimit("vehicle_speed", 3.0),
    SteadyLimit("calculated_load", 7.0),
)
_STEADY_SAMPLES = 3  # fewer say nothing about the time between them


def warm(drive: Drive, at: FloatArray) -> BoolArray:
    """The coolant has reached 71 degC, the end of a warm-up cycle."""
    return _held(drive, "coolant_temperature", at, SLOW_AGE) >= WARM_COOLANT


def running(drive: Drive, at: FloatArray) -> BoolArray:
    """The engine turns faster than a starter can turn it."""
    return _held(drive, "engine_speed", at) >= RUNNING_SPEED


def idling(drive: Drive, at: FloatArray) -> BoolArray:
    """The engine runs at an idle speed and the car stands."""
    speed = _held(drive, "engine_speed", at)
    turning = (speed >= RUNNING_SPEED) & (speed <= IDLE_ENGINE_SPEED)
    return turning & (_held(drive, "vehicle_speed", at) <= IDLE_VEHICLE_SPEED)


def closed_loop(drive: Drive, at: FloatArray) -> BoolArray:
    """The mixture is governed by the oxygen sensor."""
    return np.isin(_held(drive, "fuel_system_status", at, STATUS_AGE), CLOSED_LOOP)


def overrun(drive: Drive, at: FloatArray) -> BoolArray:
    """The car drives the engine and the fuel is cut: open loop for driving conditions at low load, moving."""
    moving = _held(drive, "engine_speed", at) >= OVERRUN_ENGINE_SPEED
    moving &= _held(drive, "vehicle_speed", at) >= OVERRUN_VEHICLE_SPEED
    unloaded = _held(drive, "calculated_load", at) <= OVERRUN_LOAD
    cut: BoolArray = _held(drive, "fuel_system_status", at) == OPEN_LOOP_DRIVING
    return moving & unloaded & cut


def full_throttle(drive: Drive, at: FloatArray) -> BoolArray:
    """The throttle is wide open and the engine as full of air as it gets, above 1,500 1/min."""
    loaded = _held(drive, "calculated_load", at) >= FULL_LOAD
    loaded &= _held(drive, "engine_speed", at) >= FULL_THROTTLE_ENGINE_SPEED
    return loaded & (_held(drive, "throttle_position", at) >= FULL_THROTTLE)


def steady(drive: Drive, at: FloatArray) -> BoolArray:
    """Engine speed, vehicle speed and load have stayed nearly constant for five seconds, seen at least three times."""
    result = np.ones(len(at), dtype=np.bool_)
    for limit in STEADY_LIMITS:
        result &= _spread(drive.signals.get(limit.key), at, STEADY_WINDOW) <= limit.spread
    return result


def _held(drive: Drive, key: str, at: FloatArray, max_age: float = FAST_AGE) -> FloatArray:
    return hold(drive.signals.get(key), at, max_age)


def _spread(signal: Signal | None, at: FloatArray, window: float) -> FloatArray:
    """Return how far a signal ranged in the window up to each time; NaN where it was not seen often enough."""
    spread = np.full(len(at), np.nan)
    if signal is None or not len(signal.times) or not len(at):
        return spread
    first = places(signal.times, at - window, "left")
    end = places(signal.times, at)
    last = np.maximum(end - 1, 0)
    enough = (end - first >= _STEADY_SAMPLES) & (at - signal.times[last] <= FAST_AGE) & ~np.isnan(signal.values[last])
    if not enough.any():
        return spread
    edges = np.stack([first[enough], end[enough]], axis=1).ravel()
    padded = np.append(signal.values, signal.values[-1])  # an edge may be the end of the array
    highest = np.maximum.reduceat(padded, edges)[::2]
    lowest = np.minimum.reduceat(padded, edges)[::2]
    spread[enough] = highest - lowest
    return spread
