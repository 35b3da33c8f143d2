"""How a sensor before the catalyst answers when fuel comes back after a cut, and whether the one behind beats it.

Both ends of each answer lie between two samples, so each gives an interval; with several cuts their middle is known
better than one sample. Gas passes the front sensor first: one that says lean while the rear one already says rich
is slow, however long the catalyst's own oxygen lasts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.oxygen_sensors_record import BACK_VOLTAGE, LEAN_VOLTAGE, Bank, Cuts
from obdwatch.detectors.sampled import spacing
from obdwatch.physics.order_statistics import median
from obdwatch.records import BoolArray, FloatArray
from obdwatch.signals.alignment import IntArray

LONGEST_WAIT = 15.0
"""Time after the return of fuel within which an answer belongs to it [s] (common practice)."""

FEW_SAMPLES = 3.5
"""A gap in a signal this many usual spacings long is no bracket."""


@dataclass(frozen=True, slots=True)
class Answers:
    """Times of answers [s], each between `low` and `high`; `at` [s] is when in the drive."""

    low: FloatArray
    high: FloatArray
    at: FloatArray

    def __len__(self) -> int:
        return len(self.at)

    def middle(self) -> tuple[float, float]:
        """Return the typical answer [s] and its standard error, from the scatter and from the sampling."""
        middles = np.sort((self.low + self.high) / 2.0)
        # A median of readings on a common grid would stick to the grid; a mean would follow one odd answer.
        off = int(TRIMMED * len(middles))
        typical = float(np.mean(middles[off : len(middles) - off]))
        spread = median(np.abs(middles - typical)) * MAD_TO_SIGMA
        sampling = float(np.sqrt(np.mean((self.high - self.low) ** 2) / 12.0))
        return typical, MEDIAN_ERROR * max(spread, sampling) / float(np.sqrt(len(middles)))

    def possible(self) -> tuple[float, tuple[float, float]] | None:
        """Return the typical answer [s] and what it can be, None where no answer is left that is not before its cause.

        A return of fuel that was seen late, because its status is read seldom, puts single answers before it. Their
        mean may then lie a little below zero; an interval wholly below zero says that the status itself comes late.
        """
        typical, error = self.middle()
        low, high = max(0.0, typical - SIGMAS * error), typical + SIGMAS * error
        return ((low + high) / 2.0, (low, high)) if high > 0.0 else None


SIGMAS = 2.0
"""An interval of two standard errors holds 95 %."""

TRIMMED = 0.2  # share left off at either end of a trimmed mean
MAD_TO_SIGMA = 1.4826  # of a normal distribution
MEDIAN_ERROR = 1.2533  # standard error of a median over that of a mean, normal distribution


def after_cuts(bank: Bank, cuts: Cuts) -> Answers:
    """Return the times [s] from the return of fuel until the sensor saw it."""
    times, lean, back = bank.front.times, bank.lean(), bank.back()
    longest = FEW_SAMPLES * spacing(bank.front)
    first, during = np.searchsorted(times, cuts.begin_after), np.searchsorted(times, cuts.end_after, side="right")
    until = np.minimum(cuts.end_before + LONGEST_WAIT, np.append(cuts.begin_after[1:], np.inf)[: len(cuts)])
    there = _next(back, during)
    asked = (during > first) & lean[during - 1] & (times[during - 1] >= cuts.end_after - longest)
    rows = np.flatnonzero(asked & (there < np.searchsorted(times, until)))
    there = there[rows]
    near = times[there] - times[there - 1] <= longest
    rows, there = rows[near], there[near]
    end, resumed = cuts.end_after[rows], cuts.end_before[rows]
    return Answers(times[there - 1] - resumed, times[there] - end, end)


def _next(which: BoolArray, start: IntArray) -> IntArray:
    """Return the place of the first reading of a kind from each `start` on; their number where none follows."""
    found = np.append(np.flatnonzero(which), len(which))
    return found[np.searchsorted(found, start)]


def behind_rear(bank: Bank) -> Answers:
    """Return by how much the front sensor came back later than the rear one, after both were lean [s].

    Not at all, where all is well; where the front one was back first there is no row.
    """
    rear = bank.rear
    if rear is None:
        return answers_of([])
    times, lean, back = bank.front.times, bank.lean(), bank.back()
    longest, longest_rear = FEW_SAMPLES * spacing(bank.front), FEW_SAMPLES * spacing(rear)
    before, after = _rises(rear.values)
    begin = np.searchsorted(times, rear.times[before], side="right") - 1
    there = _next(back, begin)
    asked = (rear.times[after] - rear.times[before] <= longest_rear) & (begin >= 0) & lean[begin]
    kept = asked & (there < np.searchsorted(times, rear.times[after] + LONGEST_WAIT))
    before, after, there = before[kept], after[kept], there[kept]
    # A rear sensor that fell back to lean meanwhile saw a whiff, not the return of fuel.
    fallen = np.append(0, np.cumsum(rear.values < LEAN_VOLTAGE))
    whiff = fallen[np.searchsorted(rear.times, times[there])] > fallen[after]
    kept = (times[there] - times[there - 1] <= longest) & ~whiff
    before, after, there = before[kept], after[kept], there[kept]
    return Answers(times[there - 1] - rear.times[after], times[there] - rear.times[before], rear.times[after])


def _rises(voltage: FloatArray) -> tuple[IntArray, IntArray]:
    """Return the last lean and the first rich reading of every way from at least two lean readings to rich."""
    state = np.where(voltage < LEAN_VOLTAGE, -1, np.where(voltage >= BACK_VOLTAGE, 1, 0))
    told = np.flatnonzero(state)
    low, high = told[:-1], told[1:]
    turns: BoolArray = (state[low] < 0) & (state[high] > 0) & (low > 0) & (state[low - 1] < 0)
    return low[turns], high[turns]


def answers_of(rows: list[tuple[float, float, float]]) -> Answers:
    """Return rows of (low, high, at) as answers."""
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    return Answers(table[:, 0], table[:, 1], table[:, 2])
