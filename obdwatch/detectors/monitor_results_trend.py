"""Whether a margin shrinks from drive to drive: a robust slope, and how likely chance alone makes such an order."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import ndtr

from obdwatch.physics.statistics import mann_kendall, theil_sen
from obdwatch.records import FloatArray

FEWEST = 3
"""Two values always lie on a line."""


@dataclass(frozen=True, slots=True)
class Drift:
    """Slope of the margin [% per step of the axis] with its 95 % interval, and the chance of such a fall."""

    slope: float
    interval: tuple[float, float]
    chance_of_fall: float
    drives: int


def drift(at: FloatArray, values: FloatArray) -> Drift | None:
    """Return how values drift along `at` [n], None for fewer than three or where all stand at one place.

    Slope after Theil and Sen, its interval from the variance of Mann's S (Sen 1968).

    >>> found = drift(np.arange(8.0), np.array([40.0, 37.0, 33.0, 30.0, 26.0, 22.0, 19.0, 15.0]))
    >>> found.slope, found.chance_of_fall < 0.001
    (-3.6, True)
    """
    slope = theil_sen(at, values) if len(values) >= FEWEST else None
    if slope is None:
        return None
    chance = float(ndtr(mann_kendall(values).normal))
    return Drift(slope.slope, (slope.low, slope.high), chance, len(values))
