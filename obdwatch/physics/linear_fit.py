"""Least squares of a few known shapes on a time series whose errors hang together, with prior knowledge of each size.

Neighbouring errors of a signal that is controlled (a fuel trim) are alike, so that a thousand readings are far fewer
independent ones; the error of every result is widened by what the residuals themselves show. Outliers are weighed down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.physics.order_statistics import median
from obdwatch.records import FloatArray

ROUNDS = 4
"""Times the weights of outliers are found anew; they hardly change after the third."""

HUBER = 1.345
"""Residual in standard deviations beyond which a reading counts less: 95 % efficient for normal errors (Huber)."""

MAD_TO_SIGMA = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution."""

MOST_ALIKE = 0.95
"""Correlation of neighbouring errors beyond which it is no longer told from a drift: 39 readings then count as one."""


@dataclass(frozen=True, slots=True)
class LinearFit:
    """Sizes of the shapes and their `covariance`; `scatter` of one reading, `alike`: correlation of neighbouring
    errors; `log_evidence` up to a constant that is the same for all fits of the same readings and scatter.
    """

    sizes: FloatArray
    covariance: FloatArray
    scatter: float
    alike: float
    log_evidence: float

    def at(self, row: FloatArray) -> tuple[float, float]:
        """Return value and standard deviation of a mixture of the shapes."""
        return float(row @ self.sizes), float(np.sqrt(row @ self.covariance @ row))


def serial_correlation(times: FloatArray, errors: FloatArray, gap: float) -> float:
    """Return how alike neighbouring errors are, 0 to 0.95; neighbours further apart than `gap` [s] do not count.

    Valid: a dozen pairs or more; fewer tell nothing and give 0. Reference: first-order autoregression.

    >>> swing = np.array([1.0, 1.0, 1.0, -1.0, -1.0, -1.0] * 4)
    >>> round(serial_correlation(np.arange(24.0), swing, 2.0), 2)
    0.39
    """
    near = times[1:] - times[:-1] <= gap
    if np.count_nonzero(near) < FEWEST_PAIRS:
        return 0.0
    first, second = errors[:-1][near], errors[1:][near]
    power = float(np.sqrt((first**2).mean() * (second**2).mean()))
    return min(max(float((first * second).mean()) / power, 0.0), MOST_ALIKE) if power > 0.0 else 0.0


FEWEST_PAIRS = 12
"""Neighbouring pairs of errors from which their likeness is a number (its own error is 0.3)."""


def fit_shapes(
    shapes: FloatArray, observed: FloatArray, prior_deviation: FloatArray, times: FloatArray, floor: float, gap: float
) -> LinearFit:
    """Fit sizes so that `shapes` @ sizes = `observed`, each size known beforehand as 0 +- its `prior_deviation`.

    Parameters: shapes [readings, shapes]; observed [readings]; times [s] of the readings, increasing; floor: least
    scatter of one reading (its resolution); gap [s] between neighbours that belong together.
    Valid: linear in the sizes; errors like a first-order autoregression. The independent readings number
    n (1 - r) / (1 + r). Reference: A. Gelman et al., Bayesian Data Analysis, chapter 14 (from memory); Huber's weights.

    >>> t = np.arange(60.0)
    >>> line = fit_shapes(np.stack([np.ones(60), t], axis=1), 2.0 + 0.5 * t, np.array([9.0, 9.0]), t, 0.1, 2.0)
    >>> line.sizes.round(2).tolist()
    [2.0, 0.5]
    """
    precision = np.diag(prior_deviation**-2.0)
    weight = np.ones(len(observed))
    inflation, alike, scatter = 1.0, 0.0, floor
    sizes: FloatArray = np.zeros(shapes.shape[1])
    covariance: FloatArray = np.diag(prior_deviation**2.0)
    errors = observed
    for _ in range(ROUNDS):
        share = 1.0 / (inflation * scatter**2)
        information = (shapes * (weight * share)[:, None]).T @ shapes + precision
        covariance = np.linalg.inv(information).astype(np.float64)
        sizes = covariance @ (shapes.T @ (weight * share * observed))
        errors = observed - shapes @ sizes
        scatter = max(floor, MAD_TO_SIGMA * median(np.abs(errors)))
        weight = np.minimum(1.0, HUBER * scatter / np.maximum(np.abs(errors), 1e-12))
        alike = serial_correlation(times, errors, gap)
        inflation = (1.0 + alike) / (1.0 - alike)
    share = 1.0 / (inflation * scatter**2)
    cost = 0.5 * share * float(np.sum(weight * errors**2)) + 0.5 * float(sizes @ precision @ sizes)
    volume = 0.5 * (np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(precision)[1])
    return LinearFit(sizes, covariance, scatter, alike, float(volume - cost))
