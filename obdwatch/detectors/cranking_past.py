"""A start against this car's own earlier starts at comparable engine temperature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.cranking_record import Start
from obdwatch.detectors.oxygen_sensors_baseline import FEWEST_DRIVES, MAD_TO_SIGMA, since_repair
from obdwatch.physics.cranking import speed_at_voltage
from obdwatch.physics.statistics import theil_sen
from obdwatch.records import History

REPAIRS: tuple[str, ...] = ("battery", "starter_motor")
"""A new one of these starts the car's numbers anew."""

NOTHING_FOUND = "nothing_found"
"""Kept with every start that showed no fault: what an incomplete start did show, such as the resting voltage of a car
whose control units sleep, is as good for the past as that of a healthy one."""

FROM_ADAPTER = "voltage_from_adapter"
"""Kept with every start: the two sources differ by some tenths of a volt and are not compared with each other."""

NEIGHBOURS = 15.0
"""Starts within so much [K] are comparable without a line: the load-test table moves by 0.3 V over it."""

FITTED, FITTED_SPAN, FITTED_WITHIN = 6, 20.0, 30.0
"""So many starts over so many kelvin, none farther from today's than the last, make a line of the car's own: from frost
to a hot engine the relation is bent (viscosity of oil)."""

SPEED_PER_KELVIN = 0.008
"""A colder engine turns slower by up to this share per kelvin: about half the speed at -18 as at +25 degC
(common practice); warmth is never taken as an excuse."""

SAG_PER_KELVIN, RESTING_PER_KELVIN = 0.03, 0.003
"""A colder start may sag deeper by so much [V/K] (the load-test table: 1.1 V over 38 K), and rest lower [V/K]
(six cells at about 0.2 mV/K and the higher resistance; from memory)."""

BACK_SHARE = 0.5
"""Part of the voltage that the armature makes itself: a starter gives most power at one half (direct-current motor);
the smaller the share, the more slowness a low voltage excuses."""

LEAST_SLOWER = 0.08
"""Slower than expected by less [-] is within the swing that compression gives to a few readings (common practice)."""

LEAST_SAG, LEAST_RESTING = 0.4, 0.15
"""Volts beyond the own past: 0.4 V is 2 milliohm at 200 A, a third of a sound battery's resistance; 0.15 V is a fifth
of the charge (published resting table) and beyond what key-on consumers change."""

FLOORS = {"crank_speed": 0.02, "voltage_sag": 0.08, "resting_voltage": 0.03}
"""Least scatter between starts: speed as a share, volts; a few equal drives do not prove a car so exact."""

SIGMAS, ERRORS = 4.0, 2.0
"""Standard deviations of the own scatter, one false alarm in some ten thousand starts; and standard errors of today's
readings on top of it."""

FEWEST_COMPARED = 4
"""Readings of a quantity for a comparison with the past: one may be spinning up or inrush, and three make a middle."""


@dataclass(frozen=True, slots=True)
class Own:
    """What this car's past expects today: `value` and the `limit` beyond which it is worse, from `drives` starts."""

    value: float
    limit: float
    drives: int


@dataclass(frozen=True, slots=True)
class Past:
    """Expected of today's start: `speed` at today's voltage [1/min], `sag` and `resting` [V]; None without a past."""

    speed: Own | None = None
    sag: Own | None = None
    resting: Own | None = None
    to_fire: Own | None = None


def compare(start: Start, history: History) -> Past:
    """Return what the car's own healthy starts lead to expect of this one."""
    if start.coolant is None:
        return Past()
    same = float(start.source == "adapter_voltage")
    starts = [one for one in _starts(history) if one.get(FROM_ADAPTER) == same]
    return Past(
        _speed(start, starts),
        _volts(start, starts, "voltage_sag", -SAG_PER_KELVIN, LEAST_SAG, +1.0)
        if start.volts >= FEWEST_COMPARED
        else None,
        _volts(start, starts, "resting_voltage", RESTING_PER_KELVIN, LEAST_RESTING, -1.0),
        _to_fire(start, starts),
    )


def _starts(history: History) -> list[dict[str, float]]:
    """Measures by name of each earlier start without a fault and with a temperature, since the last repair."""
    by_session: dict[str, dict[str, float]] = {}
    for feature in since_repair(history, "cranking", REPAIRS):
        one = by_session.setdefault(feature.session_id, {})
        one[feature.name] = feature.value
        if feature.healthy:
            one[NOTHING_FOUND] = 1.0
    return [one for one in by_session.values() if "coolant_at_start" in one and NOTHING_FOUND in one]


def _expected(start: Start, rows: list[tuple[float, float]], per_kelvin: float) -> tuple[float, float, int] | None:
    """Value expected at today's temperature, scatter and number of starts, from (temperature, value).

    `per_kelvin` is how much the value rises with temperature at most; it only ever excuses a colder start.
    """
    assert start.coolant is not None
    data = np.array(rows).reshape(-1, 2)
    if len(data) < FEWEST_DRIVES:
        return None
    data = data[np.abs(data[:, 0] - start.coolant) <= FITTED_WITHIN]
    at, values = data[:, 0], data[:, 1]
    if len(data) >= FITTED and np.ptp(at) >= FITTED_SPAN and at.min() <= start.coolant <= at.max():
        line = theil_sen(at, values)
        if line is not None:
            off = values - line.slope * at
            middle = float(np.median(off))
            spread = float(np.median(np.abs(off - middle))) * MAD_TO_SIGMA
            return middle + line.slope * start.coolant, spread, len(data)
    warmer = at - start.coolant
    near = np.abs(warmer) <= NEIGHBOURS
    if np.count_nonzero(near) < FEWEST_DRIVES:
        return None
    values = values[near] - per_kelvin * np.maximum(0.0, warmer[near])
    middle = float(np.median(values))
    return middle, float(np.median(np.abs(values - middle))) * MAD_TO_SIGMA, int(np.count_nonzero(near))


def _speed(start: Start, starts: list[dict[str, float]]) -> Own | None:
    """Crank speed expected at today's temperature and voltage, in natural units by way of its logarithm."""
    both = [one for one in starts if one.get("crank_speed", 0.0) > 0.0 and "cranking_voltage" in one]
    speed = _expected(start, [(one["coolant_at_start"], np.log(one["crank_speed"])) for one in both], SPEED_PER_KELVIN)
    volts = _expected(start, [(one["coolant_at_start"], one["cranking_voltage"]) for one in both], SAG_PER_KELVIN)
    if speed is None or volts is None or start.cranking is None or start.speeds < FEWEST_COMPARED:
        return None
    usual, spread, drives = float(np.exp(speed[0])), max(FLOORS["crank_speed"], speed[1]), speed[2]
    if start.cranking < volts[0]:
        usual = speed_at_voltage(usual, volts[0], start.cranking, BACK_SHARE)
    slack = max(LEAST_SLOWER, _slack(spread, drives, start.speed_error))
    return Own(usual, float(usual * (1.0 - slack)), drives)


def _volts(
    start: Start, starts: list[dict[str, float]], name: str, per_kelvin: float, least: float, sign: float
) -> Own | None:
    rows = [(one["coolant_at_start"], one[name]) for one in starts if name in one]
    found = _expected(start, rows, per_kelvin)
    if found is None:
        return None
    usual, spread, drives = found
    slack = max(least, _slack(max(FLOORS[name], spread), drives, 0.0))
    return Own(usual, usual + sign * slack, drives)


def _slack(spread: float, drives: int, error: float) -> float:
    """How far a start may be from the middle of the past by scatter between starts and by its own few readings."""
    return float(np.hypot(SIGMAS * spread * np.sqrt(1.0 + 1.0 / drives), ERRORS * error))


LONGER, LONGER_BY = 2.0, 0.5
"""Cranking for twice the usual time and half a second more is beyond where the crankshaft happened to stand: two turns
at 250 1/min, within which every cylinder comes to its turn."""


def _to_fire(start: Start, starts: list[dict[str, float]]) -> Own | None:
    found = _expected(start, [(o["coolant_at_start"], o["time_to_fire"]) for o in starts if "time_to_fire" in o], 0.0)
    if found is None:
        return None
    usual, spread, drives = found
    return Own(usual, max(LONGER * usual, usual + LONGER_BY, usual + SIGMAS * spread), drives)
