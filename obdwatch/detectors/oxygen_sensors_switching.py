"""How a switching sensor swings at a steady warm cruise, and which of that the sampling can show.

Height and the share of readings between rich and lean need no fast sampling: they are the same however seldom one
looks. The rate of switching does: a rate is told only where several samples fall on each swing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.oxygen_sensors_record import BACK_VOLTAGE
from obdwatch.detectors.sampled import spacing
from obdwatch.physics.order_statistics import quantiles
from obdwatch.physics.oxygen_sensing import visible_crossings
from obdwatch.records import BoolArray, Signal

BETWEEN = (0.3, 0.6)
"""Voltages [V] between which the time of a switch is read (common practice; 0.3 to 0.6 V in US test rules, from
memory)."""

ENDS = (0.05, 0.95)
"""Quantiles of the readings that stand for the lean and the rich end: single odd readings do not count."""

HIGHEST_VOLTAGE = 1.1
"""More than a switching sensor can give [V] (Nernst voltage of rich exhaust, about 1.0): then the voltage is one that
the control unit computes for a sensor of another kind."""

ENOUGH_READINGS = 60
"""Readings at cruise below which nothing is said of the swing: three at each end by the quantiles above."""

ENOUGH_SWITCHES = 10
"""Switches that make a mean of their time."""

FASTEST_SOUND = 5.0
"""Crossings of a sound sensor [1/s], at most (common practice: 0.5 to 5 at 2,500 1/min)."""

SLOWEST_FOR_SWITCHES = 0.5
"""Spacing of readings [s] beyond which whole swings fall between them and no time of a switch is told."""


@dataclass(frozen=True, slots=True)
class Swing:
    """How the sensor swung: its `lean` and `rich` ends, its `middle` [V], and the share of readings `between` them.

    `switch_time` [s] is the mean way through `BETWEEN`, an upper bound; `rate` [1/s] that of crossings, None where the
    sampling cannot show it; `visible` [1/s] the highest rate it would show; `seconds` of cruise were seen.
    """

    lean: float
    middle: float
    rich: float
    between: float
    switch_time: float | None
    rate: float | None
    visible: float
    seconds: float
    readings: int
    crossings: int


def swing(front: Signal, taken: BoolArray) -> Swing | None:
    """Return how a switching sensor swung in the readings `taken`; None where these are too few."""
    count = int(np.count_nonzero(taken))
    if count < ENOUGH_READINGS or quantiles(front.values, (0.99,))[0] > HIGHEST_VOLTAGE:
        return None
    values, usual = front.values[taken], spacing(front)
    lean, middle, rich = quantiles(values, (ENDS[0], 0.5, ENDS[1]))
    next_to = taken[1:] & taken[:-1] & (np.diff(front.times) <= 2.0 * usual)
    seconds = float(np.sum(np.diff(front.times)[next_to]))
    inside = (front.values > BETWEEN[0]) & (front.values < BETWEEN[1])
    between = float(np.count_nonzero(inside & taken)) / count
    switches = _switches(front, taken)
    switch_time = (
        between * seconds / switches if switches >= ENOUGH_SWITCHES and usual <= SLOWEST_FOR_SWITCHES else None
    )
    rich_now = front.values >= BACK_VOLTAGE
    crossings = int(np.count_nonzero((rich_now[1:] != rich_now[:-1]) & next_to))
    visible = visible_crossings(usual)
    rate = crossings / seconds if seconds > 0.0 and crossings >= ENOUGH_SWITCHES else None
    # A swing faster than the readings shows some slow rate too. A rate is told only where every rate a sound sensor
    # can have would show, or where single switches are seen to take longer than the readings are apart.
    if visible < FASTEST_SOUND and (switch_time is None or switch_time < usual):
        rate = None
    return Swing(lean, middle, rich, between, switch_time, rate, visible, seconds, count, crossings)


def _switches(front: Signal, taken: BoolArray) -> int:
    """Return how often the readings went from one end of `BETWEEN` to the other."""
    state = np.where(front.values <= BETWEEN[0], -1, np.where(front.values >= BETWEEN[1], 1, 0))
    told = state[taken & (state != 0)]
    return int(np.count_nonzero(told[1:] != told[:-1]))
