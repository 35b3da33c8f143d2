"""Fewer points for a picture that looks the same: every extreme and every gap of a signal survives.

Stands between a loaded drive and a figure. A signal becomes a `Trace` once (where may its line not be drawn?), and
each view of it is cut from that trace. Pure numpy, no knowledge of the screen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from obdwatch.records import FloatArray, Signal

IndexArray = NDArray[np.intp]

# Common practice in plotting polled data: one or two lost replies are the noise of a busy bus, more are a hole.
GAP_INTERVALS = 4.0
# Shorter holes than this cannot be told from the jitter of an adapter's answer time (python-OBD's default timeout
# is 0.1 s, an ELM327 waits up to 0.2 s) [s].
SHORTEST_GAP = 1.0
# How many intervals make up the neighbourhood from which the usual interval is taken: a recorder changes its rate
# between cranking and driving, so one median for the whole drive would be wrong.
NEIGHBOURHOOD = 32
# Two points (the lowest and the highest value) in each column of two pixels, as a line is that wide; on a page of at
# most 2,000 pixels. A narrower picture needs fewer, but never so few that a phone turned round shows steps.
POINTS, FEWEST_POINTS = 2_000, 600


@dataclass(frozen=True, slots=True)
class Trace:
    """A signal ready to be drawn: finite `values` at increasing `times` [s].

    `breaks` holds each index i between which and i + 1 no line may be drawn, in increasing order.
    """

    times: FloatArray
    values: FloatArray
    breaks: IndexArray


@dataclass(frozen=True, slots=True)
class View:
    """What is drawn of a trace: NaN in `values` where the line is broken; `lone_*` are samples without a neighbour.

    `dotted` says whether any view of this trace can show a lone sample.
    """

    times: FloatArray
    values: FloatArray
    lone_times: FloatArray
    lone_values: FloatArray
    dotted: bool = True


def trace_of(signal: Signal, interruptions: Sequence[tuple[float, float]] = ()) -> Trace:
    """Find the gaps of `signal`; a line is also broken across each of `interruptions` (start, end [s]) and each NaN."""
    finite = np.isfinite(signal.values) & np.isfinite(signal.times)
    times, values = signal.times, signal.values
    broken = np.zeros(0, dtype=np.intp)
    if not finite.all():
        kept = np.flatnonzero(finite)
        broken = np.flatnonzero(np.diff(kept) > 1)
        times, values = times[kept], values[kept]
    return Trace(times, values, np.union1d(_gaps(times, interruptions), broken).astype(np.intp))


def _gaps(times: FloatArray, interruptions: Sequence[tuple[float, float]]) -> IndexArray:
    if times.size < 2:
        return np.zeros(0, dtype=np.intp)
    steps = np.diff(times)
    long = np.flatnonzero(steps > np.maximum(GAP_INTERVALS * usual_interval(steps), SHORTEST_GAP))
    starts, ends = np.asarray(interruptions, dtype=float).reshape(-1, 2).T
    last_before = np.searchsorted(times, starts, side="right") - 1
    first_after = np.maximum(np.searchsorted(times, ends, side="left"), last_before + 1)
    around = np.concatenate((last_before, first_after - 1))
    inside = around[(around >= 0) & (around < steps.size)]
    return np.union1d(long, inside).astype(np.intp)


def usual_interval(steps: FloatArray) -> FloatArray:
    """The usual time from one sample to the next around each of `steps` [s]; same length.

    Medians of blocks of `NEIGHBOURHOOD` steps; the longest of a block's own and its two neighbours' counts, so that a
    change to a slower rate is no gap.
    """
    blocks = -(-steps.size // NEIGHBOURHOOD)
    padded = np.full(blocks * NEIGHBOURHOOD, np.nan)
    padded[: steps.size] = steps
    whole = steps.size // NEIGHBOURHOOD
    medians = np.empty(blocks)
    medians[:whole] = np.median(padded[: whole * NEIGHBOURHOOD].reshape(whole, NEIGHBOURHOOD), axis=1)
    if whole < blocks:
        medians[whole] = np.median(steps[-NEIGHBOURHOOD:])
    around = np.concatenate(([medians[0]], medians, [medians[-1]]))
    longest = np.maximum(np.maximum(around[:-2], around[1:-1]), around[2:])
    return np.repeat(longest, NEIGHBOURHOOD)[: steps.size]


def view_of(trace: Trace, start: float, end: float, points: int = POINTS) -> View:
    """The part of `trace` from `start` to `end` [s], at about `points` points, extremes and gaps kept.

    One sample beyond either side is kept, so that a line runs to the edge of the picture.
    """
    first = max(int(np.searchsorted(trace.times, start, side="left")) - 1, 0)
    last = min(int(np.searchsorted(trace.times, end, side="right")) + 1, trace.times.size)
    picked = np.arange(first, last)
    if picked.size > points:
        picked = first + _extremes(trace.times[first:last], trace.values[first:last], max(points // 2, 1))
        picked = np.union1d(picked, _edges(trace.breaks, first, last, points))
    return _broken(trace, picked.astype(np.intp))


def points_for(width: float) -> int:
    """How many points of a signal a picture `width` pixels wide can show.

    >>> points_for(1152), points_for(300), points_for(4000)
    (1152, 600, 2000)
    """
    return int(min(max(width, FEWEST_POINTS), POINTS))


def _dotted(trace: Trace) -> bool:
    """Whether a piece between two gaps is one sample long, or may come down to one: there are more gaps than points."""
    lengths = np.diff(np.concatenate(([-1], trace.breaks, [trace.times.size - 1])))
    return bool((lengths == 1).any()) or trace.breaks.size * 2 > FEWEST_POINTS


def _edges(breaks: IndexArray, first: int, last: int, points: int) -> IndexArray:
    """Both sides of each gap, so that it is as wide as it was; none where there are more gaps than pixels."""
    inside = breaks[(breaks >= first) & (breaks < last - 1)]
    if inside.size * 2 > points:
        return np.zeros(0, dtype=np.intp)
    return np.concatenate((inside, inside + 1))


def _extremes(times: FloatArray, values: FloatArray, columns: int) -> IndexArray:
    """Indices of the lowest and the highest value in each of `columns` equal pieces of time, and of both ends."""
    bounds = np.searchsorted(times, np.linspace(times[0], times[-1], columns, endpoint=False))
    starts = np.unique(bounds[bounds < times.size])
    lowest = _first_hit(values, starts, np.minimum.reduceat(values, starts))
    highest = _first_hit(values, starts, np.maximum.reduceat(values, starts))
    return np.unique(np.concatenate(([0, times.size - 1], lowest, highest))).astype(np.intp)


def _first_hit(values: FloatArray, starts: IndexArray, wanted: FloatArray) -> IndexArray:
    """Index of the first value equal to `wanted` in each piece that begins at `starts`."""
    lengths = np.diff(starts, append=values.size)
    hits = np.flatnonzero(values == np.repeat(wanted, lengths))
    return hits[np.searchsorted(hits, starts)]


def _broken(trace: Trace, picked: IndexArray) -> View:
    times, values = trace.times[picked], trace.values[picked]
    if picked.size == 0:
        return View(times, values, times, values, _dotted(trace))
    piece = np.searchsorted(trace.breaks, picked, side="left")
    breaks_after = np.flatnonzero(np.diff(piece)) + 1
    alone = np.diff(np.concatenate(([0], breaks_after, [picked.size]))) == 1
    lone = np.concatenate(([0], breaks_after))[alone]
    return View(
        np.insert(times, breaks_after, times[breaks_after - 1]),
        np.insert(values, breaks_after, np.nan),
        times[lone],
        values[lone],
        _dotted(trace),
    )
