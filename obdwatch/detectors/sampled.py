"""Signals on one even time grid, cleaned of what no sensor can have measured; shared by detectors that integrate.

Values are held, never invented: one older than `MAX_AGE` is missing, and a missing value is NaN.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np

from obdwatch.physics.order_statistics import median
from obdwatch.records import Drive, FloatArray, Signal
from obdwatch.signals.alignment import hold

T = TypeVar("T")

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
    return once(signal, f"cleaned {key}", lambda: _clean(signal, key))


MOST_KEPT = 160
"""Results that are remembered, about what one drive needs: a dozen detectors ask for the same again and again."""

_KEPT: dict[tuple[int, int, str], tuple[object, object, Any]] = {}
"""The things themselves are kept beside their result: while they live, no other can have their identity."""


def once(thing: object, name: str, make: Callable[[], T], beside: object = None) -> T:
    """Return what `make` makes of a frozen thing, made once for as long as it is asked for; `name` tells results apart.

    Where it is made of two things, the other one is `beside`.

    >>> once(signal := Signal("a", "", np.zeros(2), np.zeros(2)), "sum", lambda: 1), once(signal, "sum", lambda: 2)
    (1, 1)
    """
    key = id(thing), id(beside), name
    known = _KEPT.get(key)
    if known is not None and known[0] is thing and known[1] is beside:
        found: T = known[2]
        return found
    found = make()
    _KEPT[key] = thing, beside, found
    for oldest in list(_KEPT)[:-MOST_KEPT]:
        _KEPT.pop(oldest, None)
    return found


def _clean(signal: Signal, key: str) -> Signal | None:
    low, high = RANGES.get(key, (-np.inf, np.inf))
    good = np.isfinite(signal.times) & np.isfinite(signal.values) & (signal.values >= low) & (signal.values <= high)
    times, values = signal.times, signal.values
    if not good.all():
        times, values = times[good], values[good]
    if np.any(times[1:] < times[:-1]):
        order = np.argsort(times, kind="stable")
        times, values = times[order], values[order]
    if key in SPIKES and len(values) >= 5:
        padded = np.pad(values, 2, mode="reflect")  # the first and last reading against those beside them
        middle = np.sort(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)[:, 2]
        near = np.abs(values - middle) <= SPIKES[key]
        times, values = times[near], values[near]
    return Signal(key, signal.unit, times, values, signal.ecu) if len(times) else None


def held(signal: Signal | None, at: FloatArray, max_age: float = MAX_AGE) -> FloatArray:
    """Return the last value at or before each time [len(at)], NaN where it is older than `max_age` [s] or absent."""
    return hold(signal, at, max_age)


def spacing(signal: Signal | None) -> float:
    """Return the usual time between readings [s], infinite for fewer than two."""
    if signal is None or len(signal.times) < 2:
        return float("inf")
    return once(signal, "spacing", lambda: median(signal.times[1:] - signal.times[:-1]))


def block_means(values: FloatArray, size: int) -> FloatArray:
    """Return means of successive blocks of `size` points; a block with fewer than half its points is NaN."""
    blocks = values[: len(values) // size * size].reshape(-1, size)
    known = np.isfinite(blocks)
    count = known.sum(axis=1)
    total = np.where(known, blocks, 0.0).sum(axis=1)
    return np.where(count * 2 >= size, total / np.maximum(count, 1), np.nan)
