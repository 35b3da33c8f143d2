"""Do pressures and air flow agree: manifold and outside pressure at rest, air flow and speed-density while running?"""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.heat_input import burns_lean, displacement
from obdwatch.detectors.rationality_doubt import Check, Doubt
from obdwatch.detectors.rationality_rest import at_rest
from obdwatch.detectors.sampled import held, readings
from obdwatch.physics.order_statistics import median, quantiles
from obdwatch.physics.sensors import breathing
from obdwatch.records import Car, Drive, FloatArray, Measure, Signal

LOWEST_AIR, HIGHEST_AIR = 60.0, 106.0
"""Air pressure on any road [kPa]: 60 at 4,200 m (ISO 2533), 106 in the strongest high at sea level (from memory)."""

REST_AGREEMENT = 5.0
"""Manifold and outside pressure at rest must agree [kPa]: two sensors of 1.5 kPa and 1 kPa of resolution each (common
practice: 3 to 4 kPa)."""

FEWEST_AT_REST = 2
"""Readings at rest; a single one may be from the last turn of the engine."""

ABOVE_AIR = 6.0
"""Manifold pressure of an engine without a charger may exceed the outside pressure by so much [kPa]: sensors as at
rest, and the waves in a tuned intake."""

WEATHER_STEP, HILL_RATE = 3.0, 0.08
"""Outside pressure may step by so much [kPa] and change by so much more per second: driving down a grade of 15 % at
130 km/h is 5 m/s of height, 0.06 kPa/s (ISO 2533)."""

LOWEST_BREATHING, HIGHEST_BREATHING = 0.40, 1.15
"""Volumetric efficiency in the manifold's own density no petrol engine leaves: 0.4 with much overlap or recirculation
at low load, 1.1 in a tuned intake, and 5 % for the sensors (common practice)."""

SIZE_CONTRADICTS = 0.15
"""Engine size from the car's own load and flow further from the profile's than this [-]: the profile may be wrong."""

FEWEST_POINTS = 100
RUNNING = 500.0
"""Engine speed above which the engine runs by itself [1/min]."""

TURNING_RANGE, DEAD_FLOW, STUCK_RANGE = 1.6, 0.3, 0.02
"""An engine whose speed ranges over 1.6 to 1 cannot breathe the same air within 2 %; none idles on 0.3 g/s: a 0.6 L
engine at 700 1/min and 30 kPa breathes 0.8 g/s (speed-density)."""

FEWEST_MOVES = 60
"""Readings over which a signal must have moved."""

STUCK_TIME = 120.0
"""Time of driving [s] over which a signal must have moved."""


def pressure_check(drive: Drive, car: Car | None) -> Check | None:
    """Return which pressure cannot be right, None where there is nothing to compare."""
    manifold, outside = readings(drive, "intake_manifold_pressure"), _known(drive, "barometric_pressure")
    raw = drive.signals.get("intake_manifold_pressure")
    if manifold is None:
        return None if outside is None else Check(_outside(outside))
    rest = at_rest(drive, raw) if raw is not None else np.empty(0)
    found: tuple[Doubt, ...] = _outside(outside) if outside is not None else ()
    checked = outside is not None
    seen: tuple[Measure, ...] = ()
    if len(rest) >= FEWEST_AT_REST:
        checked = True
        seen = (_rest_measure(median(rest), outside),)
        found = (*found, *_rest(seen[0], outside))
    unblown = car is not None and car.induction == "naturally_aspirated"
    if outside is not None and unblown and not found:
        high = quantiles(manifold.values, (0.99,))[0] - float(np.max(outside.values))
        if high > ABOVE_AIR:
            reason = f"exceeds the outside pressure by {high:.0f} kPa though the engine has no charger"
            measure = Measure("manifold_above_outside", high, "kPa", None, (-100.0, ABOVE_AIR))
            found = (Doubt("intake_manifold_pressure", "manifold_above_outside", reason, (), (measure,)),)
    return Check(found, seen if not found else ()) if checked else None


def _known(drive: Drive, key: str) -> Signal | None:
    """Return a signal with all its values, impossible ones too, that are numbers; None where there are none."""
    signal = drive.signals.get(key)
    if signal is None:
        return None
    known = np.isfinite(signal.times) & np.isfinite(signal.values)
    return Signal(key, signal.unit, signal.times[known], signal.values[known]) if known.any() else None


def _rest_measure(pressure: float, outside: Signal | None) -> Measure:
    if outside is None:
        return Measure("manifold_at_rest", pressure, "kPa", None, (LOWEST_AIR, HIGHEST_AIR))
    there = float(outside.values[0])
    return Measure("manifold_at_rest", pressure, "kPa", None, (there - REST_AGREEMENT, there + REST_AGREEMENT))


def _rest(seen: Measure, outside: Signal | None) -> tuple[Doubt, ...]:
    low, high = seen.expected or (LOWEST_AIR, HIGHEST_AIR)
    if low <= seen.value <= high:
        return ()
    contrast = "as no air on a road has" if outside is None else f"the outside pressure {outside.values[0]:.0f} kPa"
    reason = f"reads {seen.value:.0f} kPa with the engine off, {contrast}"
    return (Doubt("intake_manifold_pressure", "manifold_at_rest", reason, (), (seen,)),)


def _outside(outside: Signal) -> tuple[Doubt, ...]:
    middle = median(outside.values)
    steps = np.abs(np.diff(outside.values)) - WEATHER_STEP - HILL_RATE * np.diff(outside.times)
    if LOWEST_AIR <= middle <= HIGHEST_AIR and not np.any(steps > 0.0):
        return ()
    if np.any(steps > 0.0):
        at = int(np.argmax(steps))
        change = float(outside.values[at + 1] - outside.values[at])
        reason = f"jumps by {abs(change):.0f} kPa between two readings, as no road climbs"
        measure = Measure("outside_pressure_jump", change, "kPa", None, (-WEATHER_STEP, WEATHER_STEP))
    else:
        reason = f"reads {middle:.0f} kPa, as no air on a road has"
        measure = Measure("outside_pressure", middle, "kPa", None, (LOWEST_AIR, HIGHEST_AIR))
    return (Doubt("barometric_pressure", "outside_pressure_wrong", reason, (), (measure,), confidence=0.8),)


def flow_check(drive: Drive, car: Car | None) -> Check | None:
    """Return whether the air flow cannot be what the engine breathes, None where there is nothing to compare."""
    flow, speed = readings(drive, "air_flow"), readings(drive, "engine_speed")
    if flow is None or speed is None:
        return None
    turning = held(speed, flow.times, 1.5)
    running = turning >= RUNNING
    if np.count_nonzero(running) < FEWEST_POINTS:
        return None
    values, revs = flow.values[running], turning[running]
    stuck = _stuck_flow(values, revs)
    if stuck is not None:
        return Check((stuck,))
    pressure = held(readings(drive, "intake_manifold_pressure"), flow.times[running], 1.5)
    warmth = held(readings(drive, "intake_air_temperature"), flow.times[running], 30.0)
    size = _size(drive, car)
    if size is None or burns_lean(drive, car):
        return Check()
    good = (pressure > 15.0) & np.isfinite(warmth) & (values > DEAD_FLOW)
    if np.count_nonzero(good) < FEWEST_POINTS:
        return Check()
    share = median(breathing(values[good], revs[good], pressure[good], warmth[good], size))
    measure = Measure("breathing", 100.0 * share, "%", None, (100.0 * LOWEST_BREATHING, 100.0 * HIGHEST_BREATHING))
    if LOWEST_BREATHING <= share <= HIGHEST_BREATHING:
        return Check((), (measure,))
    low = share < LOWEST_BREATHING
    reason = f"is {share * 100.0:.0f} % of what the engine could breathe by its speed and manifold pressure"
    parts = ("maf_sensor", "intake_leak") if low else ("maf_sensor",)
    signature = "flow_too_low" if low else "flow_too_high"
    return Check((Doubt("air_flow", signature, reason, parts, (measure,), confidence=0.85),))


def _stuck_flow(values: FloatArray, revs: FloatArray) -> Doubt | None:
    low, high = quantiles(revs, (0.05, 0.95))
    middle = median(values)
    if middle < DEAD_FLOW:
        reason = f"reads {middle:.1f} g/s while the engine runs"
        measure = Measure("usual_flow", middle, "g/s", None, (DEAD_FLOW, 650.0))
        return Doubt("air_flow", "flow_dead", reason, ("maf_sensor",), (measure,), confidence=0.95)
    least, most = quantiles(values, (0.02, 0.98))
    if high < TURNING_RANGE * low or most - least > STUCK_RANGE * middle:
        return None
    reason = f"stays at {middle:.1f} g/s while the engine speed changes"
    measure = Measure("usual_flow", middle, "g/s")
    return Doubt("air_flow", "flow_stuck", reason, ("maf_sensor",), (measure,), confidence=0.95)


def _size(drive: Drive, car: Car | None) -> float | None:
    """Return the engine size [L] of the profile, None where the car's own load and flow contradict it.

    Load and flow come from the same sensor, so their size says nothing of the flow itself, but all of the profile.
    """
    named = car.displacement_l if car is not None else None
    seen = displacement(drive, None)
    if named is None or named <= 0.0:
        return seen
    return named if seen is None or abs(float(np.log(seen / named))) <= SIZE_CONTRADICTS else None
