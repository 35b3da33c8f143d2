"""How much of the mixture's swing before a three-way catalyst survives behind it, from sampled sensors.

A catalyst stores oxygen and gives it back; while it can, the exhaust behind it stays even. Means of distances from a
short running mean need no fast sampling: seen however seldom, a swing keeps its height. Reference: common practice of
judging a catalyst by rear over front sensor activity.
"""

from __future__ import annotations

import numpy as np

from obdwatch.records import FloatArray

SWITCH_CENTRE = 0.45
"""Voltage of a switching sensor at the point where it switches [V] (common practice)."""

SWITCH_HALF_HEIGHT = 0.4
"""From there to its rich and lean ends [V] (common practice: 0.05 to 0.85 V)."""

SWITCH_HALF_WIDTH = 0.005
"""Distance from lambda 1 within which most of the switch happens [-] (common practice: half a percent)."""


def switching_voltage(equivalence_ratio: FloatArray) -> FloatArray:
    """Voltage a switching sensor would show [V] where a wide-range one measures this ratio.

    Parameters: equivalence_ratio, excess air (lambda) [-].
    Valid: hot sensor, equilibrium exhaust, within some percent of 1. A smooth step stands for the Nernst voltage;
    height and width are common practice.

    >>> switching_voltage(np.array([0.97, 1.0, 1.03])).round(2).tolist()
    [0.85, 0.45, 0.05]
    """
    step: FloatArray = np.tanh((1.0 - equivalence_ratio) / SWITCH_HALF_WIDTH)
    return SWITCH_CENTRE + SWITCH_HALF_HEIGHT * step


def running_mean(times: FloatArray, values: FloatArray, half_window: float) -> FloatArray:
    """Mean of the readings within `half_window` [s] of each reading.

    Parameters: times [s], increasing; values, of equal length.

    >>> running_mean(np.arange(5.0), np.array([0.0, 1.0, 2.0, 3.0, 4.0]), 1.0).tolist()
    [0.5, 1.0, 2.0, 3.0, 3.5]
    """
    total = np.concatenate(([0.0], values.cumsum()))
    first, end = times.searchsorted(times - half_window, "left"), times.searchsorted(times + half_window, "right")
    mean: FloatArray = (total[end] - total[first]) / (end - first)
    return mean


def activity(times: FloatArray, values: FloatArray, half_window: float) -> float:
    """Mean distance of readings from their short running mean, in the unit of the values.

    Parameters: times [s], increasing; values, of equal length; half_window [s], about one swing.
    A square wave between 0.05 and 0.85 V has 0.4 V.

    >>> wave = np.where(np.arange(200) % 2 == 0, 0.05, 0.85)
    >>> round(activity(np.arange(200) * 0.5, wave, 25.0), 2)
    0.4
    """
    return float(np.mean(np.abs(values - running_mean(times, values, half_window))))
