"""Puts signals with their own times onto one time axis, explicitly and without inventing values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from obdwatch.records import Drive, FloatArray, Signal

IntArray = npt.NDArray[np.intp]

FEWEST_MERGED, LONGEST_MERGED = 1000, 3
"""From so many times on merging finds their places sooner (measured), in a row at most so many times as long."""


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
    if signal is None or not len(signal.times):
        return np.full(len(at), np.nan)
    place = places(signal.times, at) - 1
    age = at - signal.times.take(place)  # before the first value it is that of the last one, and negative
    return np.where((age >= 0.0) & (age <= max_age), signal.values.take(place), np.nan)


def places(times: FloatArray, at: FloatArray, side: Literal["left", "right"] = "right") -> IntArray:
    """Return how many of the rising `times` lie before each time of `at`: up to it (right), or short of it (left).

    The same as numpy's `searchsorted`, which looks for every time anew; where `at` rises too and is long, both are
    merged instead, at half the cost.

    >>> places(np.array([1.0, 2.0, 2.0]), np.array([0.0, 2.0, 3.0])).tolist()
    [0, 3, 3]
    """
    if len(at) < FEWEST_MERGED or len(times) > LONGEST_MERGED * len(at) or not (at[1:] >= at[:-1]).all():
        return times.searchsorted(at, side=side)
    # A stable sort of two rising rows is a merge, and leaves what comes first before its equals.
    if side == "right":
        merged = (np.concatenate([times, at]).argsort(kind="stable") >= len(times)).nonzero()[0]
    else:
        merged = (np.concatenate([at, times]).argsort(kind="stable") < len(at)).nonzero()[0]
    merged -= np.arange(len(at))
    return merged


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
