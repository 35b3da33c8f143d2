"""What the cooling detector reads out of a drive: coolant, road speed and engine speed on one even grid.

Heat is not read here: most drives never get hot, and then nobody needs to know it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.sampled import held, readings, spacing
from obdwatch.physics.order_statistics import median, quantiles
from obdwatch.records import BoolArray, Drive, FloatArray, Signal
from obdwatch.signals.alignment import places

STEP = 5.0
"""Step of the grid [s]: a coolant that gains 8 K/min, nothing carried away, moves by less than 1 K in it."""

LAG = 60.0
"""Speeds and slopes are means over this [s]: coolant passes engine and radiator once or twice a minute (common
practice), so the air of the last minute is what the coolant shows."""

SLOWEST_COOLANT = 15.0
"""Longest usual time between coolant readings [s]: 8 K/min is then still followed to 2 K."""

LONGEST_GAP = 35.0
"""Between readings further apart [s] the coolant is unknown: the rarest poll class is asked every half minute."""

RUNNING_SPEED = 400.0
"""Above cranking (150 to 300) and below any idle [1/min] (common practice)."""

AFTER_START = 120.0
"""Time after a start of the engine [s] in which heat stored in the metal comes out: coolant that stood in the hot
engine may read high until the pump has mixed it (common practice)."""


@dataclass(frozen=True, slots=True)
class CoolingRecord:
    """A drive on the grid; arrays are [steps], NaN where unknown.

    `coolant` [degC]; `slope` [K/min] over the last minute; `road` [km/h] mean of the last minute, `now` at the moment;
    `speed` [1/min]; `settled` is True where the engine has run for two minutes. `readings` are the cleaned coolant
    readings. `air` [degC] outside, None if unknown.
    """

    times: FloatArray
    coolant: FloatArray
    slope: FloatArray
    road: FloatArray
    now: FloatArray
    speed: FloatArray
    settled: BoolArray
    readings: Signal
    air: float | None


def coolant_of(drive: Drive) -> Signal | None:
    """Return the coolant temperature, from parameter 05 or 67, without impossible and stray values."""
    return readings(drive, "coolant_temperature") or readings(drive, "coolant_temperature_sensor_1")


def prepare(drive: Drive) -> CoolingRecord | str:
    """Return the record of a drive, or the name of what is missing."""
    coolant = coolant_of(drive)
    if coolant is None:
        return "coolant_missing"
    if spacing(coolant) > SLOWEST_COOLANT:
        return "sampling_too_slow" if len(coolant.times) > 1 else "coolant_missing"
    times = np.arange(coolant.times[0], coolant.times[-1] + STEP / 2.0, STEP)
    if len(times) * STEP < 2.0 * LAG:
        return "too_short"
    temperature = between(coolant, times)
    speed = held(readings(drive, "engine_speed"), times)
    road = held(readings(drive, "vehicle_speed"), times, LONGEST_GAP)
    return CoolingRecord(
        times=times,
        coolant=temperature,
        slope=slopes(temperature),
        road=trailing_mean(road, int(LAG / STEP)),
        now=road,
        speed=speed,
        settled=_settled(drive, times, speed, road),
        readings=coolant,
        air=outside_air(drive),
    )


def between(signal: Signal, at: FloatArray) -> FloatArray:
    """Return a slow signal between its readings, straight; NaN inside a gap."""
    value: FloatArray = np.interp(at, signal.times, signal.values)
    after = np.clip(places(signal.times, at, "left"), 1, max(1, len(signal.times) - 1))
    if len(signal.times) > 1:
        value[(signal.times[after] - signal.times[after - 1] > LONGEST_GAP)] = np.nan
    return value


def slopes(temperature: FloatArray) -> FloatArray:
    """Return the rise over the last minute [K/min]; NaN in the first minute and across gaps."""
    back = int(LAG / STEP)
    slope = np.full(len(temperature), np.nan)
    slope[back:] = (temperature[back:] - temperature[:-back]) * (60.0 / LAG)
    return slope


def trailing_mean(values: FloatArray, count: int) -> FloatArray:
    """Return the mean of the last `count` points; NaN where fewer than half of them are known."""
    known = np.isfinite(values)
    total = np.cumsum(np.r_[0.0, np.where(known, values, 0.0)])
    number = np.cumsum(np.r_[0, known])
    end = np.arange(1, len(values) + 1)
    start = np.maximum(end - count, 0)
    seen = number[end] - number[start]
    return np.where(2 * seen >= np.minimum(count, end), (total[end] - total[start]) / np.maximum(seen, 1), np.nan)


def outside_air(drive: Drive) -> float | None:
    """Return the outside temperature [degC], from its own sensor or the intake air's coolest tenth; None if unknown."""
    ambient = readings(drive, "ambient_air_temperature")
    if ambient is not None:
        return median(ambient.values)
    intake = readings(drive, "intake_air_temperature")
    return quantiles(intake.values, (0.1,))[0] if intake is not None else None


def _settled(drive: Drive, times: FloatArray, speed: FloatArray, road: FloatArray) -> BoolArray:
    """Mark where the engine has been running for two minutes, without a break.

    Where engine speed was not recorded, moving and standing count as running; where it was, unknown is not.
    """
    if np.any(np.isfinite(speed)):
        running = speed >= RUNNING_SPEED
    else:
        running = np.isfinite(road) if np.any(np.isfinite(road)) else np.ones(len(times), dtype=np.bool_)
    last_off = np.maximum.accumulate(np.where(running, -np.inf, times))
    began = np.where(np.isfinite(last_off), last_off, times[0] - _running_before(drive, float(times[0])))
    settled: BoolArray = running & (times - began >= AFTER_START)
    return settled


def _running_before(drive: Drive, start: float) -> float:
    """Return how long the engine had been running when the recording began [s], zero if nobody says."""
    run_time = readings(drive, "run_time")
    if run_time is None or run_time.times[0] - start > LAG:
        return 0.0
    return max(0.0, float(run_time.values[0] - (run_time.times[0] - start)))
