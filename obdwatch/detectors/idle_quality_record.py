"""The warm, settled idle of a drive: speed, pressure, air, opening, timing, and how evenly the engine turns.

An idle with air conditioning, a gear engaged or the lamps on needs more air than a bare one; so what stands for
it is its quietest part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.heat_input import displacement
from obdwatch.detectors.idle_quality_evenness import Evenness, evenness
from obdwatch.detectors.sampled import held, readings
from obdwatch.physics.air import STANDARD_PRESSURE, absolute_load_air_flow, speed_density_air_flow
from obdwatch.physics.idle_air import CRITICAL_PRESSURE_RATIO, filling, idle_opening, residual_filling
from obdwatch.physics.order_statistics import quantiles
from obdwatch.records import BoolArray, Car, Drive, FloatArray
from obdwatch.signals.alignment import grid
from obdwatch.signals.masks import IDLE_VEHICLE_SPEED, RUNNING_SPEED

STEP = 1.0
"""Grid [s] of the idle: the usual interval of the throttle position."""

AGE = 3.0
"""Oldest reading of a moving quantity [s]."""

WARM = 75.0
"""Coolant of a warm idle [degC]: above the end of a warm-up cycle (71), below where thermostats open (82 to 110)."""

HIGHEST_SPEED = 1500.0
"""Fastest idle [1/min] (common practice: a cold one)."""

SETTLING = 4.0
"""Time standing before an idle counts as settled [s]: speed and pressure have come down (common practice)."""

ENOUGH = 20.0
"""Least settled idle [s]: a few traffic lights."""

QUIET = 0.2
"""Quantile of pressure and air that stands for the idle with nothing switched on: loads come and go."""

FILLING_UNKNOWN = 0.7
"""Filling of a throttled cylinder assumed where only pressure is known [-]; it cancels against the car's own past."""


@dataclass(frozen=True, slots=True)
class IdleRecord:
    """Per second of settled warm idle, NaN where unknown; `seconds` of it within `span` [s] of the drive.

    Engine `speed` [1/min], `pressure` and outside `before` [kPa], effective `opening` [mm2, of one litre where
    `per_litre`], `throttle` and `commanded` throttle [%], `timing` [deg], total `trim` [-], `fill` [-] not corrected by
    it. `evenness` tells of the engine's turning.
    """

    speed: FloatArray
    pressure: FloatArray
    opening: FloatArray
    throttle: FloatArray
    timing: FloatArray
    fill: FloatArray
    trim: FloatArray
    commanded: FloatArray
    load: FloatArray
    voltage: FloatArray
    seconds: float
    throttle_key: str
    per_litre: bool
    pressure_metered: bool
    evenness: Evenness | None
    span: tuple[float, float]

    def quiet(self, values: FloatArray) -> float | None:
        """Return a quantity of the idle with nothing switched on, None where unknown."""
        known = values[np.isfinite(values)]
        return quantiles(known, (QUIET,))[0] if len(known) * STEP >= ENOUGH / 2.0 else None


def settled_idle(drive: Drive, at: FloatArray) -> BoolArray:
    """Return where the engine idled warm, standing for at least `SETTLING`."""
    speed = held(readings(drive, "engine_speed"), at, AGE)
    standing = (speed >= RUNNING_SPEED) & (speed <= HIGHEST_SPEED)
    standing &= held(readings(drive, "vehicle_speed"), at, AGE) <= IDLE_VEHICLE_SPEED
    standing &= held(readings(drive, "coolant_temperature"), at, 30.0) >= WARM
    accelerator = readings(drive, "accelerator_position_d")
    if accelerator is not None:
        released = quantiles(accelerator.values, (0.01,))[0] + 2.0
        standing &= ~(held(accelerator, at, AGE) > released)
    steps = round(SETTLING / STEP)
    settled = standing.copy()
    for back in range(1, steps + 1):
        settled[back:] &= standing[:-back]
        settled[:back] = False
    return settled


def prepare(drive: Drive, car: Car | None) -> IdleRecord | str:
    """Return the idle of a drive, or what was missing."""
    speed_signal = readings(drive, "engine_speed")
    if speed_signal is None or readings(drive, "vehicle_speed") is None:
        return "speed_missing"
    if readings(drive, "coolant_temperature") is None:
        return "coolant_missing"
    at = grid(drive, STEP)
    settled = settled_idle(drive, at)
    when = at[settled]
    if len(when) * STEP < ENOUGH:
        return "too_little_idle"
    speed = held(speed_signal, when, AGE)
    pressure = held(readings(drive, "intake_manifold_pressure"), when, AGE)
    before = held(readings(drive, "barometric_pressure"), when, 120.0)
    before = np.where(np.isfinite(before), before, STANDARD_PRESSURE)
    air_temperature = held(readings(drive, "intake_air_temperature"), when, 60.0)
    air_temperature = np.where(np.isfinite(air_temperature), air_temperature, 25.0)
    litres = displacement(drive, car)
    flow, measured = air_through(drive, when, speed, pressure, air_temperature, litres)
    opening = idle_opening(flow, before, air_temperature)
    opening = np.where(pressure > CRITICAL_PRESSURE_RATIO * before, np.nan, opening)
    throttle_key, throttle = throttle_of(drive, when)
    fill = _fill(drive, when, pressure, air_temperature) if measured else np.full(len(when), np.nan)
    return IdleRecord(
        speed,
        pressure,
        opening,
        throttle,
        held(readings(drive, "timing_advance"), when, AGE),
        fill,
        trim_of(drive, when),
        held(readings(drive, "commanded_throttle_actuator"), when, AGE),
        held(readings(drive, "absolute_load"), when, AGE),
        held(readings(drive, "control_module_voltage"), when, 10.0),
        float(len(when) * STEP),
        throttle_key,
        litres is None and not measured,
        not measured and bool(np.isfinite(pressure).any()),
        evenness(speed_signal, at, settled),
        (float(when[0]), float(when[-1])),
    )


def air_through(
    drive: Drive,
    when: FloatArray,
    speed: FloatArray,
    pressure: FloatArray,
    air_temperature: FloatArray,
    litres: float | None,
) -> tuple[FloatArray, bool]:
    """Return air flow [g/s] (of one litre where the displacement is unknown), and whether a sensor measured it."""
    flow = readings(drive, "air_flow")
    if flow is not None:
        return held(flow, when, AGE), True
    load = readings(drive, "absolute_load")
    if load is not None:
        return absolute_load_air_flow(speed, held(load, when, AGE), litres or 1.0), False
    return speed_density_air_flow(speed, pressure, air_temperature, litres or 1.0, FILLING_UNKNOWN), False


def throttle_of(drive: Drive, when: FloatArray) -> tuple[str, FloatArray]:
    """Return the name of the throttle's signal, empty without one, and its position [%]."""
    for key in ("relative_throttle_position", "throttle_position"):
        signal = readings(drive, key)
        if signal is not None and float(np.ptp(signal.values)) > 0.0:
            return key, held(signal, when, AGE)
    return "", np.full(len(when), np.nan)


def _fill(drive: Drive, when: FloatArray, pressure: FloatArray, air_temperature: FloatArray) -> FloatArray:
    """Return the filling relative to that without overlap of the valves."""
    load = held(readings(drive, "absolute_load"), when, AGE)
    known = np.isfinite(pressure) & (pressure > 0.0)
    ideal = residual_filling(np.where(known, pressure, STANDARD_PRESSURE), STANDARD_PRESSURE)
    seen: FloatArray = filling(load, pressure, air_temperature) / ideal
    return seen


def trim_of(drive: Drive, when: FloatArray) -> FloatArray:
    """Return short and long fuel trim together [-], 0 where unknown."""
    total = np.zeros(len(when))
    for kind in ("short", "long"):
        trim = held(readings(drive, f"{kind}_term_fuel_trim_bank_1"), when, 10.0)
        total += np.where(np.isfinite(trim), trim, 0.0) / 100.0
    return total
