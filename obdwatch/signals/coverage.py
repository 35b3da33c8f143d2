"""What a drive has shown so far, so that a recording can say what is still worth driving.

Cheap enough to be worked out anew every few seconds while a recording grows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.records import BoolArray, Drive
from obdwatch.signals.alignment import grid, hold, span
from obdwatch.signals.masks import (
    FAST_AGE,
    RUNNING_SPEED,
    WARM_COOLANT,
    full_throttle,
    idling,
    overrun,
    steady,
    warm,
)

_STEP = 0.5  # s; finer than any of the states lasts
_MOST_STEPS = 200_000  # a day at half a second; a longer drive is looked at more coarsely
COLD_COOLANT = 45.0  # degC; above this no engine is cold, whatever the day (common practice)
SOAKED_AGREEMENT = 5.0  # K; coolant and intake air agree this well after 8 h standing (SAE practice, from memory)
SOAK_HOURS = 6.0  # h; the least soak of a federal cold-start test is 12, of most monitors 6 to 8 (from memory)
START_WINDOW = 60.0  # s; later the coolant is no longer that of the soak
CRUISE_SPEED = 40.0  # km/h; steadily faster than this is a cruise (common practice)
PULL_SECONDS = 2.0  # s; shorter is a stab at the pedal (common practice)
CRANKING_SAMPLES = 3  # values of engine speed and of voltage while cranking make it a capture (common practice)
CRANKING_LEAD = 2.0  # s; voltage from just before the starter turns belongs to it
_VOLTAGES = ("control_module_voltage", "adapter_voltage")


@dataclass(frozen=True, slots=True)
class Coverage:
    """What was seen in a drive; times in s. `soaked_cold_start` is None where nothing tells."""

    duration: float = 0.0
    soaked_cold_start: bool | None = None
    warm_up_reached: bool = False
    idle_warm: float = 0.0
    steady_cruise: float = 0.0
    overrun: float = 0.0
    full_throttle_pulls: int = 0
    cranking_captured: bool = False


def coverage(drive: Drive) -> Coverage:
    """Return what a drive has shown so far."""
    ends = span(drive)
    if ends is None:
        return Coverage()
    step = max(_STEP, (ends[1] - ends[0]) / _MOST_STEPS)
    at = grid(drive, step)
    is_warm, coasting, pulling = warm(drive, at), overrun(drive, at), full_throttle(drive, at)
    fast = hold(drive.signals.get("vehicle_speed"), at, FAST_AGE) >= CRUISE_SPEED
    cruise = steady(drive, at) & fast & ~coasting & ~pulling
    return Coverage(
        duration=ends[1] - ends[0],
        soaked_cold_start=soaked_cold_start(drive),
        warm_up_reached=warmed_up(drive),
        idle_warm=float(np.count_nonzero(idling(drive, at) & is_warm) * step),
        steady_cruise=float(np.count_nonzero(cruise & is_warm) * step),
        overrun=float(np.count_nonzero(coasting) * step),
        full_throttle_pulls=_spells(pulling, round(PULL_SECONDS / step)),
        cranking_captured=cranking_captured(drive),
    )


def soaked_cold_start(drive: Drive) -> bool | None:
    """Whether the drive began with a cold engine that had stood for hours; None where neither soak nor
    temperatures are known.
    """
    coolant = _first_value(drive, "coolant_temperature")
    if coolant is not None and coolant > COLD_COOLANT:
        return False
    if drive.session.soak_hours is not None:
        return drive.session.soak_hours >= SOAK_HOURS
    air = [_first_value(drive, key) for key in ("intake_air_temperature", "ambient_air_temperature")]
    known = [value for value in air if value is not None]
    if coolant is None or not known:
        return None
    return all(abs(coolant - value) <= SOAKED_AGREEMENT for value in known)


def warmed_up(drive: Drive) -> bool:
    """Whether the coolant rose through 71 degC within the drive."""
    signal = drive.signals.get("coolant_temperature")
    return signal is not None and bool(signal.values[0] < WARM_COOLANT <= signal.values.max())


def cranking_captured(drive: Drive) -> bool:
    """Whether a start was recorded: engine speed and voltage several times between standstill and running."""
    speed = drive.signals.get("engine_speed")
    if speed is None:
        return False
    cranking = (speed.values > 0) & (speed.values < RUNNING_SPEED)
    after = np.append(speed.values[1:] >= RUNNING_SPEED, False) & cranking
    for end in np.flatnonzero(after):
        before = np.flatnonzero(~cranking[:end])
        first = int(before[-1]) + 1 if len(before) else 0
        if end + 1 - first >= CRANKING_SAMPLES and _voltages_between(
            drive, speed.times[first] - CRANKING_LEAD, speed.times[end]
        ):
            return True
    return False


def _voltages_between(drive: Drive, start: float, end: float) -> bool:
    signals = (drive.signals.get(key) for key in _VOLTAGES)
    counts = (np.count_nonzero((s.times >= start) & (s.times <= end)) for s in signals if s is not None)
    return any(count >= CRANKING_SAMPLES for count in counts)


def _first_value(drive: Drive, key: str) -> float | None:
    signal, ends = drive.signals.get(key), span(drive)
    if signal is None or ends is None or signal.times[0] - ends[0] > START_WINDOW:
        return None
    return float(signal.values[0])


def _spells(mask: BoolArray, least: int) -> int:
    """Count the runs of True that are at least `least` long."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return int(np.count_nonzero(edges[1::2] - edges[::2] >= least))
