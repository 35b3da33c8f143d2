"""Signals on one even time grid, cleaned of what no sensor can have measured; shared by detectors that integrate.

Values are held, never invented: one older than `MAX_AGE` is missing, and a missing value is NaN.
"""

from __future__ import annotations

import numpy as np

from obdwatch.records import Drive, FloatArray, Signal

MAX_AGE = 35.0
"""Oldest reading still used [s]: the rarest poll class is asked every half minute."""

RANGES: dict[str, tuple[float, float]] = {
    # What a car on a road can show; the ends of a J1979 range (-40, 215 degC) are an open or shorted sensor.
    "coolant_temperature": (-39.0, 150.0),
    "intake_air_temperature": (-39.0, 90.0),
    "ambient_air_temperature": (-39.0, 60.0),
    "engine_speed": (0.0, 9000.0),
    "vehicle_speed": (0.0, 254.0),
    "air_flow": (0.0, 650.0),
    "intake_manifold_pressure": (5.0, 254.0),
    "barometric_pressure": (55.0, 110.0),
}

SPIKES: dict[str, float] = {"coolant_temperature": 8.0, "intake_air_temperature": 15.0, "ambient_air_temperature": 10.0}
"""Distance from the median of five neighbours [K] beyond which a single reading is thrown away: heat moves slower."""


def readings(drive: Drive, key: str) -> Signal | None:
    """Return a signal without impossible and lone stray values, None where nothing usable is left."""
    signal = drive.signals.get(key)
    if signal is None or len(signal.times) == 0:
        return None
    known = _CLEANED.get((id(signal), key))
    if known is not None and known[0] is signal:
        return known[1]
    found = _clean(signal, key)
    if len(_CLEANED) >= MOST_KEPT:
        _CLEANED.clear()
    _CLEANED[id(signal), key] = (signal, found)
    return found


MOST_KEPT = 64
"""Cleaned signals that are remembered, so that a dozen detectors do not clean the same twenty-five each."""

_CLEANED: dict[tuple[int, str], tuple[Signal, Signal | None]] = {}
"""The signal itself is kept beside its cleaned form: while it lives, no other can have its identity."""


def _clean(signal: Signal, key: str) -> Signal | None:
    low, high = RANGES.get(key, (-np.inf, np.inf))
    good = np.isfinite(signal.times) & np.isfinite(signal.values) & (signal.values >= low) & (signal.values <= high)
    times, values = signal.times[good], signal.values[good]
    if np.any(times[1:] < times[:-1]):
        order = np.argsort(times, kind="stable")
        times, values = times[order], values[order]
    if key in SPIKES and len(values) >= 5:
        padded = np.pad(values, 2, mode="edge")
        middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
        near = np.abs(values - middle) <= SPIKES[key]
        times, values = times[near], values[near]
    return Signal(key, signal.unit, times, values, signal.ecu) if len(times) else None


def held(signal: Signal | None, at: FloatArray, max_age: float = MAX_AGE) -> FloatArray:
    """Return the last value at or before each time [len(at)], NaN where it is older than `max_age` [s] or absent."""
    if signal is None:
        return np.full(len(at), np.nan)
    index = np.searchsorted(signal.times, at, side="right") - 1
    index = np.maximum(index, 0)
    age = at - signal.times[index]
    return np.where((age >= 0.0) & (age <= max_age), signal.values[index], np.nan)


def spacing(signal: Signal | None) -> float:
    """Return the usual time between readings [s], infinite for fewer than two."""
    if signal is None or len(signal.times) < 2:
        return float("inf")
    return float(np.median(np.diff(signal.times)))


def block_means(values: FloatArray, size: int) -> FloatArray:
    """Return means of successive blocks of `size` points; a block with fewer than half its points is NaN."""
    blocks = values[: len(values) // size * size].reshape(-1, size)
    known = np.isfinite(blocks)
    count = known.sum(axis=1)
    total = np.where(known, blocks, 0.0).sum(axis=1)
    return np.where(count * 2 >= size, total / np.maximum(count, 1), np.nan)
