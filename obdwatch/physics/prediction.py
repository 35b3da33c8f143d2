"""What a known car should show next: its own few readings, weighed against what is usual between cars.

A car without a past is only known by the norm, one earlier reading already tells most of it, and with many the norm
no longer matters. The spread of one car's readings is treated the same way, so that two that happen to agree do not
prove a car so exact. Reference: A. Gelman et al., Bayesian Data Analysis, chapters 2, 3 and 14 (normal model with
conjugate priors, regression with prior information) (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from obdwatch.records import FloatArray

SPREAD_KNOWN = 8.0
"""The usual spread of one car's readings counts as much as that many readings of its own: it is known within a
quarter (1 / sqrt(2 * 8))."""


@dataclass(frozen=True, slots=True)
class Norm:
    """What is usual, in the unit of the quantity: `level` and its standard deviation `between` cars; `slope` along a
    condition (per kelvin, say) and its standard deviation `slopes`; `within`, the spread of one car's readings.
    """

    level: float
    between: float
    within: float
    slope: float = 0.0
    slopes: float = 0.0


@dataclass(frozen=True, slots=True)
class Prediction:
    """Student's t distribution of the next reading: `middle`, `spread` (its scale), `freedom`, from `readings`."""

    middle: float
    spread: float
    freedom: float
    readings: int

    def limit(self, chance: float, error: float = 0.0) -> float:
        """Return how far the next reading may lie from the middle, to one side, but for a `chance` [-].

        `error` is a standard error of the reading itself.

        >>> round(Prediction(0.0, 1.0, 1e9, 5).limit(0.025), 2), round(Prediction(0.0, 1.0, 10.0, 5).limit(0.025), 2)
        (1.96, 2.23)
        """
        return float(-stdtrit(self.freedom, chance) * np.hypot(self.spread, error))


def predict(norm: Norm, at: FloatArray, values: FloatArray, now: float = 0.0) -> Prediction:
    """Predict the next reading of a car, under the condition `now`, from its earlier ones.

    Parameters: norm; values [any] of earlier readings and the condition `at` each of them; now, the condition today
    in the same unit. The norm's level holds at the condition 0.
    Valid: readings that do not depend on each other, a straight line in the condition. Reference: normal linear model
    with a conjugate prior; its spread from the norm's and the readings' own, as a scaled inverse chi-square.

    >>> norm = Norm(level=10.0, between=2.0, within=1.0)
    >>> new = predict(norm, np.empty(0), np.empty(0))
    >>> new.middle, round(new.spread, 3)  # nothing known of this car: 2 between cars and 1 within, at right angles
    (10.0, 2.236)
    >>> one = predict(norm, np.zeros(1), np.array([15.0]))
    >>> one.middle  # four fifths of the way to the only reading: 4 / (4 + 1)
    14.0
    """
    readings = np.asarray(values, dtype=np.float64)
    design = np.column_stack([np.ones(len(readings)), np.asarray(at, dtype=np.float64)])
    usual, deviation = np.array([norm.level, norm.slope]), np.array([norm.between, norm.slopes])
    today = np.array([1.0, now])
    freedom = SPREAD_KNOWN + len(readings)
    known, off = np.diag(deviation**2), readings - design @ usual
    gathered, pulled = design.T @ design, design.T @ off
    variance, mean, covariance = norm.within**2, usual, known
    for _ in range(2):  # the second time with the spread that the first fit has shown
        covariance = known @ np.linalg.inv(np.eye(2) + gathered @ known / variance)
        mean = usual + covariance @ pulled / variance
        left = readings - design @ mean
        variance = (SPREAD_KNOWN * norm.within**2 + float(left @ left)) / freedom
    spread = float(np.sqrt(variance + today @ covariance @ today))
    return Prediction(float(today @ mean), spread, freedom, len(readings))
