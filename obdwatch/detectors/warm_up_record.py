"""What the warm-up detector reads out of a drive: an even record of coolant, heat, speed and air, or why there is none.

Stretches without data and long stops of the engine are cut out; the heat balance starts anew behind them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.heat_input import RUNNING_SPEED, HeatInput, displacement, find_heat
from obdwatch.detectors.rationality_rest import (
    FAULTY_SHARE,
    MOST_JUMPS,
    coolant_jumps,
    first_readings,
    share_at_ends,
)
from obdwatch.detectors.sampled import block_means, held, readings, spacing
from obdwatch.physics.cooling import Conditions
from obdwatch.physics.order_statistics import median, quantiles
from obdwatch.records import BoolArray, Car, Drive, FloatArray, Signal

STEP = 10.0
"""Step of the heat balance [s]: a tenth of the shortest time constant of a stuck-open cooling system."""

MOST_STEPS = 240
"""More steps than this are made longer: a one-hour drive is then judged at 15 s, which the balance stands."""

SLOWEST_COOLANT, SLOWEST_HEAT = 35.0, 12.0
"""Longest usual time between readings [s]: coolant moves a few kelvin in it; fuel and speed change within seconds."""

LONG_STOP = 180.0
"""Engine off for longer [s] ends a stretch: coolant stands still and the sensor no longer shows the engine."""

LOWEST_OPENING = 80.0
"""No published thermostat opens lower [degC]: 82-91, mapped types 80-110."""

SETTLING = 600.0
"""How much of the drive after the coolant last stood below regulation is looked at [s]; what follows is not warm-up."""

SOAK_HOURS, SOAK_AGREEMENT, SOAK_AGREEMENT_OF_TWO = 8.0, 5.0, 10.0
"""After so many hours standing, temperatures agree within 5 K (workshop rule); with one witness we allow twice."""

COLDER_THAN_AIR = 10.0
"""Coolant cannot be further below the outside air than a cold garage makes it [K] (common practice)."""

FROZEN_RANGE, FROZEN_TIME, FROZEN_HEAT, FROZEN_BELOW = 1.0, 300.0, 8.0, 70.0
"""A sensor that moves less than 1 K over 5 min and 8 MJ of fuel while cold: any engine gains over 10 K from that."""


@dataclass(frozen=True, slots=True)
class WarmUpRecord:
    """A drive prepared for the heat balance; arrays are [steps].

    `conditions` is the warm-up that is judged, `times` [s] the middles of its steps, `running` whether the engine
    turned; `whole` and `whole_times` are the same for the drive to its end;
    `air_error` [K] how far the
    outside temperature, found in `air_source`, may be off; `size` is the displacement [L], None if unknown;
    `coolant` the cleaned readings.
    """

    conditions: Conditions
    times: FloatArray
    running: BoolArray
    whole: Conditions
    whole_times: FloatArray
    heat_input: HeatInput
    size: float | None
    air_source: str
    air_error: float
    coolant: Signal


def prepare(drive: Drive, car: Car | None) -> WarmUpRecord | str:
    """Return the record of a drive, or the name of what is missing (see `explanations.findings`)."""
    coolant = readings(drive, "coolant_temperature") or readings(drive, "coolant_temperature_sensor_1")
    fault = _sensor_fault(drive)
    if coolant is None or fault:
        return fault or "coolant_missing"
    at = np.arange(coolant.times[0], coolant.times[-1] + 1.0)
    heat = find_heat(drive, car, at)
    if heat is None:
        return "heat_missing"
    if spacing(coolant) > SLOWEST_COOLANT or heat.sampling > SLOWEST_HEAT:
        return "sampling_too_slow"
    air = _outside_air(drive, coolant)
    if air is None:
        return "air_temperature_missing"
    return _record(drive, car, coolant, at, heat, air)


def _record(
    drive: Drive, car: Car | None, coolant: Signal, at: FloatArray, heat: HeatInput, air: tuple[float, str, float]
) -> WarmUpRecord | str:
    running = _running(drive, at, heat)
    temperature = np.where(_standing_long(running), np.nan, _between(coolant, at))
    window = _window(temperature)
    known = np.count_nonzero(np.isfinite(temperature[:window]))
    step = STEP * max(1, int(np.ceil(known / STEP / MOST_STEPS)))
    speed = np.nan_to_num(held(readings(drive, "vehicle_speed"), at))
    table = np.vstack([at, temperature, heat.heat, speed, running.astype(np.float64)])
    judged, whole = _balance(table[:, :window], step, air[0]), _balance(table, STEP, air[0])
    if judged is None or whole is None:
        return "too_short" if len(at) < 2 * STEP else "heat_missing"
    if coolant.values[0] < air[0] - COLDER_THAN_AIR:
        return "coolant_not_rational"
    if _frozen(whole[0]):
        return "coolant_frozen"
    conditions, times, turning = judged
    size = displacement(drive, car)
    return WarmUpRecord(conditions, times, turning, whole[0], whole[1], heat, size, air[1], air[2], coolant)


def _balance(table: FloatArray, step: float, air: float) -> tuple[Conditions, FloatArray, BoolArray] | None:
    """Return the conditions in steps, the middles of the steps [s] and whether the engine turned; None if empty.

    `table` [5, seconds] holds time, coolant, heat, speed, running.
    """
    rows = np.vstack([block_means(row, int(step)) for row in table])
    kept = np.flatnonzero(np.isfinite(rows[1]) & np.isfinite(rows[2]))
    if not len(kept):
        return None
    restart = np.diff(kept, prepend=-2) > 1
    times, measured, power, road, turning = rows[:, kept]
    outside = np.full(len(kept), air)
    return Conditions(step, _ahead(power), _ahead(road), outside, measured, restart), times, turning > 0.5


def _ahead(values: FloatArray) -> FloatArray:
    """Turn means over steps into means from the middle of each step to the middle of the next."""
    after: FloatArray = np.append(values[1:], values[-1:])
    return (values + after) / 2.0


def _sensor_fault(drive: Drive) -> str:
    if share_at_ends(drive, "coolant_temperature") > FAULTY_SHARE:
        return "coolant_not_rational"
    if coolant_jumps(drive) > MOST_JUMPS:
        return "coolant_jumps"
    return "coolant_disagrees_cold" if _disagrees_cold(drive) else ""


def _disagrees_cold(drive: Drive) -> bool:
    """After a long stand coolant, intake air and outside air must tell the same temperature."""
    soak = drive.session.soak_hours
    if soak is None or soak < SOAK_HOURS:
        return False
    first = first_readings(drive)
    witnesses = [first[key] for key in ("intake_air_temperature", "ambient_air_temperature") if key in first]
    if "coolant_temperature" not in first or not witnesses:
        return False
    away = min(abs(first["coolant_temperature"] - other) for other in witnesses)
    if len(witnesses) == 2 and abs(witnesses[0] - witnesses[1]) <= SOAK_AGREEMENT:
        return away > SOAK_AGREEMENT
    return away > SOAK_AGREEMENT_OF_TWO


def _outside_air(drive: Drive, coolant: Signal) -> tuple[float, str, float] | None:
    """Return outside temperature [degC], where it came from, and how far it may be off [K]."""
    ambient = readings(drive, "ambient_air_temperature")
    if ambient is not None:
        return median(ambient.values), "ambient_air_temperature", 2.0
    intake = readings(drive, "intake_air_temperature")
    if intake is not None:
        road = held(readings(drive, "vehicle_speed"), intake.times, 10.0)
        moving = intake.values[road > 40.0]
        if len(moving) >= 20:
            return quantiles(moving, (0.1,))[0], "intake_air_temperature", 4.0
        return quantiles(intake.values, (0.1,))[0], "intake_air_temperature", 6.0
    if drive.session.soak_hours is not None and drive.session.soak_hours >= SOAK_HOURS:
        return float(coolant.values[0]), "coolant_temperature", 6.0
    return None


def _running(drive: Drive, at: FloatArray, heat: HeatInput) -> BoolArray:
    speed = held(readings(drive, "engine_speed"), at)
    turning: BoolArray = np.where(np.isfinite(speed), speed >= RUNNING_SPEED, heat.heat > 0.0)
    return turning


def _standing_long(running: BoolArray) -> BoolArray:
    """Mark stops of the engine longer than `LONG_STOP`, given one value a second."""
    edges = np.flatnonzero(np.diff(np.r_[False, ~running, False].astype(np.int8)))
    long = np.zeros(len(running), dtype=np.bool_)
    for start, end in edges.reshape(-1, 2):
        long[start:end] = end - start > LONG_STOP or start == 0
    return long


def _between(signal: Signal, at: FloatArray) -> FloatArray:
    """Coolant between readings, straight; missing where the last reading is too old."""
    between: FloatArray = np.interp(at, signal.times, signal.values)
    between[~np.isfinite(held(signal, at))] = np.nan
    return between


def _window(temperature: FloatArray) -> int:
    """Return how many seconds to look at: all until the coolant is last below regulation, and `SETTLING` more."""
    below = np.flatnonzero(temperature < LOWEST_OPENING)
    last = below[-1] if len(below) else 0
    return int(min(len(temperature), last + SETTLING))


def _frozen(whole: Conditions) -> bool:
    megajoules = float(np.sum(whole.heat)) * whole.step / 1000.0
    long = len(whole.measured) * whole.step >= FROZEN_TIME and megajoules >= FROZEN_HEAT
    return long and bool(np.ptp(whole.measured) <= FROZEN_RANGE and np.max(whole.measured) < FROZEN_BELOW)
