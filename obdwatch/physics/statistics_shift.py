"""A shift in a series of numbers: where it happened, how likely chance alone makes it, and charts that wait for one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from obdwatch.physics.statistics import LONGEST_EXACT, average_ranks, student_probability
from obdwatch.records import FloatArray


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """The likeliest shift: `before` values lie before it; the statistic, and the probability of one by chance.

    `places` were looked at; the probability has been multiplied by them where its test knows of one place only.
    """

    before: int
    statistic: float
    probability: float
    places: int = 1


@dataclass(frozen=True, slots=True)
class Cusum:
    """Sums of what lies above and below the target, and the place of the first one beyond the limit (None: none)."""

    above: FloatArray
    below: FloatArray
    signal: int | None


def pettitt(values: FloatArray) -> ChangePoint:
    """Return where the level of a series changes: K, and its approximate two-sided probability.

    Valid: 15 values or more; the probability is good below 0.5, and too high for short series. K is the largest
    difference between pairs that rise and pairs that fall across one place. Reference: Pettitt 1979.

    >>> pettitt(np.repeat([0.0, 5.0], 10)).before
    10
    """
    count = len(values)
    signs = np.sign(values[None, :] - values[:, None])
    across = np.cumsum(signs.sum(axis=1))[:-1]  # pairs within the first part cancel
    if not len(across):
        return ChangePoint(count, 0.0, 1.0)
    place = int(np.argmax(np.abs(across)))
    statistic = float(abs(across[place]))
    probability = min(1.0, 2.0 * math.exp(-6.0 * statistic**2 / (count**3 + count**2)))
    return ChangePoint(place + 1, statistic, probability)


def rank_shift(values: FloatArray, least: int = 3) -> ChangePoint:
    """Return the likeliest shift, with a two-sided probability that holds far out in the tail too.

    The rank sum of Wilcoxon for every place with `least` values on both sides; the probability of the best is exact
    up to 40 values without ties, and multiplied by the number of places looked at, so it is never too low.
    Reference: Mann and Whitney 1947; Bonferroni's inequality.

    >>> found = rank_shift(np.concatenate([np.arange(10.0), np.arange(20.0, 30.0)]))
    >>> found.before, round(found.probability / (15 * 2 / math.comb(20, 10)), 6)
    (10, 1.0)
    """
    count = len(values)
    places = np.arange(least, count - least + 1)
    if not len(places):
        return ChangePoint(count, 0.0, 1.0)
    _, ties = np.unique(values, return_counts=True)
    first = np.cumsum(average_ranks(values))[places - 1] - places * (places + 1) / 2.0
    tied = float(np.sum(ties.astype(np.float64) ** 3 - ties)) / (count * (count - 1))
    spread = np.sqrt(places * (count - places) / 12.0 * max(0.0, count + 1.0 - tied))
    off = np.abs(first - places * (count - places) / 2.0)
    scores = np.divide(np.maximum(0.0, off - 0.5), spread, out=np.zeros(len(places)), where=spread > 0.0)
    best = int(np.argmax(scores))
    if count <= LONGEST_EXACT and len(ties) == count:
        one = _rank_sum_probability(int(places[best]), count, float(off[best]))
    else:
        one = math.erfc(float(scores[best]) / math.sqrt(2.0))
    return ChangePoint(int(places[best]), float(scores[best]), min(1.0, one * len(places)), len(places))


def step_probability(values: FloatArray, before: int) -> float:
    """Return the two-sided probability of such a difference of means before and after a place, by Student's t.

    Valid: two values or more on each side; never too low for tails heavier than normal ones. Reference: Student 1908.

    >>> round(step_probability(np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]), 3), 4)
    0.0213
    """
    first, second = values[:before], values[before:]
    freedom = len(values) - 2
    pooled = (float(np.sum((first - first.mean()) ** 2)) + float(np.sum((second - second.mean()) ** 2))) / freedom
    difference = float(second.mean() - first.mean())
    if pooled <= 0.0:
        return 0.0 if difference else 1.0
    error = math.sqrt(pooled * (1.0 / len(first) + 1.0 / len(second)))
    return student_probability(difference / error, float(freedom))


def cusum(values: FloatArray, target: float, slack: float, limit: float) -> Cusum:
    """Return the tabular cumulative sums about `target`.

    Parameters: values, target, slack (half the shift to find) and limit, all in one unit.
    Reference: Page 1954; NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3.

    >>> cusum(np.array([0.0, 2.0, 2.0]), 0.0, 0.5, 2.5).above.tolist()
    [0.0, 1.5, 3.0]
    """
    above, below = np.zeros(len(values)), np.zeros(len(values))
    high = low = 0.0
    for place, value in enumerate(values):
        high = max(0.0, high + float(value) - target - slack)
        low = max(0.0, low + target - slack - float(value))
        above[place], below[place] = high, low
    beyond = np.flatnonzero((above > limit) | (below > limit))
    return Cusum(above, below, int(beyond[0]) if len(beyond) else None)


def ewma(values: FloatArray, weight: float, start: float) -> FloatArray:
    """Return the exponentially weighted moving average that begins at `start`.

    Parameters: weight of the newest value, 0 to 1 [-]. Reference: Roberts 1959; NIST/SEMATECH 6.3.2.4.

    >>> ewma(np.array([52.0, 47.0]), 0.3, 50.0).round(2).tolist()
    [50.6, 49.52]
    """
    average = np.empty(len(values))
    level = start
    for place, value in enumerate(values):
        level = weight * float(value) + (1.0 - weight) * level
        average[place] = level
    return average


def ewma_limits(target: float, deviation: float, weight: float, widths: float = 3.0) -> tuple[float, float]:
    """Return the limits between which a moving average stays in the long run, `widths` deviations of it wide.

    Reference: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.4.

    >>> low, high = ewma_limits(50.0, 2.0539, 0.3)
    >>> round(low, 4), round(high, 4)
    (47.4116, 52.5884)
    """
    half = widths * deviation * math.sqrt(weight / (2.0 - weight))
    return target - half, target + half


def _rank_sum_probability(first: int, count: int, off: float) -> float:
    """Two-sided probability of a rank sum at least `off` away from its middle, among `count` values without ties."""
    shares = _rank_sum_shares(count)[first]
    middle = first * (count - first) / 2.0
    lowest = math.floor(middle - off + 1e-9)
    return min(1.0, 2.0 * float(np.sum(shares[: lowest + 1])))


@lru_cache(maxsize=64)
def _rank_sum_shares(count: int) -> tuple[FloatArray, ...]:
    """For every size of the first part, the share of choices with Mann-Whitney's U of 0, 1, 2, ..."""
    # Gaussian binomials: the largest value is in the first part or not (Pascal's rule with the U it adds).
    rows: list[FloatArray] = [np.ones(1)]
    for size in range(1, count + 1):
        new = [np.ones(1)]
        for first in range(1, size + 1):
            ways = np.zeros(first * (size - first) + 1)
            with_largest = rows[first - 1]
            ways[size - first : size - first + len(with_largest)] += with_largest
            if first < size:
                ways[: len(rows[first])] += rows[first]
            new.append(ways)
        rows = new
    return tuple(ways / math.comb(count, first) for first, ways in enumerate(rows))
