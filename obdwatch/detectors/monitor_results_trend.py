"""Whether a margin shrinks from drive to drive: a robust slope, and how likely chance alone makes such an order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from obdwatch.records import FloatArray


@dataclass(frozen=True, slots=True)
class Drift:
    """Slope of the margin [% per step of the axis] with its 95 % interval, and the chance of such a fall."""

    slope: float
    interval: tuple[float, float]
    chance_of_fall: float
    drives: int


def mann_kendall(values: FloatArray) -> tuple[float, float, float]:
    """Return Mann's S, its variance with ties, and the normal score with continuity correction [-].

    Reference: Mann 1945, Kendall 1975; variance with the usual correction for ties.

    >>> mann_kendall(np.array([1.0, 2.0, 3.0, 4.0, 5.0]))[0]
    10.0
    """
    count = len(values)
    ahead = np.triu(np.sign(values[None, :] - values[:, None]), 1)
    score = float(ahead.sum())
    _, ties = np.unique(values, return_counts=True)
    spread = count * (count - 1) * (2 * count + 5) - float(np.sum(ties * (ties - 1) * (2 * ties + 5)))
    variance = spread / 18.0
    normal = (score - np.sign(score)) / np.sqrt(variance) if variance > 0.0 else 0.0
    return score, variance, float(normal)


def drift(at: FloatArray, values: FloatArray) -> Drift | None:
    """Return how values drift along `at` [n], None for fewer than three or where all stand at one place.

    Slope after Theil and Sen, its interval from the variance of Mann's S (Sen 1968).

    >>> found = drift(np.arange(8.0), np.array([40.0, 37.0, 33.0, 30.0, 26.0, 22.0, 19.0, 15.0]))
    >>> found.slope, found.chance_of_fall < 0.001
    (-3.6, True)
    """
    first, second = np.triu_indices(len(values), 1)
    apart = at[second] - at[first]
    usable = apart > 0.0
    if len(values) < 3 or not usable.any():
        return None
    slopes = np.sort((values[second] - values[first])[usable] / apart[usable])
    _, variance, normal = mann_kendall(values)
    half = 1.96 * np.sqrt(variance)
    ends = np.clip([(len(slopes) - half) / 2.0 - 1.0, (len(slopes) + half) / 2.0], 0, len(slopes) - 1)
    low, high = (float(slopes[round(float(end))]) for end in ends)
    return Drift(float(np.median(slopes)), (low, high), float(ndtr(normal)), len(values))
