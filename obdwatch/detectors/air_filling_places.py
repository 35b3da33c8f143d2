"""Where in the range of engine speeds is air missing: low down, high up, or everywhere?

The split between low and high is looked for, not assumed: flaps and cams change over at a speed of each engine's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.air_filling_bands import WIDTH, Losses
from obdwatch.records import FloatArray

LOWEST_SPLIT, HIGHEST_SPLIT = 2500.0, 4500.0
"""Speeds between which engines change over flaps and cams [1/min] (common practice)."""

FEWEST_READINGS = 6.0
"""Readings on either side of the split from which the sides are compared: two bands' worth."""

FEWEST_SIGMA = 3.0
"""Standard deviations a step between low and high must reach."""

SHAPE_ERROR = 0.7
"""Scatter of a healthy engine's bands about a level [%]: steps of 500 1/min in the car's own table of full load (common
practice: a fraction of a per cent to one per cent)."""


@dataclass(frozen=True, slots=True)
class Place:
    """Mean loss `low` below and `high` above the speed `split` [1/min], and `overall` [%].

    `error` is the standard deviation of high - low, `level_error` that of `overall` [%].

    Where all readings lie on one side of every split, `split` is None and `low` and `high` are both `overall`.
    """

    low: float
    high: float
    overall: float
    split: float | None
    error: float
    level_error: float

    @property
    def step(self) -> float:
        """How much more is missing above the split than below [%]; negative where it is low down."""
        return self.high - self.low

    @property
    def sure(self) -> bool:
        """Whether the step stands out of the scatter."""
        return self.split is not None and abs(self.step) >= FEWEST_SIGMA * self.error


def place_of(losses: Losses) -> Place:
    """Return the split at which low and high differ most, in standard deviations of the difference."""
    weight = 1.0 / (losses.error**2 + SHAPE_ERROR**2)
    overall = _middle(losses.loss, weight)
    level_error = float(np.hypot(1.0 / np.sqrt(weight.sum()), losses.level_error))
    best: Place | None = None
    for split in np.arange(LOWEST_SPLIT, HIGHEST_SPLIT + 1.0, WIDTH):
        below = losses.middle < split
        if min(losses.count[below].sum(), losses.count[~below].sum()) < FEWEST_READINGS:
            continue
        low, high = _middle(losses.loss[below], weight[below]), _middle(losses.loss[~below], weight[~below])
        error = float(np.sqrt(1.0 / weight[below].sum() + 1.0 / weight[~below].sum()))
        here = Place(low, high, overall, float(split), error, level_error)
        if best is None or abs(here.step) / here.error > abs(best.step) / best.error:
            best = here
    return best or Place(overall, overall, overall, None, float("inf"), level_error)


def _middle(values: FloatArray, weight: FloatArray) -> float:
    """Return the weighted median, half way between two bands that share the middle; one bad band does not move it."""
    order = np.argsort(values)
    reached = np.cumsum(weight[order]) / weight.sum()
    return float(np.interp(0.5, reached - weight[order] / weight.sum() / 2.0, values[order]))
