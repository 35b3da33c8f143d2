"""Recognises tables in which every row repeats the last reading of all signals but the one just read, and undoes it.

Many loggers ask for one signal after the other and write a whole row after each answer. Such a table claims ten
times more readings than were taken, and a value that is a second old looks fresh. The rule, over the whole table:

1. A signal's *changes* are the rows in which its number differs from the row before, or appears after a blank.
   Blanks inside a column exclude it from the evidence: who carries values forward leaves no blanks.
2. The *round* of a signal is the largest number of rows n such that at least 75 % of the distances between its
   changes are multiples of n; it counts when that is no accident (chance below one in a million). A signal that is
   really read in every row changes at distances of all lengths and has round 1.
3. The table carries values forward when at least two signals have a round of 2 or more and those are at least 80 %
   of the signals that change often enough to tell. Where signals are read in no fixed order, it does when at most
   one signal changes per row although independent signals would often change together.
4. Then a reading is *fresh* in the row of a change and every round after it (the value was read again and was the
   same), so a constant signal keeps one reading per round. After a gap in time, what is merely repeated is not
   believed before one whole round has passed.

In a table that does not fit the rule nothing is touched.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from obdwatch.records import BoolArray, FloatArray

LONGEST_ROUND = 64  # rows; more signals than that are not asked for in turn
SHARE_IN_ROUND = 0.75  # of change distances; a missed reading shifts the order now and then
CHANCE = 1e-6  # how improbable a round must be in a table that has none
SHARE_OF_SIGNALS = 0.8  # that take turns; a clock or a counter may be written in every row
LEAST_SIGNALS = 2  # that take turns
LEAST_DISTANCES = 20  # between changes of one signal; fewer tell nothing
EXCLUSIVE = 0.05  # of the rows with several changes that independent signals would show
LEAST_EXPECTED = 20.0  # rows; fewer expected coincidences prove nothing by their absence
FARTHEST = 4096  # rows; changes farther apart say nothing about the order of reading
GAP_ROUNDS = 3.0  # a pause longer than this many rounds is a gap

Rows = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class CarryForward:
    """What was found: the round of each column in rows; empty where the table carries nothing forward."""

    rounds: Mapping[int, int]

    @property
    def found(self) -> bool:
        """True where the table carries values forward."""
        return bool(self.rounds)


NOTHING = CarryForward({})


def changes_of(values: FloatArray) -> Rows:
    """Return the rows in which a column's number is new; the first row of the table does not count.

    >>> changes_of(np.array([1.0, 1.0, 2.0, 2.0, np.nan, 2.0])).tolist()
    [2, 5]
    """
    return (np.flatnonzero((values[1:] != values[:-1]) & np.isfinite(values[1:])) + 1).astype(np.int64)


def recognise(columns: Mapping[int, FloatArray]) -> CarryForward:
    """Find out whether the columns of a table carry values forward (rules 1 to 3)."""
    rows = len(next(iter(columns.values()), ()))
    changing = np.zeros(rows, dtype=np.uint16)  # how many columns change in each row
    counts: dict[int, int] = {}
    rounds: dict[int, int | None] = {}
    for index, values in columns.items():
        if not _has_inner_blanks(values):
            changes = changes_of(values)
            counts[index], rounds[index] = len(changes), round_of(np.diff(changes))
            changing[changes] += 1
    if (turning := _turning(rounds)) is not None:
        return turning
    if _exclusive(list(counts.values()), changing):
        return CarryForward(dict.fromkeys(counts, sum(1 for count in counts.values() if count)))
    return NOTHING


def _turning(rounds: Mapping[int, int | None]) -> CarryForward | None:
    """Rule 3 for signals read in a fixed order; a signal that changes too seldom gets the longest round found."""
    telling = {index: found for index, found in rounds.items() if found is not None}
    turns = [found for found in telling.values() if found > 1]
    if len(turns) < LEAST_SIGNALS or len(turns) < SHARE_OF_SIGNALS * len(telling):
        return None
    return CarryForward({index: telling.get(index, max(turns)) for index in rounds})


def _has_inner_blanks(values: FloatArray) -> bool:
    known = np.flatnonzero(np.isfinite(values))
    return len(known) == 0 or len(values) - known[0] != len(known)


def round_of(distances: Rows) -> int | None:
    """Return the round in rows that explains the distances between changes; 1 where there is none.

    None where there are too few distances to tell.

    >>> round_of(np.array([10, 20, 10, 30, 10, 10, 50, 10, 20] * 3))
    10
    >>> round_of(np.array([10, 10])) is None
    True
    """
    if len(distances) < LEAST_DISTANCES:
        return None
    histogram = np.bincount(np.minimum(distances, FARTHEST))[:FARTHEST]
    return next((n for n in range(LONGEST_ROUND, 1, -1) if _fits(histogram, n)), 1)


def _fits(histogram: Rows, length: int) -> bool:
    """Whether enough distances are multiples of `length`, and more than chance gives (Chernoff's bound)."""
    total = int(histogram.sum())
    share, chance = int(histogram[::length].sum()) / max(total, 1), 1 / length
    if share < SHARE_IN_ROUND:
        return False
    surprise = share * math.log(share / chance)
    if share < 1:
        surprise += (1 - share) * math.log((1 - share) / (1 - chance))
    return total * surprise > -math.log(CHANCE)


def _exclusive(counts: Sequence[int], changing: NDArray[np.uint16]) -> bool:
    """Whether signals change one at a time although they would often coincide if each were read in every row.

    `counts` holds the number of changes of each signal, `changing` how many signals change in each row.
    """
    if len(counts) < LEAST_SIGNALS or not len(changing):
        return False
    rates = np.array(counts) / len(changing)
    none = float(np.prod(1 - rates))
    one = float(sum(rate * np.prod(np.delete(1 - rates, i)) for i, rate in enumerate(rates)))
    expected = len(changing) * max(0.0, 1 - none - one)
    return expected >= LEAST_EXPECTED and int(np.count_nonzero(changing > 1)) <= EXCLUSIVE * expected


def fresh_rows(values: FloatArray, length: int, gap_starts: Rows) -> BoolArray:
    """Return which rows of a column hold a reading of their own (rule 4).

    `length` is the round in rows; `gap_starts` are the rows that follow a gap in time.

    >>> fresh_rows(np.array([5.0, 5, 5, 5, 7, 7, 7]), 2, np.array([], dtype=np.int64)).tolist()
    [True, False, True, False, True, False, True]
    """
    known = np.isfinite(values)
    changes = changes_of(values)
    rows = np.arange(len(values), dtype=np.int64)
    first = changes[:1] if len(changes) else np.flatnonzero(known)[:1]
    fresh: BoolArray = known & ((rows - _last(rows, changes, int(first.sum()))) % length == 0)
    if len(gap_starts):
        fresh &= rows - _last(rows, gap_starts, -length) >= length
        fresh[changes] = True
    return fresh


def _last(rows: Rows, marks: Rows, before: int) -> Rows:
    """For each row the last mark at or before it, `before` where there is none."""
    if len(marks) == 0:
        return np.full(len(rows), before, dtype=np.int64)
    at = np.searchsorted(marks, rows, side="right") - 1
    return np.where(at < 0, before, marks[np.maximum(at, 0)])


def gaps(times: FloatArray, length: int) -> Rows:
    """Return the rows that follow a pause longer than a few rounds of `length` rows; `times` [s] increase."""
    steps = np.diff(times)
    if len(steps) == 0:
        return np.array([], dtype=np.int64)
    usual = float(np.median(steps)) * length
    return (np.flatnonzero(steps > GAP_ROUNDS * max(usual, 1e-9)) + 1).astype(np.int64)
