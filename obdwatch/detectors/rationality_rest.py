"""What sensors must agree on before the engine has done anything: temperatures after a stand, pressures at rest.

Shared by the detector of untrustworthy sensors and by the warm-up detector, which needs to trust the coolant's.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from obdwatch.detectors.sampled import RANGES, held, readings
from obdwatch.physics.order_statistics import median
from obdwatch.records import BoolArray, Drive, FloatArray, Signal
from obdwatch.signals.alignment import places

TEMPERATURES = (
    "coolant_temperature",
    "intake_air_temperature",
    "ambient_air_temperature",
    "engine_oil_temperature",
)
"""Sensors that show the same after a night's stand; coolant first."""

ENDS: dict[str, tuple[float, float]] = {
    "coolant_temperature": RANGES["coolant_temperature"],
    "intake_air_temperature": (-39.0, 200.0),
    "ambient_air_temperature": (-39.0, 200.0),
    "intake_manifold_pressure": RANGES["intake_manifold_pressure"],
}
"""Beyond these a sensor is open or shorted: the ends of the J1979 scales are -40 and 215 degC, 0 and 255 kPa. Wild
values in between come from a bad link as well, and do not count."""

EARLY = 60.0
"""Readings within this [s] of the first one, and of the start of the engine, are those of a car at rest: a cold engine
warms by some kelvin in a minute."""

WARMING = 0.3
"""The most by which coolant warms from cold [K/s]: 30 kW of fuel on pulling away, of which a quarter heats coolant and
head (Heywood, chapter 12, from memory), into 25 kJ/K of both (energy balance; 20 kg of iron, aluminium and water)."""

AT_ONCE, FEW = 10.0, 5
"""The first reading is the middle of up to five in the first 10 s: one alone may be stray."""

FAULTY_SHARE = 0.1
"""Share of readings at the ends of the scale (open or shorted sensor) beyond which none is trusted."""

JUMP, JUMP_TIME, MOST_JUMPS = 8.0, 5.0, 2
"""Coolant rising 8 K within 5 s more than twice is a loose contact: full load heats by about 1 K/s. Falling so fast is
possible: cold coolant from the radiator, each time a sticking thermostat lets go."""

STANDSTILL = 50.0
"""An engine that is said to turn slower [1/min] stands: cranking is 150 to 300 (common practice)."""

REFILL = 5.0
"""Time after the engine turned for the last time [s] in which the manifold fills up again (common practice: 1 to 3)."""


def first_readings(drive: Drive) -> Mapping[str, float]:
    """Return what each temperature sensor showed before the engine had warmed; empty where the recording began late."""
    signals = {key: signal for key in TEMPERATURES if (signal := readings(drive, key)) is not None}
    if not signals:
        return {}
    begin = min(float(signal.times[0]) for signal in signals.values())
    if ran_before(drive, begin) > EARLY:
        return {}
    return {
        key: median(one.values[one.times < one.times[0] + AT_ONCE][:FEW])
        for key, one in signals.items()
        if one.times[0] - begin < EARLY
    }


def ran_before(drive: Drive, at: float) -> float:
    """Return how long the engine had been running at a time near the beginning [s], zero if nobody says."""
    run_time = readings(drive, "run_time")
    if run_time is None:
        return 0.0
    running = np.flatnonzero(run_time.values > 0.0)  # zero says that it stands, not since when it will run
    if len(running):
        return float(run_time.values[running[0]] - run_time.times[running[0]] + at)
    return float(at - run_time.times[-1])


def warmed_before(drive: Drive, key: str) -> float | None:
    """Return by how much the engine may have warmed the coolant before the first readings of `key` [K].

    None where the engine ran when the recording began and nobody says how long, or where nothing tells of it at all.
    """
    signal, run_time, speed = (readings(drive, name) for name in (key, "run_time", "engine_speed"))
    if signal is None:
        return None
    at = float(signal.times[signal.times < signal.times[0] + AT_ONCE][:FEW][-1])
    if run_time is not None:
        return WARMING * max(0.0, ran_before(drive, at))
    if speed is None:
        return None
    stood = speed.times[(speed.times <= at) & (speed.values < STANDSTILL)]
    return WARMING * (at - float(stood[-1])) if len(stood) else None


def share_at_ends(drive: Drive, key: str) -> float:
    """Return which share of a sensor's readings lies at the ends of its scale; zero without readings."""
    raw = drive.signals.get(key)
    if raw is None or key not in ENDS:
        return 0.0
    values = raw.values[np.isfinite(raw.values) & np.isfinite(raw.times)]
    low, high = ENDS[key]
    return float(np.mean((values < low) | (values > high))) if len(values) else 0.0


def coolant_jumps(drive: Drive) -> int:
    """Return how often the coolant is said to have risen by 8 K within 5 s."""
    raw = drive.signals.get("coolant_temperature")
    if raw is None:
        return 0
    finite = np.isfinite(raw.values) & np.isfinite(raw.times)
    rises = np.diff(raw.values[finite]) >= JUMP
    return int(np.count_nonzero(rises & (np.diff(raw.times[finite]) <= JUMP_TIME)))


def at_rest(drive: Drive, signal: Signal) -> FloatArray:
    """Return the values of a signal read while the engine certainly stood and its manifold was full again."""
    speed = readings(drive, "engine_speed")
    if speed is None:
        return np.empty(0)
    stood: BoolArray = held(speed, signal.times, 2.0) < STANDSTILL
    after = places(speed.times, signal.times)
    following = np.where(after < len(speed.times), speed.values[np.minimum(after, len(speed.values) - 1)], 0.0)
    turning = np.where(speed.values >= STANDSTILL, speed.times, -np.inf)
    last = np.maximum.accumulate(turning)[np.maximum(after - 1, 0)]
    return signal.values[stood & (following < STANDSTILL) & (signal.times - last > REFILL)]
