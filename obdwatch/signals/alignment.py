"""Puts signals with their own times onto one time axis, explicitly and without inventing values."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from obdwatch.records import Drive, FloatArray, Signal


def align(drive: Drive, keys: Sequence[str], at: FloatArray, max_age: float | Sequence[float]) -> FloatArray:
    """Return the last value of each signal at the times `at` [s], shape (len(keys), len(at)).

    A value older than `max_age` [s] (one for all, or one per key) is missing, as is a signal the drive does not
    have: NaN. `at` must not decrease.
    """
    ages = [max_age] * len(keys) if isinstance(max_age, int | float) else list(max_age)
    rows = [hold(drive.signals.get(key), at, age) for key, age in zip(keys, ages, strict=True)]
    return np.array(rows, dtype=np.float64).reshape(len(keys), len(at))


def hold(signal: Signal | None, at: FloatArray, max_age: float) -> FloatArray:
    """Return the last value of a signal at the times `at` [s]; NaN where it is older than `max_age` [s] or absent."""
    held = np.full(len(at), np.nan)
    if signal is None or not len(signal.times):
        return held
    place = np.searchsorted(signal.times, at, side="right") - 1
    known = place >= 0
    known[known] = at[known] - signal.times[place[known]] <= max_age
    held[known] = signal.values[place[known]]
    return held


def span(drive: Drive) -> tuple[float, float] | None:
    """Return the first and last time [s] of any signal of a drive, None where it has none."""
    times = [signal.times for signal in drive.signals.values() if len(signal.times)]
    if not times:
        return None
    return float(min(one[0] for one in times)), float(max(one[-1] for one in times))


def grid(drive: Drive, step: float) -> FloatArray:
    """Return times [s] every `step` seconds over the whole drive, none where it has no signals."""
    ends = span(drive)
    return np.arange(ends[0], ends[1] + step / 2, step) if ends else np.empty(0)
