"""Trends in a short series of numbers: robust slope, rank tests, charts that watch for a shift, many tests at once.

The tests look at ranks only, so that one strange drive does not make a trend. Distributions are exact where the series
is short, because the levels that many tests at once leave to each are far out in the tail.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from obdwatch.physics.order_statistics import median
from obdwatch.records import BoolArray, FloatArray

LONGEST_EXACT = 40
"""Series up to so long get exact probabilities; beyond, the normal ones agree with them to a few percent."""

_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class Slope:
    """A robust line: `slope` per unit of the axis, its interval, and the level where the axis is zero."""

    slope: float
    low: float
    high: float
    intercept: float


@dataclass(frozen=True, slots=True)
class RankTest:
    """Mann-Kendall: `score` S, its `variance`, the normal score with continuity correction, two-sided probability."""

    score: float
    variance: float
    normal: float
    probability: float


def theil_sen(at: FloatArray, values: FloatArray, level: float = 0.95) -> Slope | None:
    """Return the median of the slopes of all pairs, with its interval; None where all stand at one place.

    Parameters: at [axis]; values [any], equal length; level of the interval [-].
    Valid: errors of the values independent of each other. Reference: Sen 1968, with the variance of Mann's S.

    >>> theil_sen(np.arange(5.0), np.array([1.0, 3.0, 5.0, 7.0, 90.0])).slope
    2.0
    """
    first, second = np.triu_indices(len(values), 1)
    apart = at[second] - at[first]
    usable = apart != 0.0
    if not usable.any():
        return None
    slopes = np.sort((values[second] - values[first])[usable] / apart[usable])
    slope = median(slopes)
    half = _NORMAL.inv_cdf(0.5 + level / 2.0) * math.sqrt(_variance(values, at))
    # Sen's limits are the slopes with these ranks, counted from one and kept within the slopes there are.
    lowest = max(0, round((len(slopes) - half) / 2.0) - 1)
    highest = min(len(slopes) - 1, round((len(slopes) + half) / 2.0))
    intercept = float(median(values) - slope * median(at))
    return Slope(slope, float(slopes[lowest]), float(slopes[highest]), intercept)


def mann_kendall(values: FloatArray) -> RankTest:
    """Return whether values in the order of time rise or fall beyond chance (normal approximation, ties allowed).

    Valid: ten values or more (fewer: `exact_probability`). Reference: Mann 1945, Kendall 1975.

    >>> found = mann_kendall(np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]))
    >>> found.score, round(found.normal, 3), round(found.probability, 5)
    (28.0, 3.34, 0.00084)
    """
    score, variance = _score(values), _variance(values)
    normal = (score - math.copysign(1.0, score)) / math.sqrt(variance) if score and variance > 0.0 else 0.0
    return RankTest(score, variance, normal, math.erfc(abs(normal) / math.sqrt(2.0)))


def exact_probability(score: float, count: int) -> float:
    """Return the two-sided probability of a Mann-Kendall score at least so large among `count` values without ties.

    Valid: 2 to about 100 values. Reference: the number of orders with so many inversions (Kendall 1975).

    >>> round(exact_probability(28.0, 8) * math.factorial(8), 9)  # one order and its reverse
    2.0
    """
    shares = _inversion_shares(count)
    pairs = count * (count - 1) // 2
    fewest = round((pairs - abs(score)) / 2.0)
    return min(1.0, 2.0 * float(np.sum(shares[: fewest + 1])))


def trend_probability(values: FloatArray, found: RankTest | None = None) -> float:
    """Return the two-sided probability of such a trend by chance: exact for short series without ties, else normal.

    `found` is their `mann_kendall`, where it is known already. Reference: Kendall 1975.

    >>> round(trend_probability(np.arange(8.0)) * math.factorial(8), 9)
    2.0
    """
    found = found or mann_kendall(values)
    if len(values) > LONGEST_EXACT or len(np.unique(values)) < len(values):
        return found.probability
    return exact_probability(found.score, len(values))


def partial_trend(values: FloatArray, beside: FloatArray, along: FloatArray | None = None) -> tuple[float, float]:
    """Return how values in the order of time rise beyond what goes with a second quantity: t and its probability.

    The partial correlation of normal scores of the values with their order, the second quantity held; the scores keep
    one strange value from mattering, and unlike ranks they do not saturate where a trend is clear. `along` takes the
    place of the order: 0 before and 1 after a shift.
    Valid: eight values or more. Reference: van der Waerden 1952 (scores); Fisher 1924 (partial correlation).

    >>> t, probability = partial_trend(np.arange(12.0), np.tile([1.0, -1.0], 6))
    >>> t > 10.0, probability < 1e-6
    (True, True)
    """
    from scipy.special import ndtri

    count = len(values)
    if count < 4 or len(np.unique(values)) < 2:
        return 0.0, 1.0
    ranks = average_ranks(values)
    known = np.column_stack([np.ones(count), beside])
    order = np.arange(count, dtype=np.float64) if along is None else along
    both = np.column_stack([ndtri(ranks / (count + 1.0)), order])
    left = both - known @ np.linalg.lstsq(known, both, rcond=None)[0]
    power = float(np.sum(left[:, 0] ** 2) * np.sum(left[:, 1] ** 2))
    if power <= 1e-18 * float(np.sum(both[:, 0] ** 2) * np.sum(both[:, 1] ** 2)):
        return 0.0, 1.0
    share = float(left[:, 0] @ left[:, 1]) / math.sqrt(power)
    freedom = count - 3.0
    t = share * math.sqrt(freedom / max(1e-12, 1.0 - share**2))
    return t, student_probability(t, freedom)


def student_probability(t: float, freedom: float) -> float:
    """Return the two-sided probability of a t so large [-] at `freedom` degrees of freedom. Reference: Student 1908.

    >>> round(student_probability(2.228, 10.0), 3)  # printed tables: 2.228 at 5 %
    0.05
    """
    from scipy.special import stdtr

    return min(1.0, 2.0 * float(stdtr(freedom, -abs(t))))


def variance_inflation(at: FloatArray, values: FloatArray, slope: float, errors: float = 0.0) -> float:
    """Return by how much neighbours that resemble each other widen the variance of a rank test, 1 or more.

    First-order: (1 + r) / (1 - r), with r the correlation of neighbours about the line, freed of its bias in a short
    series, plus so many `errors` (standard errors of r) for caution.
    Valid: eight values or more. Reference: Bayley and Hammersley 1946; bias Kendall 1954 (from memory).

    >>> variance_inflation(np.arange(12.0), np.tile([1.0, -1.0], 6), 0.0)
    1.0
    """
    count = len(values)
    off = values - slope * at
    ranks = np.argsort(np.argsort(off)).astype(np.float64)
    ranks -= ranks.mean()
    total = float(ranks @ ranks)
    if count < 6 or total == 0.0:
        return 1.0
    seen = float(ranks[1:] @ ranks[:-1]) / total
    alike = min(0.9, (count * seen + 2.0) / (count - 4.0) + errors / math.sqrt(count))
    return (1.0 + alike) / (1.0 - alike) if alike > 0.0 else 1.0


def inflated_probability(probability: float, inflation: float) -> float:
    """Return a two-sided probability after the variance of its normal score has grown by `inflation` [-].

    Reference: Hamed and Rao 1998, for Mann-Kendall.

    >>> round(inflated_probability(0.0455, 4.0), 3)  # two deviations become one
    0.317
    """
    if inflation <= 1.0 or probability >= 1.0:
        return probability
    score = -_NORMAL.inv_cdf(max(probability, 1e-300) / 2.0) / math.sqrt(inflation)
    return math.erfc(score / math.sqrt(2.0))


def holm(probabilities: FloatArray) -> FloatArray:
    """Return probabilities made higher so that one level holds for all tests together.

    Reference: Holm 1979.

    >>> holm(np.array([0.01, 0.04, 0.03])).round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    order = np.argsort(probabilities)
    raised = probabilities[order] * np.arange(len(order), 0, -1)
    adjusted = np.empty(len(order))
    adjusted[order] = np.minimum(1.0, np.maximum.accumulate(raised))
    return adjusted


def benjamini_hochberg(probabilities: FloatArray) -> FloatArray:
    """Return probabilities made higher so that a level is the expected share of false finds.

    Reference: Benjamini and Hochberg 1995.

    >>> benjamini_hochberg(np.array([0.01, 0.04, 0.03])).round(3).tolist()
    [0.03, 0.04, 0.04]
    """
    count = len(probabilities)
    order = np.argsort(probabilities)
    raised = probabilities[order] * count / np.arange(1, count + 1)
    adjusted = np.empty(count)
    adjusted[order] = np.minimum(1.0, np.minimum.accumulate(raised[::-1])[::-1])
    return adjusted


def average_ranks(values: FloatArray) -> FloatArray:
    """Return the place of each value among all [n], from 1; equal ones share the middle of theirs.

    Reference: Wilcoxon 1945.

    >>> average_ranks(np.array([5.0, 3.0, 5.0])).tolist()
    [2.5, 1.0, 2.5]
    """
    _, inverse, ties = np.unique(values, return_inverse=True, return_counts=True)
    ranks: FloatArray = (np.cumsum(ties) - (ties - 1) / 2.0)[inverse]
    return ranks


def _score(values: FloatArray) -> float:
    """Pairs that rise less those that fall; counted value by value, as all pairs of a thousand are a million."""
    earlier: list[float] = []
    score = 0
    for value in values.tolist():
        below = bisect_left(earlier, value)
        same = bisect_right(earlier, value, below)
        score += below - (len(earlier) - same)
        earlier.insert(same, value)
    return float(score)


def _variance(*series: FloatArray) -> float:
    """Variance of S, less for ties in any of the series."""
    count = len(series[0])
    spread = float(count * (count - 1) * (2 * count + 5))
    for values in series:
        _, ties = np.unique(values, return_counts=True)
        tied: BoolArray = ties > 1
        if tied.any():
            many = ties[tied].astype(np.float64)
            spread -= float(np.sum(many * (many - 1.0) * (2.0 * many + 5.0)))
    return spread / 18.0


@lru_cache(maxsize=256)
def _inversion_shares(count: int) -> FloatArray:
    """Share of the orders of `count` values that have 0, 1, 2, ... inversions."""
    shares = np.ones(1)
    for size in range(2, count + 1):
        shares = np.convolve(shares, np.full(size, 1.0 / size))
    return shares
