"""Does the throttle's position fit the pressure behind it and the air that passes it?

Only contradictions that no engine with a throttle can show count: engines that meter air with their valves hold the
throttle wide open at any load, and that is allowed for by looking at pressure, not at load.
"""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.heat_input import burns_lean
from obdwatch.detectors.rationality_air import HIGHEST_AIR
from obdwatch.detectors.rationality_doubt import Doubt
from obdwatch.detectors.sampled import held, readings, spacing
from obdwatch.physics.order_statistics import median, quantiles
from obdwatch.records import BoolArray, Car, Drive, Measure, Signal
from obdwatch.signals.masks import FULL_THROTTLE

STEP = 1.0
SLOWEST = 3.0
"""Longest usual time between readings [s] at which throttle and pressure still belong to the same moment."""

OPEN_SPEEDS = (1000.0, 3500.0)
"""Engine speed [1/min] at which an open throttle hardly holds up the air (common practice)."""

OPEN_SHARE, SHUT_SHARE = 0.7, 0.92
"""Manifold over outside pressure: never lower than 0.7 behind a wide open throttle at such speeds (0.9 and more
are usual), never higher than 0.92 behind a shut one while the engine turns fast (0.2 to 0.4 are usual); common
practice."""

SHUT_SPEED, SHUT_ROOM = 1500.0, 2.0
"""Engine speed [1/min] that empties a manifold behind a shut throttle, and how far [%] above its rest position a
throttle counts as shut."""

LASTING = 5
"""Seconds in a row that a contradiction must last: pressures and positions settle within one (common practice)."""

STUCK_RANGE, STUCK_BELOW, STUCK_TIME, STUCK_AIR = 1.0, 30.0, 180.0, 3.0
"""A throttle that stays within 1 %, less than 30 % open, for three minutes while the air per turn ranges over 3:1."""


def throttle_doubts(drive: Drive, car: Car | None) -> tuple[Doubt, ...]:
    """Return whether the throttle's position contradicts pressure or air flow."""
    throttle, speed = readings(drive, "throttle_position"), readings(drive, "engine_speed")
    if throttle is None or speed is None or spacing(throttle) > SLOWEST or burns_lean(drive, car):
        return ()
    at = np.arange(throttle.times[0], throttle.times[-1], STEP)
    turning, opened = held(speed, at, SLOWEST), held(throttle, at, SLOWEST)
    running = (turning >= 500.0) & np.isfinite(opened)
    if np.count_nonzero(running) < STUCK_TIME:
        return ()
    pressure = readings(drive, "intake_manifold_pressure")
    if pressure is not None and spacing(pressure) <= SLOWEST:
        share = held(pressure, at, SLOWEST) / _outside(drive, pressure)
        slow = (turning >= OPEN_SPEEDS[0]) & (turning <= OPEN_SPEEDS[1])
        wide = _lasting(slow & (opened >= FULL_THROTTLE) & (share < OPEN_SHARE))
        rest = quantiles(opened[running], (0.02,))[0]
        low = rest < FULL_THROTTLE / 2.0
        shut = _lasting((turning >= SHUT_SPEED) & (opened <= rest + SHUT_ROOM) & (share > SHUT_SHARE)) if low else 0
        if wide or shut:
            return (_doubt("throttle_contradicts", max(wide, shut), bool(wide)),)
        if not low:
            return ()
    flow = readings(drive, "air_flow")
    if flow is None:
        return ()
    air = (held(flow, at, SLOWEST) / np.maximum(turning, 1.0))[running]
    air = air[np.isfinite(air)]
    lowest, highest = quantiles(opened[running], (0.02, 0.98))
    if highest - lowest > STUCK_RANGE or highest > STUCK_BELOW or len(air) < STUCK_TIME:
        return ()
    least, most = quantiles(air, (0.05, 0.95))
    if most < STUCK_AIR * max(least, 1e-9):
        return ()
    return (_doubt("throttle_stuck", int(np.count_nonzero(running)), False),)


def _outside(drive: Drive, pressure: Signal) -> float:
    """Return the outside pressure [kPa], NaN where a charger hides it and nothing else tells."""
    outside = readings(drive, "barometric_pressure")
    if outside is not None:
        return median(outside.values)
    highest = float(np.max(pressure.values))
    return highest if highest <= HIGHEST_AIR else float("nan")


def _lasting(mask: BoolArray) -> int:
    """Return for how many seconds a state lasted, counting only stretches of `LASTING` or more."""
    edges = np.flatnonzero(np.diff(np.r_[False, mask, False].astype(np.int8))).reshape(-1, 2)
    lengths = edges[:, 1] - edges[:, 0]
    return int(lengths[lengths >= LASTING].sum())


def _doubt(signature: str, seconds: int, wide: bool) -> Doubt:
    if signature == "throttle_stuck":
        reason = "does not move although the air flow does"
    else:
        reason = f"reads {'wide open' if wide else 'shut'} for {seconds} s while the manifold pressure says otherwise"
    measure = Measure("contradiction_time", float(seconds), "s", None, (0.0, float(LASTING)))
    return Doubt("throttle_position", signature, reason, ("throttle_body",), (measure,), confidence=0.7)
