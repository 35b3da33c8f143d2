"""Fewer points for a printed curve that looks the same: lowest and highest of each piece stay, and so do gaps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from obdwatch.records import FloatArray, Signal

PIECES = 500  # a picture is about so many dots wide that an eye can tell apart
# A hole is longer than four usual intervals and than a second: one or two lost replies are the noise of a busy bus.
GAP_INTERVALS, SHORTEST_GAP = 4.0, 1.0
USUAL = 90.0  # percentile of the intervals that still counts as usual: recorders change their rate


def thinned(
    signal: Signal, start: float, end: float, interruptions: Sequence[tuple[float, float]] = (), pieces: int = PIECES
) -> tuple[FloatArray, FloatArray]:
    """Return times and values of a signal from `start` to `end` [s], NaN where nothing was recorded in between.

    `interruptions` (start, end [s]) are known holes, across which no line may run.
    """
    inside = (signal.times >= start) & (signal.times <= end) & np.isfinite(signal.values)
    times, values = signal.times[inside], signal.values[inside]
    if times.size < 2:
        return times, values
    holes = _holes(times, interruptions)
    kept = np.union1d(_extremes(times, values, pieces), np.concatenate([holes, holes + 1])).astype(np.intp)
    after = np.searchsorted(kept, holes) + 1
    return np.insert(times[kept], after, times[holes]), np.insert(values[kept], after, np.nan)


def _holes(
    times: FloatArray, interruptions: Sequence[tuple[float, float]]
) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Indices of samples after which nothing is known."""
    steps = np.diff(times)
    broken = steps > max(GAP_INTERVALS * float(np.percentile(steps, USUAL)), SHORTEST_GAP)
    for start, end in interruptions:
        broken |= (times[:-1] <= end) & (times[1:] >= start) & (steps > SHORTEST_GAP)
    return np.flatnonzero(broken).astype(np.intp)


def _extremes(times: FloatArray, values: FloatArray, pieces: int) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    if times.size <= 2 * pieces:
        return np.arange(times.size, dtype=np.intp)
    bounds = np.unique(np.searchsorted(times, np.linspace(times[0], times[-1], pieces, endpoint=False)))
    ends = np.append(bounds[1:], times.size)
    found = [
        (a + int(np.argmin(values[a:b])), a + int(np.argmax(values[a:b]))) for a, b in zip(bounds, ends, strict=True)
    ]
    return np.unique(np.array([[0, times.size - 1], *found], dtype=np.intp))
