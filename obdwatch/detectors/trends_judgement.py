"""Whether a series moves beyond chance and weather, how it moves, and when it meets its limit.

The chance of a false claim is a budget of the car, not of a test. It is divided evenly among the features that are
followed, halved between slow drift and shift, and spent over the drives: the n-th value of a feature may spend the
share FEWEST / (n (n + 1)), which sums to one however long the car is followed (alpha spending with the union bound:
Holm 1979; Lan and DeMets 1983). Three things keep the budget honest where drives are not independent: drives that
resemble their neighbours widen the variance of the test; where the outside temperature is known, only what it does not
explain counts; where it is not, nothing is claimed before a year has passed.

A number that its own detector finds beyond its limit on this very drive is asked apart, outside the budget and from
fewer drives on: `trends_confirmed` says why.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from obdwatch.detectors.trends_confirmed import BEYOND, confirmed
from obdwatch.detectors.trends_series import Axis, Series
from obdwatch.detectors.trends_table import Harm
from obdwatch.physics.order_statistics import median
from obdwatch.physics.statistics import (
    inflated_probability,
    mann_kendall,
    partial_trend,
    student_probability,
    theil_sen,
    trend_probability,
    variance_inflation,
)
from obdwatch.physics.statistics_shift import rank_shift, step_probability
from obdwatch.records import FloatArray

BUDGET = 0.02
"""Chance that a healthy car ever gets a false claim of a drift, over all features and drives (our choice: at most 1 to
3 cars in 100)."""

FEWEST = 8
"""Fewer values of a feature are not tested: before, no order is rare enough for the share of the budget."""

YEAR = 365.0
"""Days after which every season has been seen."""

WEATHER_SHARE = 10.0
"""Beside the outside temperature a drift may be so many times less rare than the budget asks of it alone: at most one
number in ten follows the weather as closely as its drives follow the seasons (our choice, checked on drawn cars)."""

CAUTION = 1.0
"""Standard errors by which the likeness of neighbouring drives is taken to be larger than it looks: a fuel filling or a
week of weather that lasts several drives is then paid for in most short series too (checked on drawn cars)."""

SHIFT_CAUTION = 1.5
"""The same for a shift: the best of many places takes away half of what made neighbours alike (checked as well)."""

SHORTEST = 5
"""Fewer drives on either side of a shift are a spell, not a level."""

ORDER = 0.001
"""A shift must also be so rare by the order of the values alone, so that single strange drives make none."""

EXPLAINED = 0.001
"""Beside the outside temperature a shift must still be rarer than this; its place has been paid for already."""

HORIZON = {Axis.DISTANCE: 16_093.0, Axis.TIME: 365.0}
"""A limit further away than 10,000 miles [km] or a year [days] is no business of today (the longest forecast of part
risks; a year's driving, common practice)."""

FURTHEST = {Axis.DISTANCE: 160_934.0, Axis.TIME: 3650.0}
"""Ends of a forecast beyond 100,000 miles [km] or ten years [days] all mean the same: not in sight."""

SHIFT_SHARE = 0.5
"""A shift counts when it takes half of the way to the limit: a car that is driven elsewhere shifts a little too."""

CLEAR = 3.0
"""Without a limit, a drift counts when it is so many times the usual scatter between drives."""

EARLY = 3
"""Drives whose middle is where a confirmed drift began: a line through all bends away from a growing one."""

TO_DEVIATION = 1.4826  # median distance to standard deviation, of normal scatter


@dataclass(frozen=True, slots=True)
class Forecast:
    """How far [axis] until the limit is met, with the 95 % interval; 0 where it is met already."""

    limit: float
    distance: float
    interval: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Movement:
    """A series that moves beyond chance: from `first` to `now` (with its interval), steadily or at one place.

    `shift_at` [axis] is where it jumped, None for a drift; `harmful` whether it moves the way wear does and far enough
    to matter; `season` whether the turn of the seasons may explain it.
    """

    series: Series
    first: float
    now: float
    interval: tuple[float, float]
    shift_at: float | None
    forecast: Forecast | None
    harmful: bool
    season: bool = False


def spent(count: int, features: int) -> float:
    """Return the chance of a false claim that one test of `count` values may take, among so many features followed."""
    return BUDGET / 2.0 / max(1, features) * FEWEST / (count * (count + 1.0))


def movement(series: Series, features: int) -> Movement | None:
    """Return how a series moves, None where it does not move beyond chance or too little is known."""
    count = len(series.values)
    if confirmed(series):
        found = _described(series, True, rank_shift(series.values, BEYOND).before)
        return _as_measured(found) if found is not None and found.shift_at is None else found
    if count < FEWEST:
        return None
    level = spent(count, features)
    drifts = _drifts(series, level)
    shift = _shift(series, level)
    return _described(series, drifts, shift) if drifts or shift is not None else None


def _as_measured(found: Movement) -> Movement:
    """Return a drift from its first drives to its newest as measured: what its own detector says of it today."""
    values = found.series.values
    now, (low, high) = float(values[-1]), found.interval
    interval = (low + now - found.now, high + now - found.now)
    return replace(found, first=median(values[:EARLY]), now=now, interval=interval, harmful=True)


def _described(series: Series, drifts: bool, shift: int | None) -> Movement | None:
    """A movement as a drift or as a jump, whichever lies nearer to the values where both are possible."""
    season = not _seasons_seen(series)
    line = theil_sen(series.at, series.values)
    if line is None:
        return None
    off = series.values - line.slope * (series.at - median(series.at)) - median(series.values)
    if shift is not None:
        before, after = series.values[:shift], series.values[shift:]
        stepped = np.concatenate([before - median(before), after - median(after)])
        if not drifts or np.sum(np.abs(stepped)) < np.sum(np.abs(off)):
            return _stepped(series, shift, stepped, season)
    return _drifted(series, off, season)


def _drifts(series: Series, level: float) -> bool:
    """Whether the series drifts beyond chance, and beyond what the outside temperature explains where it is known."""
    values = series.values
    found = mann_kendall(values)
    score, probability = found.score, trend_probability(values, found)
    one_sided = _one_sided(series, score)
    if one_sided is None or probability * one_sided > level:
        return False
    line = theil_sen(series.at, values)
    if line is None:
        return False
    inflation = variance_inflation(series.at, values, line.slope, CAUTION)
    if inflated_probability(probability, inflation) * one_sided > level:
        return False
    if series.outside is None:
        return True
    left, _ = partial_trend(values, series.outside)
    probability = student_probability(left / math.sqrt(inflation), len(values) - 3.0)
    return left * score > 0.0 and probability * one_sided <= WEATHER_SHARE * level


def _shift(series: Series, level: float) -> int | None:
    """Return how many values lie before a shift beyond chance and weather, None where there is none.

    Ranks say where, and that it is no matter of a few strange drives; they cannot say how clear a large shift is.
    """
    values = series.values
    found = rank_shift(values, SHORTEST)
    if found.probability > ORDER:
        return None
    before, after = values[: found.before], values[found.before :]
    one_sided = _one_sided(series, float(median(after) - median(before)))
    stepped = np.concatenate([before - median(before), after - median(after)])
    inflation = variance_inflation(series.at, stepped, 0.0, SHIFT_CAUTION)
    probability = found.places * inflated_probability(step_probability(values, found.before), inflation)
    if one_sided is None or probability * one_sided > level:
        return None
    if series.outside is not None:
        step = (np.arange(len(values)) >= found.before).astype(np.float64)
        if partial_trend(values, series.outside, step)[1] > EXPLAINED:
            return None
    return found.before


def _one_sided(series: Series, direction: float) -> float | None:
    """Return the factor on a two-sided probability, None where the series moves the harmless way."""
    harm = series.rule.harm
    if harm is Harm.BOTH:
        return 1.0
    return 0.5 if (direction > 0.0) == (harm is Harm.RISE) and direction != 0.0 else None


def _seasons_seen(series: Series) -> bool:
    """Whether the turn of the seasons cannot be behind a movement: temperature known, or a whole year followed."""
    return series.outside is not None or (series.days is not None and series.days >= YEAR)


def _drifted(series: Series, off: FloatArray, season: bool) -> Movement | None:
    """A steady drift, by the line through the medians; the scatter of neighbours widens its interval."""
    line = theil_sen(series.at, series.values)
    if line is None:
        return None
    widening = math.sqrt(variance_inflation(series.at, series.values, line.slope))
    low, high = (line.slope + (end - line.slope) * widening for end in (line.low, line.high))
    scatter = TO_DEVIATION * median(np.abs(off))
    error = 1.96 * 1.2533 * scatter * widening / math.sqrt(len(off))  # of a median, whose efficiency is 2/pi
    middle_at, middle = median(series.at), median(series.values)
    reach, past = float(series.at[-1]) - middle_at, float(series.at[0]) - middle_at
    now, first = middle + line.slope * reach, middle + line.slope * past
    interval = (middle - error + low * reach, middle + error + high * reach)
    limit = _limit(series, line.slope)
    if limit is None:
        harmful = abs(now - first) >= CLEAR * scatter
        return Movement(series, first, now, interval, None, None, harmful, season)
    ends = [_until(limit, middle + sign * error, slope, reach, line.slope) for sign in (-1, 1) for slope in (low, high)]
    furthest = FURTHEST[series.axis]
    distance = min(_until(limit, middle, line.slope, reach, line.slope), furthest)
    forecast = Forecast(limit, distance, (min(*ends, furthest), min(max(ends), furthest)))
    harmful = distance <= HORIZON[series.axis]
    return Movement(series, first, now, interval, None, forecast, harmful, season)


def _until(limit: float, middle: float, slope: float, reach: float, direction: float) -> float:
    """Distance from the newest value to where the line meets the limit; infinite where it leads away, 0 once met."""
    ahead = limit - (middle + slope * reach)
    if ahead * direction <= 0.0:
        return 0.0
    return ahead / slope if slope * direction > 0.0 else math.inf


def _stepped(series: Series, before: int, off: FloatArray, season: bool) -> Movement:
    """A jump from one level to another; it says nothing of what comes next, so there is no forecast."""
    first, now = median(series.values[:before]), median(series.values[before:])
    scatter = TO_DEVIATION * median(np.abs(off))
    error = 1.96 * 1.2533 * scatter / math.sqrt(len(off) - before)
    limit = _limit(series, now - first)
    if limit is None:
        harmful, forecast = abs(now - first) >= CLEAR * scatter, None
    else:
        harmful = (now - first) / (limit - first) >= SHIFT_SHARE if (limit - first) * (now - first) > 0.0 else True
        met = (limit - now) * (now - first) <= 0.0
        forecast = Forecast(limit, 0.0, (0.0, 0.0)) if met else None
    shift_at = float(series.at[before])
    return Movement(series, first, now, (now - error, now + error), shift_at, forecast, harmful, season)


def _limit(series: Series, direction: float) -> float | None:
    low, high = series.limits
    return high if direction > 0.0 else low
