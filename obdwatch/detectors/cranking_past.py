"""A start against this car's own earlier starts at comparable engine temperature."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import takewhile

import numpy as np

from obdwatch.detectors.cranking_record import Start
from obdwatch.detectors.oxygen_sensors_baseline import features_of, since_repair
from obdwatch.physics.charging import FULL_BATTERY
from obdwatch.physics.cranking import WELL_CHARGED, resting_voltage, speed_at_voltage
from obdwatch.physics.prediction import Norm, Prediction, predict
from obdwatch.records import History

REPAIRS: tuple[str, ...] = ("battery", "starter_motor")
"""A new one of these starts the car's numbers anew."""

NOTHING_FOUND = "nothing_found"
"""Kept with every start that showed no fault: what an incomplete start did show, such as the resting voltage of a car
whose control units sleep, is as good for the past as that of a healthy one."""

FROM_ADAPTER = "voltage_from_adapter"
"""Kept with every start: the two sources differ by some tenths of a volt and are not compared with each other."""

REFERENCE, WITHIN = 20.0, 45.0
"""Coolant temperature at which norms are stated [degC]; starts farther from today's [K] are not compared: from frost
to a hot engine the relation is bent (viscosity of oil)."""

USUAL_SPEED = Norm(level=float(np.log(212.0)), between=0.175, within=0.025, slope=0.008, slopes=0.004)
"""Logarithm of the crank speed at 20 degC: 150 to 300 1/min between cars (trade reference, taken as two deviations
either way). Colder engines turn slower by 0.8 % per kelvin, give or take half of that: thin oil hardly shows it, with
thick oil the speed halves from 25 to -18 degC (common practice). Starts of one car agree within some 2 to 3 %: the mean
of several compressions."""

USUAL_SAG = Norm(level=1.5, between=0.7, within=0.1, slope=-0.02, slopes=0.012)
"""Fall of the voltage at 20 degC [V]: 100 to 250 A over 5 to 10 milliohm (Ohm's law, common practice). Colder it is
deeper by 0.01 to 0.03 V/K: the load-test table falls by 1.1 V over 38 K."""

USUAL_RESTING = Norm(level=12.5, between=0.2, within=0.07, slope=0.003, slopes=0.003)
"""Voltage before the start at 20 degC [V]: 75 to 100 % charged (published resting table); a car that is used alike
from week to week comes back within some 10 % of charge. Six cells at about 0.2 mV/K and the higher resistance (from
memory) make the slope."""

USUAL_CRANKING = Norm(level=10.9, between=0.6, within=0.12, slope=0.02, slopes=0.012)
"""As USUAL_SAG below USUAL_RESTING [V]."""

USUAL_TIME = Norm(level=float(np.log(1.0)), between=0.5, within=0.25, slope=-0.01, slopes=0.01)
"""Logarithm of the time to fire [s]: petrol engines fire within one or two seconds (common practice); where the
crankshaft happened to stand moves it by a turn, and cold makes it longer."""

CHANCE = 1e-3
"""Chance that a sound start lies beyond a limit: with four of them one false word in 250 starts. Today's few readings
add their own error."""

CHANCE_WHILE_LOW = 0.01
"""The same for the resting voltage of a battery that is below WELL_CHARGED today: both together hold for 2 to 3 sound
starts in 1,000 of cars drawn from the norm, with one, three or eight earlier ones."""

CHANCE_WITH_VOLTAGE_UP = 2.0 * CHANCE
"""The same for a crank speed with the voltage as high as expected or higher, which one sound start in two has: what
slows a sound engine, thick oil or an unlucky place of the pistons, asks for more current and lowers it."""

BACK_SHARE = 0.5
"""Part of the voltage that the armature makes itself: a starter gives most power at one half (direct-current motor);
the smaller the share, the more slowness a low voltage excuses."""

LEAST_SLOWER = 0.08
"""Slower than expected by less [-] is within the swing that compression gives to a few readings (common practice)."""

LEAST_SAG, LEAST_RESTING, LEAST_WHILE_LOW = 0.4, 0.15, 0.2
"""Volts beyond the own past: 0.4 V is 2 milliohm at 200 A, a third of a sound battery's resistance; 0.15 V is a fifth
and 0.2 V a quarter of the charge (published resting table) and beyond what key-on consumers change."""

COMPARED = (
    *("coolant_at_start", FROM_ADAPTER, "voltage_sag", "resting_voltage", "crank_speed", "cranking_voltage"),
    "time_to_fire",
)
"""Measures of a start that are held against those of earlier ones, or that say which of them are like it."""

KEY_ON_DROP = 0.1
"""With the key on a resting battery shows less than the table [V]: some 10 A over 10 milliohm (Ohm's law, common
practice)."""

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
    starts = [
        one
        for one in _starts(history)
        if one.get(FROM_ADAPTER) == same and abs(one["coolant_at_start"] - start.coolant) <= WITHIN
    ]
    sag = _expected(start, starts, "voltage_sag", USUAL_SAG) if start.volts >= FEWEST_COMPARED else None
    return Past(
        _speed(start, starts),
        None if sag is None else _own(sag, max(LEAST_SAG, sag.limit(CHANCE))),
        None if was_drained(history) else resting(start, starts),
        _to_fire(start, starts),
    )


def was_drained(history: History) -> bool:
    """Whether the alternator could not carry the load of the last recorded drive, so that a low charge is explained."""
    charging = features_of(history, "charging")
    latest = takewhile(lambda one: one.session_id == charging[-1].session_id, reversed(charging))
    last = {one.name: one.value for one in latest}
    level = last.get("charging_voltage", last.get("running_voltage"))
    return level is not None and level < FULL_BATTERY


def resting(start: Start, starts: list[dict[str, float]]) -> Own | None:
    """What the resting voltage should be; a battery that is low besides is asked harder."""
    found = _expected(start, starts, "resting_voltage", USUAL_RESTING)
    if found is None:
        return None
    while_low = max(LEAST_WHILE_LOW, found.limit(CHANCE_WHILE_LOW))
    low = found.middle - resting_voltage(WELL_CHARGED) + KEY_ON_DROP
    return _own(found, -min(max(LEAST_RESTING, found.limit(CHANCE)), max(while_low, low)))


def _starts(history: History) -> list[dict[str, float]]:
    """Measures by name of each earlier start without a fault and with a temperature, since the last repair."""
    by_session: dict[str, dict[str, float]] = {}
    for name in (*COMPARED, NOTHING_FOUND):
        for feature in since_repair(history, "cranking", REPAIRS, name):
            one = by_session.setdefault(feature.session_id, {})
            one[feature.name] = feature.value
            if feature.healthy:
                one[NOTHING_FOUND] = 1.0
    return [one for one in by_session.values() if "coolant_at_start" in one and NOTHING_FOUND in one]


def _expected(start: Start, starts: list[dict[str, float]], name: str, norm: Norm) -> Prediction | None:
    """What a measure should be today by this car's own starts, None where it has none with it."""
    assert start.coolant is not None
    rows = [(one["coolant_at_start"], one[name]) for one in starts if name in one]
    if not rows:
        return None
    at, values = np.array(rows).T
    return predict(norm, at - REFERENCE, values, start.coolant - REFERENCE)


def _own(found: Prediction, slack: float) -> Own:
    return Own(found.middle, found.middle + slack, found.readings)


def _speed(start: Start, starts: list[dict[str, float]]) -> Own | None:
    """Crank speed expected at today's temperature and voltage, by way of its logarithm."""
    both = [one for one in starts if one.get("crank_speed", 0.0) > 0.0 and "cranking_voltage" in one]
    logs = [{**one, "crank_speed": float(np.log(one["crank_speed"]))} for one in both]
    speed = _expected(start, logs, "crank_speed", USUAL_SPEED)
    volts = _expected(start, both, "cranking_voltage", USUAL_CRANKING)
    if speed is None or volts is None or start.cranking is None or start.speeds < FEWEST_COMPARED:
        return None
    usual = float(np.exp(speed.middle))
    chance = CHANCE_WITH_VOLTAGE_UP
    if start.cranking < volts.middle:
        usual, chance = speed_at_voltage(usual, volts.middle, start.cranking, BACK_SHARE), CHANCE
    slack = max(LEAST_SLOWER, speed.limit(chance, start.speed_error))
    return Own(usual, usual * float(np.exp(-slack)), speed.readings)


LONGER, LONGER_BY = 2.0, 0.5
"""Cranking for twice the usual time and half a second more is beyond where the crankshaft happened to stand: two turns
at 250 1/min, within which every cylinder comes to its turn."""


def _to_fire(start: Start, starts: list[dict[str, float]]) -> Own | None:
    logs = [{**one, "time_to_fire": float(np.log(one["time_to_fire"]))} for one in starts if one.get("time_to_fire")]
    found = _expected(start, logs, "time_to_fire", USUAL_TIME)
    if found is None:
        return None
    usual, beyond = float(np.exp(found.middle)), float(np.exp(found.middle + found.limit(CHANCE)))
    return Own(usual, max(LONGER * usual, usual + LONGER_BY, beyond), found.readings)
