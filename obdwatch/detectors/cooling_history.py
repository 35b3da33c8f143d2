"""The cooling system against this car's own past: the level it idles at when hot, and the level it drives at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.cooling_levels import FEWEST_OWN, own_by_session
from obdwatch.detectors.warm_up import CAUTION
from obdwatch.physics.heat_rejection import hotter_air_allowance
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


def before(history: History, name: str, air: float | None, fewest: int = FEWEST_OWN) -> Before | None:
    """Return what a level was on `fewest` or more earlier healthy drives in comparable air, None for fewer."""
    airs = {session: value for value, session in own_by_session(history, "outside_air")}
    values = []
    for value, session in own_by_session(history, name):
        earlier = airs.get(session)
        allowance = hotter_air_allowance(air, earlier) if air is not None and earlier is not None else 0.0
        if allowance <= MOST_ALLOWANCE:
            values.append(value + allowance)
    if len(values) < fewest:
        return None
    middle, top = float(np.median(values)), float(np.max(values))
    return Before(middle, max(middle + HOTTER_MEDIAN, top + HOTTER_TOP), len(values))


def hot_drives(history: History) -> int:
    """Return on how many earlier drives the coolant got dangerously hot."""
    return len(
        {
            f.session_id
            for f in history.features
            if f.detector == "cooling" and f.name == "hottest_coolant" and not f.healthy and f.value >= CAUTION
        }
    )
