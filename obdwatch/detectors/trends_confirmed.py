"""Whether a number that its own detector finds beyond its limit has grown there over the drives.

That something is wrong was then found, and paid for, by the detector: it is not one of many numbers any more, so that
what is left to ask, whether the earlier drives lie in order, need not share the car's budget (a gate before a second
test: Maurer, Hothorn and Lehmacher 1995). A claim made so never alarms a drive on which nothing else does.
"""

from __future__ import annotations

from obdwatch.detectors.trends_series import Series
from obdwatch.detectors.trends_table import Harm
from obdwatch.physics.statistics import mann_kendall, partial_trend, trend_probability

LEVEL = 0.01
"""Chance of such an order, in the direction of the limit that was passed, by chance alone (common practice)."""

FEWEST_CONFIRMED = 5
"""Fewer drives have no order so rare: one in 4! is 0.04, one in 5! 0.008."""

BEYOND = 2
"""Newest drives that must all lie beyond the limit: one alone is a strange drive, and no trend."""

WEATHER_KNOWN = 8
"""Drives from which the outside temperature can be held against the order."""

BESIDE_WEATHER = 0.1
"""Chance at which the order must still hold beside the outside temperature: ten times the level, as for all numbers."""


def confirmed(series: Series) -> bool:
    """Whether the series has moved to beyond its limit, by the word of its own detector and by the order of drives."""
    values = series.values
    direction = _beyond(series)
    if not series.judged or len(values) < FEWEST_CONFIRMED or direction == 0:
        return False
    found = mann_kendall(values)
    if found.score * direction <= 0 or trend_probability(values, found) / 2.0 > LEVEL:
        return False
    if series.outside is None or len(values) < WEATHER_KNOWN:
        return True
    left, probability = partial_trend(values, series.outside)
    return left * direction > 0.0 and probability / 2.0 <= BESIDE_WEATHER


def _beyond(series: Series) -> int:
    """Return 1 where the newest drives lie above the upper limit, -1 below the lower one, else 0; 0 where harmless."""
    low, high = series.limits
    newest = series.values[-BEYOND:]
    if high is not None and bool((newest > high).all()) and series.rule.harm is not Harm.FALL:
        return 1
    if low is not None and bool((newest < low).all()) and series.rule.harm is not Harm.RISE:
        return -1
    return 0
