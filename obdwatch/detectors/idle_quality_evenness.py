"""How evenly an engine turns at settled idle: quick roughness, and the slow hunting of a control that overshoots."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.sampled import spacing
from obdwatch.physics.catalyst_activity import running_mean
from obdwatch.physics.order_statistics import quantiles
from obdwatch.records import BoolArray, FloatArray, Signal
from obdwatch.signals.alignment import places

SLOWEST_SAMPLING = 0.6
"""Spacing of engine speed readings [s] beyond which roughness is not told: more than five firings fall in between."""

ROUGH_WINDOW = 1.0
"""Half window of the running mean [s] from which quick changes are told; a load that comes on takes longer."""

ROUGH_SHARE = 0.75
"""An engine that stumbles a quarter of the time is rough; one load that comes on is not."""

HUNTING_STEP = 0.5
HUNTING_PERIODS = (1.5, 6.0)
"""Periods of a hunting idle [s] (common practice: one to some seconds; an air conditioning compressor takes longer)."""

HUNTING_WINDOW = 6.0
"""Half window of the running mean [s] that is taken off first."""

HUNTING_SECONDS = 40.0
"""Longest unbroken idle needed [s]: four of the longest swings."""

NEARLY_BEST = 0.9
"""A peak of the correlation so near the highest is as good; among those the shortest is the period."""

ENOUGH_READINGS = 60


@dataclass(frozen=True, slots=True)
class Evenness:
    """`roughness` [1/min], typical distance from the running mean, None where sampled too slowly.

    `swing` [1/min] is the root mean square of slower changes, `period` [s] their most regular period, `regular` how
    regular it is, as a correlation of -1 to 1; 0 where not told.
    """

    roughness: float | None
    swing: float
    period: float
    regular: float


def evenness(speed: Signal, at: FloatArray, settled: BoolArray) -> Evenness | None:
    """Return how evenly the engine turned where it was `settled` on the even grid `at`."""
    index = np.clip(places(at, speed.times) - 1, 0, len(at) - 1)
    taken = settled[index] & (speed.times >= at[0])
    times, values = speed.times[taken], speed.values[taken]
    usual = spacing(speed)
    if len(values) < ENOUGH_READINGS:
        return None
    rough = None
    if usual <= SLOWEST_SAMPLING:
        off = np.abs(values - running_mean(times, values, ROUGH_WINDOW))
        rough = quantiles(off, (ROUGH_SHARE,))[0]
    return Evenness(rough, *_hunting(times, values, usual))


def _hunting(times: FloatArray, values: FloatArray, usual: float) -> tuple[float, float, float]:
    if usual > HUNTING_PERIODS[0] / 2.0:
        return 0.0, 0.0, 0.0
    breaks = np.flatnonzero(np.diff(times) > 4.0 * usual) + 1
    edges = np.concatenate(([0], breaks, [len(times)]))
    longest = int(np.argmax(np.diff(edges)))
    begin, end = int(edges[longest]), int(edges[longest + 1])
    if times[end - 1] - times[begin] < HUNTING_SECONDS:
        return 0.0, 0.0, 0.0
    even = np.arange(times[begin], times[end - 1], HUNTING_STEP)
    speed = np.interp(even, times[begin:end], values[begin:end])
    off = speed - running_mean(even, speed, HUNTING_WINDOW)
    power = np.abs(np.fft.rfft(off, 2 * len(off))) ** 2
    correlation = np.fft.irfft(power)[: len(off)]
    if correlation[0] <= 0.0:
        return 0.0, 0.0, 0.0
    # Fewer pairs lie far apart; without this a long period would look less regular than it is.
    correlation = correlation / correlation[0] * len(off) / (len(off) - np.arange(len(off)))
    first, last = (round(period / HUNTING_STEP) for period in HUNTING_PERIODS)
    within = correlation[first : last + 1]
    peaks = np.flatnonzero((within[1:-1] >= within[:-2]) & (within[1:-1] >= within[2:])) + 1
    if not len(peaks) or within[peaks].max() <= 0.0:
        return float(np.sqrt(np.mean(off**2))), 0.0, 0.0
    # A regular swing also repeats after two and three periods: the first good peak is its period.
    best = first + int(peaks[within[peaks] >= NEARLY_BEST * within[peaks].max()][0])
    return float(np.sqrt(np.mean(off**2))), best * HUNTING_STEP, float(correlation[best])
