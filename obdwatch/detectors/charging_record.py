"""The voltage of a drive beside engine speed, acceleration and outside air, reduced to levels and answers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors import charging_start
from obdwatch.detectors.sampled import held, readings, spacing
from obdwatch.physics.charging import LOW, USUAL, Response, event_response, level_by_speed
from obdwatch.physics.order_statistics import median, quantiles
from obdwatch.records import BoolArray, Drive, FloatArray, Signal
from obdwatch.signals.masks import RUNNING_SPEED

VOLTS = (8.0, 18.0)
"""What a 12 V system can show with the engine running [V]."""

SPEED_AGE = 3.0
"""A value of a moving quantity is good for so long [s] (common practice)."""

AT_SPEED, IDLE = 1500.0, 1100.0
"""Engine speed [1/min] above which charging is judged (published trade reference), and up to which it idles warm."""

ABOVE_IDLE = 1350.0
"""A little above idle [1/min]: a sound alternator gives half as much again there as at idle, and carries what an idle
with air conditioner, fan and lamps cannot (common practice: its current starts near 700 and levels off near 2,000)."""

SETTLED = 300.0
"""After so long [s] the battery has what the starter took (published trade reference: five minutes)."""

FEWEST, SHORTEST = 20, 60.0
"""Readings, and seconds from the first to the last of them, that make a level."""

RISE, LOOK_BACK = 100.0, 1.5
"""The engine speed rose when it grew by so much [1/min] within so long [s]; a belt slips while its pulleys speed up."""

BEFORE = 3.0
"""So long before [s] the engine already turned at TURNED: what follows is no recovery from a weak idle."""

TURNED = 1200.0

AROUND = 8.0
"""A dip is held against the voltage so long before and after [s]: a slip is over by then, a level that is led or set by
consumers is not."""

STEADY, BAND, BAND_LEAST = 40.0, 150.0, 5
"""Steady is a change within LOOK_BACK below STEADY [1/min]; voltage by speed is taken in bands [1/min]."""

SLOWEST = 6.5
"""Slower readings of the voltage [s] meet too few rises of the speed in a drive; each reading is of one moment, so that
what is lost at a slow rate is number, which FEWEST_RISES asks for."""

OVERRUN, CRUISE = -0.4, 0.2
"""Acceleration [m/s2] up to which a car is on overrun, and within which it cruises (common practice)."""

FEWEST_OVERRUN = 8

REGULATED = 0.15
"""Voltage that stays within so much [V] between its quartiles is held by a regulator, not left to speed and load."""

STEP_SHARE = 0.1
"""Both levels of a charging system that switches on and off must be seen for such a share of the time."""


@dataclass(frozen=True, slots=True)
class Level:
    """Middle, low and high end (5 and 95 %) of a voltage [V] and its quartiles' distance, from `count` readings."""

    middle: float
    low: float
    high: float
    quartiles: float
    count: int


@dataclass(frozen=True, slots=True)
class Answers:
    """How the voltage answers `rising` and `falling` engine speed, beyond what goes with the speed itself [V].

    `brief` [V] is how much of the answer to rising speed is over some seconds before and after; `dips` are spans [s].
    """

    rising: Response
    falling: Response
    brief: float
    dips: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class ChargingRecord:
    """What a drive shows of charging: levels of the voltage, None where too little was seen.

    `running` from one minute on, `driving` above 1,500 1/min and `idle`, both after five minutes; `above_idle` lies
    between idle and 1,350 1/min; `overrun` is part of driving, `overrun_gain` [V] what it has over cruising at equal
    engine speed. `air`, `idle_coolant` (high end) [degC]; `begin`,
    `end` [s]; `steps`: two regulated levels; `delay` [s] from the running engine to the charging alternator.
    """

    source: str
    begin: float
    end: float
    air: float | None
    running: Level | None
    driving: Level | None
    idle: Level | None
    overrun: Level | None
    above_idle: Level | None
    overrun_gain: float | None
    idle_coolant: float | None
    answers: Answers | None
    steps: bool
    delay: float | None


def prepare(drive: Drive) -> ChargingRecord | str:
    """Return the levels of a drive, or the reason why there are none."""
    speed = readings(drive, "engine_speed")
    if speed is None:
        return "speed_missing"
    volts = _voltage(drive, speed)
    if volts is None:
        return "voltage_missing"
    times, values = volts.times, volts.values
    turning = held(speed, times, SPEED_AGE)
    running = turning >= RUNNING_SPEED
    if np.count_nonzero(running) < FEWEST:
        return "too_short"
    since = times - _started(drive, speed)
    settled = running & (since >= SETTLED)
    driving, idle = settled & (turning >= AT_SPEED), settled & (turning <= IDLE)
    acceleration = _acceleration(drive, times)
    answers = _answers(speed, volts, running & (since >= 60.0))
    return ChargingRecord(
        volts.key,
        float(times[0]),
        float(times[-1]),
        _air(drive),
        _level(volts, running & (since >= 60.0)),
        _level(volts, driving),
        _level(volts, idle),
        _level(volts, driving & (acceleration <= OVERRUN), FEWEST_OVERRUN, 0.0),
        _level(volts, settled & (turning > IDLE) & (turning <= ABOVE_IDLE), FEWEST // 2, 0.0),
        _gain(speed, volts, driving, acceleration),
        _high_coolant(drive, times[idle]),
        answers,
        _steps(values[driving]),
        charging_start.delay(drive, volts.key),
    )


def _voltage(drive: Drive, speed: Signal) -> Signal | None:
    """The adapter's own voltage where it comes about as often as the control unit's, which reads a little lower."""
    found: list[Signal] = []
    for key in ("adapter_voltage", "control_module_voltage", "control_module_voltage@7E9"):
        signal = readings(drive, key)
        if signal is None:
            continue
        possible = (signal.values >= VOLTS[0]) & (signal.values <= VOLTS[1])
        possible &= held(speed, signal.times, SPEED_AGE) >= 0.0  # a parked car is watched by the adapter alone
        if np.count_nonzero(possible) >= FEWEST:
            found.append(Signal(key, signal.unit, signal.times[possible], signal.values[possible], signal.ecu))
    if not found:
        return None
    most = max(len(one.times) for one in found)
    return next(one for one in found if 2 * len(one.times) >= most)


def _started(drive: Drive, speed: Signal) -> float:
    """When the engine was started [s]: by its own clock where that is known, else the first reading above a crank."""
    first = float(speed.times[int(np.argmax(speed.values >= RUNNING_SPEED))])
    clock = readings(drive, "run_time")
    if clock is not None and clock.values[0] > 0.0 and first - float(speed.times[0]) < SPEED_AGE:
        return min(first, float(clock.times[0] - clock.values[0]))
    return first


def _level(volts: Signal, where: BoolArray, fewest: int = FEWEST, shortest: float = SHORTEST) -> Level | None:
    if np.count_nonzero(where) < fewest:
        return None
    times, values = volts.times[where], volts.values[where]
    if times[-1] - times[0] < shortest:
        return None
    low, first, middle, third, high = quantiles(values, (0.05, 0.25, 0.5, 0.75, 0.95))
    return Level(middle, low, high, third - first, len(values))


def _air(drive: Drive) -> float | None:
    """Outside air [degC]; the coldest intake air of the drive where no sensor measures outside."""
    ambient = readings(drive, "ambient_air_temperature")
    if ambient is not None:
        return median(ambient.values)
    intake = readings(drive, "intake_air_temperature")
    return quantiles(intake.values, (0.05,))[0] if intake is not None else None


def _acceleration(drive: Drive, at: FloatArray) -> FloatArray:
    """Acceleration of the car over two seconds [m/s2], NaN where its speed is unknown."""
    speed = readings(drive, "vehicle_speed")
    if speed is None or len(speed.times) < 2:
        return np.full(len(at), np.nan)
    known = np.isfinite(held(speed, at, SPEED_AGE))
    change = np.interp(at + 1.0, speed.times, speed.values) - np.interp(at - 1.0, speed.times, speed.values)
    return np.where(known, change / 3.6 / 2.0, np.nan)


def _gain(speed: Signal, volts: Signal, driving: BoolArray, acceleration: FloatArray) -> float | None:
    """How much higher the voltage is on overrun than while cruising at the same engine speed [V]."""
    overrun, cruise = driving & (acceleration <= OVERRUN), driving & (np.abs(acceleration) <= CRUISE)
    now = np.interp(volts.times, speed.times, speed.values)
    usual = level_by_speed(now, volts.values, cruise, BAND, BAND_LEAST)
    gain = (volts.values - usual)[overrun & np.isfinite(usual)]
    return median(gain) if len(gain) >= FEWEST_OVERRUN else None


def _high_coolant(drive: Drive, at: FloatArray) -> float | None:
    coolant = held(readings(drive, "coolant_temperature"), at)
    coolant = coolant[np.isfinite(coolant)]
    return quantiles(coolant, (0.9,))[0] if len(coolant) else None


def _answers(speed: Signal, volts: Signal, where: BoolArray) -> Answers | None:
    """How the voltage answers rising and falling engine speed beyond what goes with the speed itself, and the dips."""
    if spacing(volts) > SLOWEST or spacing(speed) > LOOK_BACK or np.count_nonzero(where) < 3 * FEWEST:
        return None
    at, values = volts.times[where], volts.values[where]
    now = np.interp(at, speed.times, speed.values)
    change = now - np.interp(at - LOOK_BACK, speed.times, speed.values)
    turned = np.interp(at - BEFORE, speed.times, speed.values) >= TURNED
    usual = level_by_speed(now, values, np.abs(change) <= STEADY, BAND, BAND_LEAST)
    known = np.isfinite(usual)
    residual = (values - usual)[known]
    near = [np.interp(at[known] + shift, at[known], residual) for shift in (-AROUND, AROUND)]
    brief = residual - (near[0] + near[1]) / 2.0
    up, down = (turned & (change >= RISE))[known], (turned & (change <= -RISE))[known]
    dips = at[known][up & (residual < -REGULATED)]
    spans = tuple((float(t) - 2.0, float(t) + 2.0) for t in dips)
    short = float(np.mean(brief[up])) if up.any() else 0.0
    return Answers(event_response(residual, up), event_response(residual, down), short, spans)


def _steps(values: FloatArray) -> bool:
    """Whether a voltage at speed lives on two regulated levels, as systems do that charge only now and then."""
    if len(values) < FEWEST:
        return False
    low, high = values[values < LOW], values[values >= USUAL[0]]
    least = STEP_SHARE * len(values)
    if len(low) < max(BAND_LEAST, least) or len(high) < max(BAND_LEAST, least):
        return False
    first, third = quantiles(low, (0.25, 0.75))
    return third - first <= REGULATED
