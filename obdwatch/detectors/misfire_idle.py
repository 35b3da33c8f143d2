"""How evenly the engine turns at warm idle: the only trace of misfire where a car tells no counters.

A dead cylinder makes the crank dip once in two revolutions, ten times faster than engine speed is polled, so its dips
come out as scatter between successive readings. Many cars smooth the speed they report: an even idle proves little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.sampled import held, readings
from obdwatch.physics.misfire import scatter_of_differences, speed_dip
from obdwatch.physics.order_statistics import median
from obdwatch.records import Drive, FloatArray
from obdwatch.signals.masks import IDLE_VEHICLE_SPEED, RUNNING_SPEED, WARM_COOLANT

IDLE_TOP = 1100.0
"""Engine speed of a warm idle at most [1/min]: 600 to 900, a little more with air conditioning (workshop rule)."""

SETTLING, LEAVING = 5.0, 2.0
"""Time after coming to idle and before leaving it [s] that is no steady idle (workshop rule)."""

CLOSEST, WIDEST = 0.05, 1.5
"""Spacing of successive readings [s] that shows scatter: farther apart, idle control and accessories move it too."""

LEAST_TIME, LEAST_READINGS = 60.0, 60
"""Warm idle below which nothing is said [s], [readings]: a scatter from 60 differences is known within about 15 %."""

DRIFTING = 2.0
"""Slow wandering over fast scatter from which idle speed hunts and does not misfire: smooth swings, no dips."""

DEAD_CYLINDER = speed_dip(75.0, 0.2, 700.0) / np.sqrt(12.0)
"""Scatter that one dead cylinder of four adds [1/min], about 14: the saw-tooth of one dip every second turn. Work of 75
J per firing is 150 kPa of idle friction in 2 L; crank drive and flywheel have 0.2 kg m2 (textbook, from memory)."""

ROUGH = 35.0
"""Scatter of a warm idle [1/min] that no sound engine shows: more than twice that of a dead cylinder."""

THROTTLE_MOVES = 2.0
"""Throttle travel [%] beyond which somebody plays with the pedal."""


@dataclass(frozen=True, slots=True)
class Idle:
    """Warm idle of one drive: `scatter` [1/min] fast, `wander` [1/min] slow, over `seconds` in `readings` readings."""

    scatter: float
    wander: float
    seconds: float
    readings: int
    spacing: float

    @property
    def hunts(self) -> bool:
        """Whether the speed swings slowly instead of dipping."""
        return self.wander > DRIFTING * max(self.scatter, 1.0)


def warm_idle(drive: Drive) -> Idle | None:
    """Return how evenly the engine idled when warm, None where too little of it was seen."""
    speed = readings(drive, "engine_speed")
    if speed is None:
        return None
    times, values = speed.times, speed.values
    still = held(readings(drive, "vehicle_speed"), times, 3.0) <= IDLE_VEHICLE_SPEED
    warm = held(readings(drive, "coolant_temperature"), times) >= WARM_COOLANT
    good = still & warm & (values >= RUNNING_SPEED / 2.0) & (values <= IDLE_TOP)
    throttle = readings(drive, "throttle_position")
    if throttle is not None:
        opening = held(throttle, times, 3.0)
        known = good & np.isfinite(opening)
        good &= ~(np.abs(opening - (median(opening[known]) if known.any() else 0.0)) > THROTTLE_MOVES)
    breaks = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(int)))
    stretches = [
        part
        for start, end in zip(breaks[::2], breaks[1::2], strict=True)
        for part in _steady(times[start:end], values[start:end])
    ]
    count, seconds = sum(len(t) for t, _ in stretches), sum(float(t[-1] - t[0]) for t, _ in stretches)
    if seconds < LEAST_TIME or count < LEAST_READINGS:
        return None
    scatter = [(scatter_of_differences(v), len(v)) for _, v in stretches]
    wander = [(float(np.std(_smooth(v))), len(v)) for _, v in stretches]
    gaps = np.concatenate([np.diff(t) for t, _ in stretches])
    return Idle(_middle(scatter), _middle(wander), seconds, count, median(gaps))


def _steady(times: FloatArray, values: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
    """Cut a stretch of idle at gaps, and take off its ends."""
    if len(times) < 2:
        return []
    cut = (np.flatnonzero(times[1:] - times[:-1] > WIDEST) + 1).tolist()
    found = []
    for start, end in zip([0, *cut], [*cut, len(times)], strict=True):
        t, v = times[start:end], values[start:end]
        kept = (t >= t[0] + SETTLING) & (t <= t[-1] - LEAVING)
        t, v = t[kept], v[kept]
        if len(t) >= 5 and median(t[1:] - t[:-1]) >= CLOSEST:
            found.append((t, v))
    return found


def _smooth(values: FloatArray) -> FloatArray:
    return np.convolve(values, np.ones(5) / 5.0, mode="valid")


def _middle(found: list[tuple[float, int]]) -> float:
    """Median over stretches, each counting with its readings."""
    ordered = sorted(found)
    weight = np.cumsum([count for _, count in ordered])
    return ordered[int(np.searchsorted(weight, weight[-1] / 2.0))][0]
