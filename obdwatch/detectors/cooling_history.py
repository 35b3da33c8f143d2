"""The cooling system against this car's own past: the level it idles at when hot, and the level it drives at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.cooling_levels import own_by_session
from obdwatch.detectors.oxygen_sensors_baseline import features_of
from obdwatch.detectors.warm_up import CAUTION
from obdwatch.physics.heat_rejection import hotter_air_allowance
from obdwatch.physics.order_statistics import median
from obdwatch.physics.prediction import Norm, predict
from obdwatch.records import History

HOTTER_MEDIAN, HOTTER_TOP = 3.0, 1.5
"""Hotter than before by more than a thermostat's hysteresis (2 to 4 K) above the middle of the earlier drives, and by
more than the resolution of two readings of a 1 K scale above the hottest of them."""

MAPPED_FEWEST = 6
"""A thermostat that may be mapped changes its level from drive to drive: more drives are needed to know it, and only
at idle, as on the road it may hold 90 degC all day and 105 degC the next."""

MOST_ALLOWANCE = 8.0
"""Earlier drives in air colder by more [K] say nothing: the coolant itself may then be hotter by as much."""

AGAIN = 2
"""So many earlier drives that overheated make it a repeated overheating, which a leaking head gasket is a cause of."""


@dataclass(frozen=True, slots=True)
class Before:
    """What earlier healthy drives showed: `middle` and `limit` [degC] allowed for today's air, from `drives` drives."""

    middle: float
    limit: float
    drives: int


def before(history: History, name: str, air: float | None, fewest: int) -> Before | None:
    """Return what a level was on `fewest` or more earlier healthy drives in comparable air, None for fewer."""
    values = [value for value, _ in _in_like_air(history, name, air)]
    if len(values) < fewest:
        return None
    middle, top = median(values), float(np.max(values))
    return Before(middle, max(middle + HOTTER_MEDIAN, top + HOTTER_TOP), len(values))


def _in_like_air(history: History, name: str, air: float | None) -> list[tuple[float, str]]:
    """Return a level on earlier healthy drives in comparable air, as hot as today's may make it, with the session."""
    airs = {session: value for value, session in own_by_session(history, "outside_air")}
    values = []
    for value, session in own_by_session(history, name):
        earlier = airs.get(session)
        allowance = hotter_air_allowance(air, earlier) if air is not None and earlier is not None else 0.0
        if allowance <= MOST_ALLOWANCE:
            values.append((value + allowance, session))
    return values


USUAL_DRIVING = Norm(level=0.0, between=2.5, within=0.9)
"""Level on the road above where a plain thermostat begins to open [K]: within the tolerance of thermostat and sensor
(2 K each), and from drive to drive within a count of the 1 K scale and half its hysteresis (common practice)."""

USUAL_STANDING = Norm(level=3.0, between=4.0, within=1.2)
"""As USUAL_DRIVING at the end of a stand with the engine running, where a fan may regulate instead (common practice).
"""

CHANCE = 1e-3
"""Chance that a sound drive lies beyond the limit."""

AS_LONG = 0.7
"""An idling engine climbs for as long as no fan comes in: an earlier stand shorter than this share of today's says
little of how hot today's may get."""


def expected(
    history: History, name: str, level: float | None, norm: Norm, air: float | None, stand: float = 0.0
) -> Before | None:
    """Return what a level of a plain thermostat should be by one or two earlier healthy drives; None without any.

    `level` [degC] is where it begins to open; `air` [degC] outside; `stand` [s] how long the car stood today.
    """
    if level is None:
        return None
    stands = {session: value for value, session in own_by_session(history, "hot_stand")} if stand else {}
    values = np.array(
        [
            value - level
            for value, session in _in_like_air(history, name, air)
            if stands.get(session, 0.0) >= AS_LONG * stand
        ]
    )
    if not len(values):
        return None
    usual = predict(norm, np.zeros(len(values)), values)
    limit = max(usual.middle + max(HOTTER_MEDIAN, usual.limit(CHANCE)), float(np.max(values)) + HOTTER_TOP)
    return Before(level + usual.middle, level + limit, usual.readings)


def hot_drives(history: History) -> int:
    """Return on how many earlier drives the coolant got dangerously hot."""
    return len(
        {
            f.session_id
            for f in features_of(history, "cooling", "hottest_coolant")
            if not f.healthy and f.value >= CAUTION
        }
    )
