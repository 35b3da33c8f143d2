"""The level the coolant settles at while the car idles: there a weak pump shows first, against the car's own past.

At idle a pump delivers least and the thermostat has to open furthest to pass the heat on. Half the delivery then costs
kelvins at idle and next to nothing on the road, where a sensor or a thermostat that is off shows just as much.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.cooling_history import CHANCE, HOTTER_MEDIAN, MOST_ALLOWANCE, Before
from obdwatch.detectors.cooling_levels import PLATEAU_RANGE, own_by_session, standing
from obdwatch.detectors.cooling_places import joined
from obdwatch.detectors.cooling_record import STEP, CoolingRecord
from obdwatch.detectors.heat_input import find_heat
from obdwatch.physics.cooling import OPENING_SPAN
from obdwatch.physics.prediction import Norm, predict
from obdwatch.records import Car, Drive, FloatArray, History

AFTER_STOP, LOOKED_AT, FEWEST_LOOKED_AT = 60.0, 180.0, 120.0
"""From so long after the car counts as standing (two minutes after it stopped), when the heat left in the metal is out,
the coolant is looked at for so long [s], everywhere the same: where a radiator without wind no longer suffices, it
climbs on for as long as the car stands."""

STEADY = 1.0
"""Slope [K/min] up to which idling coolant is held: one count of the 1 K scale at the wrong end of three minutes looks
like 0.5 K/min, and an idling engine gains 2 to 3 K/min where nothing holds it (energy balance)."""

LIKE_HEAT = 0.25
"""Share by which the heat of two idles may differ: the compressor of an air conditioning adds more, and its fan blows
through the radiator as well (common practice)."""

USUAL_IDLE = Norm(level=1.0, between=3.0, within=0.6, slope=0.1, slopes=0.1)
"""Steady idle level above where a plain thermostat begins to open [K], in air of `REFERENCE_AIR`; its slope in K per K
of air. Between cars: thermostat and sensor 2 K each, and the size of the radiator. Of one car: half a count that a
steady level never crosses, heat that differs by a quarter, wax that repeats to half a kelvin, 0.3 to 0.4 K each (common
practice). Slope: the part of
`OPENING_SPAN` that is open, over the 70 K between coolant and air, at least 0.05, and up to 0.2 where the thermostat is
open and the coolant still climbs (energy balance)."""

REFERENCE_AIR = 20.0
"""Outside air [degC] for which the norm is stated."""


@dataclass(frozen=True, slots=True)
class Idle:
    """A steady idle: `level` of the coolant [degC] and `heat` of the fuel [kW], None where nothing tells of it."""

    level: float
    heat: float | None


def steady_idle(drive: Drive, car: Car | None, record: CoolingRecord, warm_at: int) -> Idle | None:
    """Return the mean level of the steady idles of a drive from a step on; None where there was none."""
    still = standing(record)
    still[:warm_at] = False
    first, count = int(AFTER_STOP / STEP), int(LOOKED_AT / STEP)
    parts = [slice(start + first, min(end, start + first + count)) for start, end in joined(still, 1)]
    steady = [part for part in parts if _is_steady(record.times[part], record.coolant[part])]
    if not steady:
        return None
    at = np.concatenate([record.times[part] for part in steady])
    level = float(np.mean(np.concatenate([record.coolant[part] for part in steady])))
    found = find_heat(drive, car, at)
    known = found is not None and not found.lean and bool(np.isfinite(found.heat).any())
    return Idle(level, float(np.nanmean(found.heat)) if found is not None and known else None)


def _is_steady(times: FloatArray, coolant: FloatArray) -> bool:
    if len(coolant) * STEP < FEWEST_LOOKED_AT or not np.isfinite(coolant).all():
        return False
    if np.ptp(coolant) > PLATEAU_RANGE:
        return False
    from_middle = times - np.mean(times)
    slope = 60.0 * float(from_middle @ coolant / (from_middle @ from_middle))
    return abs(slope) <= STEADY


def idle_before(history: History, idle: Idle | None, opening: float | None, air: float | None) -> Before | None:
    """Return what today's steady idle should be by earlier healthy ones with like heat; None without any.

    `opening` [degC] is where the plain thermostat begins to open, `air` [degC] is outside. Once it is fully open the
    coolant follows the air degree by degree, so a level beyond that is not judged here.
    """
    if idle is None or idle.heat is None or opening is None or air is None:
        return None
    if idle.level > opening + OPENING_SPAN:
        return None
    heats, airs = dict(_by_session(history, "idle_heat")), dict(_by_session(history, "outside_air"))
    rows = [
        (airs[session] - REFERENCE_AIR, level - opening)
        for session, level in _by_session(history, "idle_level")
        if session in heats
        and session in airs
        and abs(heats[session] - idle.heat) <= LIKE_HEAT * idle.heat
        and air - airs[session] <= MOST_ALLOWANCE
    ]
    if not rows:
        return None
    at, values = np.array(rows).T
    usual = predict(USUAL_IDLE, at, values, air - REFERENCE_AIR)
    middle = opening + usual.middle
    return Before(middle, middle + max(HOTTER_MEDIAN, usual.limit(CHANCE)), usual.readings)


def _by_session(history: History, name: str) -> list[tuple[str, float]]:
    return [(session, value) for value, session in own_by_session(history, name)]
