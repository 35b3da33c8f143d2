"""Did a number change between two groups of drives? Few drives, unequal scatter, counts: small-sample statistics.

With one or two drives the scatter from drive to drive cannot be measured; an assumed one with few degrees of freedom
takes part then (a moderated variance), and fades as drives are added. With no assumption the test is Welch's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import betainc, betaincinv, stdtrit

from obdwatch.physics.statistics import student_probability
from obdwatch.records import BoolArray, FloatArray


@dataclass(frozen=True, slots=True)
class Level:
    """Mean of a group, its standard `error` and the `freedom` that error rests on; `count` values."""

    mean: float
    error: float
    freedom: float
    count: int

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Return the two-sided t interval of the mean."""
        if self.freedom <= 0.0:
            return -math.inf, math.inf
        half = float(stdtrit(self.freedom, 0.5 + confidence / 2.0)) * self.error
        return self.mean - half, self.mean + half


@dataclass(frozen=True, slots=True)
class Difference:
    """After less before: `value` with its `interval`; `t`, `freedom` and the two-sided `probability` of chance."""

    value: float
    interval: tuple[float, float]
    t: float
    freedom: float
    probability: float


@dataclass(frozen=True, slots=True)
class Rates:
    """Rate after over rate before: `ratio` with its exact `interval`, and the two-sided `probability` of chance."""

    ratio: float
    interval: tuple[float, float]
    probability: float


def level_of(values: FloatArray, scatter: float = 0.0, scatter_freedom: float = 0.0, within: float = 0.0) -> Level:
    """Mean of a group with the error that drives of it scatter by.

    Parameters: values [n]; scatter, an assumed standard deviation from drive to drive, worth `scatter_freedom` degrees
    of freedom; within, the standard error that the values themselves have [all in the unit of values].
    The variance is (f0 s0^2 + (n-1) s^2) / (f0 + n-1), and no less than the values' own error.
    Valid: n >= 1; normal scatter. Reference: moderated variance of Smyth 2004; plain s^2 / n where nothing is assumed.

    >>> found = level_of(np.array([10.0, 12.0, 14.0]))
    >>> found.mean, round(found.error, 4), found.freedom
    (12.0, 1.1547, 2.0)
    >>> one = level_of(np.array([12.0]), scatter=2.0, scatter_freedom=4.0)
    >>> one.error, one.freedom
    (2.0, 4.0)
    """
    count = len(values)
    seen = float(np.var(values, ddof=1)) if count > 1 else 0.0
    freedom = scatter_freedom + count - 1.0
    variance = (scatter_freedom * scatter**2 + (count - 1) * seen) / freedom if freedom > 0.0 else 0.0
    return Level(float(np.mean(values)), math.sqrt(max(variance, within**2) / count), freedom, count)


def difference(before: Level, after: Level, confidence: float = 0.95) -> Difference:
    """Difference of two means whose scatter may differ.

    Valid: normal means. Reference: Welch 1947, degrees of freedom of Satterthwaite; NIST/SEMATECH handbook 1.3.5.3.

    >>> found = difference(level_of(np.array([1.0, 2.0, 3.0])), level_of(np.array([4.0, 6.0, 8.0])))
    >>> round(found.t, 4), round(found.freedom, 4)
    (3.0984, 2.9412)
    """
    value = after.mean - before.mean
    one, other = before.error**2, after.error**2
    if one + other == 0.0:
        t = math.copysign(math.inf, value) if value else 0.0
        return Difference(value, (value, value), t, math.inf, float(not value))
    if before.freedom <= 0.0 or after.freedom <= 0.0:
        return Difference(value, (-math.inf, math.inf), 0.0, 0.0, 1.0)
    freedom = (one + other) ** 2 / (one**2 / before.freedom + other**2 / after.freedom)
    error = math.sqrt(one + other)
    half = float(stdtrit(freedom, 0.5 + confidence / 2.0)) * error
    t = value / error
    return Difference(value, (value - half, value + half), t, freedom, student_probability(t, freedom))


def compare_rates(before: float, exposure_before: float, after: float, exposure_after: float) -> Rates:
    """Ratio of two Poisson rates, exact: given the sum of both counts, one is binomial.

    Parameters: counts; exposures in the same unit. Valid: exposures > 0; counts of independent events (divide both by
    their dispersion where they come in clusters). The probability is twice the smaller tail, at most 1; the interval is
    that of Clopper and Pearson, 95 %. Reference: Przyborowski and Wilenski 1940; Clopper and Pearson 1934.

    >>> found = compare_rates(20, 1000.0, 5, 1000.0)
    >>> found.ratio, round(found.probability, 5)
    (0.25, 0.00408)
    >>> compare_rates(0, 10.0, 0, 10.0).probability
    1.0
    """
    total = before + after
    share = exposure_after / (exposure_before + exposure_after)
    if total <= 0.0:
        return Rates(1.0, (0.0, math.inf), 1.0)
    low = float(betaincinv(after, before + 1.0, 0.025)) if after > 0.0 else 0.0
    high = float(betaincinv(after + 1.0, before, 0.975)) if before > 0.0 else 1.0
    per = exposure_before / exposure_after
    odds = (low / (1.0 - low) * per if low < 1.0 else math.inf, high / (1.0 - high) * per if high < 1.0 else math.inf)
    # The binomial tails as incomplete beta functions, which also take counts shrunk by their dispersion.
    below = float(betainc(before, after + 1.0, 1.0 - share)) if before > 0.0 else 1.0
    above = float(betainc(after, before + 1.0, share)) if after > 0.0 else 1.0
    return Rates(after / before * per if before > 0.0 else math.inf, odds, min(1.0, 2.0 * min(below, above)))


def shares_differ(faults_before: int, before: int, faults_after: int, after: int) -> float:
    """Two-sided probability that drives with a fault fall on the two sides so unevenly by chance.

    Valid: counts up to some hundreds. Reference: Fisher's exact test, here twice the smaller tail.

    >>> round(shares_differ(3, 3, 0, 3), 3), round(shares_differ(4, 4, 0, 4), 4)
    (0.1, 0.0286)
    """
    faults, every = faults_before + faults_after, before + after
    ways = [
        math.comb(before, k) * math.comb(after, faults - k) if 0 <= faults - k <= after else 0
        for k in range(min(before, faults) + 1)
    ]
    total = math.comb(every, faults)
    below = sum(ways[: faults_before + 1]) / total
    above = sum(ways[faults_before:]) / total
    return min(1.0, 2.0 * min(below, above))


def error_of_mean(values: FloatArray, blocks: FloatArray) -> float:
    """Standard error of the mean of readings that resemble their neighbours, from the means of blocks of them.

    Parameters: values [n]; blocks [n], the number of the block that each belongs to. NaN with fewer than two blocks.
    Valid: blocks longer than the readings remember. Reference: batch means (Law and Kelton, from memory).

    >>> error_of_mean(np.array([1.0, 1.0, 3.0, 3.0]), np.array([0.0, 0.0, 1.0, 1.0]))
    1.0
    """
    names, place = np.unique(blocks, return_inverse=True)
    if len(names) < 2:
        return math.nan
    sizes = np.bincount(place).astype(np.float64)
    off = np.bincount(place, weights=values - float(np.mean(values)))
    scale = len(names) / (len(names) - 1.0)
    return float(math.sqrt(scale * float(np.sum(off**2))) / sizes.sum())


def levels_alike(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Level of each drive on the same mix of conditions [drives]; NaN where nothing connects a drive to the others.

    Parameters: values [drives, cells], the mean of each drive in each cell of conditions, NaN where it was not there;
    weights [drives, cells], how much each mean weighs. A value is the sum of a level of the drive and an effect of the
    cell; the mix is that of the weights of all drives together.
    Valid: the effect of a cell is the same in every drive. Reference: two-way additive model by weighted least squares
    (least-squares means; textbook on linear models).

    >>> seen = np.array([[1.0, 5.0], [np.nan, 6.0]])  # cells differ by 4: the second drive is 1 higher throughout
    >>> levels_alike(seen, np.array([[1.0, 1.0], [0.0, 2.0]])).round(6).tolist()
    [4.0, 5.0]
    """
    present = np.isfinite(values) & (weights > 0.0)
    member = _connected(present)
    rows, columns = np.nonzero(present & member[:, None])
    levels = np.full(len(values), np.nan)
    if not len(rows):
        return levels
    drives, cells = values.shape
    design = np.zeros((len(rows), drives + cells))
    design[np.arange(len(rows)), rows] = 1.0
    design[np.arange(len(rows)), drives + columns] = 1.0
    root = np.sqrt(weights[rows, columns])
    fitted = np.linalg.lstsq(design * root[:, None], values[rows, columns] * root, rcond=None)[0]
    mix = np.where(present & member[:, None], weights, 0.0).sum(axis=0)
    levels[member] = fitted[:drives][member] + float(mix @ fitted[drives:] / mix.sum())
    return levels


def _connected(present: BoolArray) -> BoolArray:
    """Mark the largest group of drives that share cells with each other, directly or through others."""
    left = set(np.flatnonzero(present.any(axis=1)).tolist())
    best: set[int] = set()
    while left:
        group: set[int] = set()
        edge = {min(left)}
        while edge:
            group |= edge
            cells = present[sorted(group)].any(axis=0)
            edge = {drive for drive in left - group if (present[drive] & cells).any()}
        best = max(best, group, key=len)
        left -= group
    member = np.zeros(len(present), dtype=np.bool_)
    member[sorted(best)] = True
    return member
