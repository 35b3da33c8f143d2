"""What a drive shows of the fuel trims: their total per bank while the engine is hot, steady and governed by its oxygen
sensor, beside the air it measures and the vacuum in its manifold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.heat_input import DIESEL_TYPES, displacement
from obdwatch.detectors.sampled import held, readings, spacing
from obdwatch.physics import air
from obdwatch.physics.order_statistics import median
from obdwatch.physics.sensors import breathing
from obdwatch.records import BoolArray, Car, Drive, FloatArray
from obdwatch.signals import masks

STEP = 1.0
"""Step of the grid [s]: short trims swing with the oxygen sensor about once a second."""

LONGEST = 86400.0
"""Longest drive looked at [s]; more is a wrong clock."""

WINDOW = 6
"""Steps over which the air must be steady: gas travels to the sensor in under 1 s and the short trim follows within a
few swings (common practice)."""

STEADY_AIR, STEADY_SPEED = 0.30, 0.15
"""Range of air flow and engine speed over the window, as a share of their mean: the similar-conditions window of
40 CFR 86.010-18 is 20 % load and 375 1/min either side; tighter by about half."""

LATEST_FAST, LATEST_SLOW = 8.0, 65.0
"""Oldest reading [s] used of a moving quantity when the log is slow, and of trims and temperatures."""

WARM_AIR_FLOW = 0.3
"""Air flow below which an engine is not running or the sensor is dead [g/s]."""

SIZES = (0.3, 10.0)
"""Engines of cars [L]."""

UNKNOWN_SIZE = 2.0
"""Engine size that scales the air when nobody tells [L]; only shares are then reported, never grams."""

PART_LOAD_BREATHING = 0.78
"""Volumetric efficiency in the manifold's own density at part load, 0.65 to 0.9 (common practice)."""

SLOWEST_DRIVING = 1000.0
"""Engine speed [1/min] below which a car whose speed nobody tells is taken to stand: above a warm idle, below what a
driver or an automatic gearbox pulls with (common practice)."""

STOICHIOMETRIC = (0.97, 1.03)
"""Commanded lambda with which the oxygen sensor can govern; outside it the fuel is enriched or cut."""

END_OF_TRIM = 99.0
"""Total trim [%] no control unit reaches: each of the two is limited to 25 to 50 (common practice), and its scale ends
at 99.2 (SAE J1979)."""

BANKS = (1, 2)


@dataclass(frozen=True, slots=True)
class TrimRecord:
    """Usable seconds of a drive. `times` [s]; `trim` [banks, n] in %; `air` [g/s], true grams only if `in_grams`;
    `ratio`, manifold over outside pressure, measured only if `vacuum` is "pressure"; `purge` [0..1], NaN unknown;
    `idle` marks standing idle; `breathing` [-], NaN unless air and pressure are both measured; `speed` [1/min];
    `loop_known` when the car says that its loop is closed; `metering`: air_flow, pressure, load;
    `size` [L], a usual one where unknown.
    """

    times: FloatArray
    trim: FloatArray
    banks: tuple[int, ...]
    air: FloatArray
    ratio: FloatArray
    purge: FloatArray
    idle: BoolArray
    breathing: FloatArray
    speed: FloatArray
    in_grams: bool
    vacuum: str
    loop_known: bool
    metering: str
    outside: float
    warmth: float
    size: float


@dataclass(frozen=True, slots=True)
class Missing:
    """Why a drive cannot be judged: a signature of `fuel_trims.DRIVE_TO_GET`."""

    signature: str


def prepare(drive: Drive, car: Car | None) -> TrimRecord | Missing:
    """Collect the usable seconds, or say what is missing; any signal may be absent."""
    at = _grid(drive)
    if _is_diesel(drive, car):
        return Missing("diesel")
    trims = _trims(drive, at)
    if not trims:
        unplaced = len(at) == 0 and all(readings(drive, f"{term}_term_fuel_trim_bank_1") for term in ("long", "short"))
        return Missing("signals_missing" if unplaced else "trims_missing")
    speed = _moving(drive, "engine_speed", at)
    coolant = held(readings(drive, "coolant_temperature"), at, LATEST_SLOW)
    outside, warmth = _outside(drive), _usual(drive, "intake_air_temperature", 25.0)
    if not np.isfinite(speed).any() or not np.isfinite(coolant).any():
        return Missing("signals_missing")
    flow, in_grams, metering = _air(drive, car, at, speed, outside, warmth)
    if not np.isfinite(flow).any():
        return Missing("air_missing")
    ratio, vacuum = _ratio(drive, at, outside)
    loop, loop_known = _closed_loop(drive, at)
    hot = (coolant >= masks.WARM_COOLANT) & (speed >= masks.RUNNING_SPEED) & (flow > WARM_AIR_FLOW)
    good = hot & loop & _steady(flow, STEADY_AIR) & _steady(speed, STEADY_SPEED)
    total = np.stack([trims[bank] for bank in trims])
    good &= np.all(np.abs(total) <= END_OF_TRIM, axis=0)
    standing = held(readings(drive, "vehicle_speed"), at, LATEST_FAST)
    idle = (speed <= masks.IDLE_ENGINE_SPEED) & (standing <= masks.IDLE_VEHICLE_SPEED)
    if not np.isfinite(standing).any():
        idle = speed <= SLOWEST_DRIVING
    if not good.any():
        return Missing("never_hot" if not hot.any() else "never_steady")
    here = np.flatnonzero(good)
    return TrimRecord(
        times=at[here],
        trim=total[:, here],
        banks=tuple(trims),
        air=flow[here],
        ratio=ratio[here],
        purge=held(readings(drive, "commanded_evap_purge"), at[here], LATEST_FAST) / 100.0,
        idle=idle[here],
        breathing=_breathing(drive, car, at[here], flow[here], speed[here], metering, warmth),
        speed=speed[here],
        in_grams=in_grams,
        vacuum=vacuum,
        loop_known=loop_known,
        metering=metering,
        outside=outside,
        warmth=warmth,
        size=_size(drive, car) or UNKNOWN_SIZE,
    )


def _grid(drive: Drive) -> FloatArray:
    """Even times over what the engine was seen running; a stray time far off does not stretch it beyond a day."""
    speed = readings(drive, "engine_speed")
    if speed is None:
        return np.empty(0)
    first = float(speed.times[0])
    return np.arange(first, min(float(speed.times[-1]), first + LONGEST) + STEP / 2.0, STEP)


def _is_diesel(drive: Drive, car: Car | None) -> bool:
    if car is not None and car.fuel is not None:
        return car.fuel == "diesel"
    kind = readings(drive, "fuel_type")
    return kind is not None and float(kind.values[-1]) in DIESEL_TYPES


def _trims(drive: Drive, at: FloatArray) -> dict[int, FloatArray]:
    """Total trim [%] by bank: long and short together; a bank whose every reading is exactly -100 is not fitted."""
    found = {}
    for bank in BANKS:
        long = readings(drive, f"long_term_fuel_trim_bank_{bank}")
        short = readings(drive, f"short_term_fuel_trim_bank_{bank}")
        if long is None or short is None:
            continue
        age = min(LATEST_FAST, max(masks.FAST_AGE, 2.5 * spacing(short)))
        total = held(long, at, LATEST_SLOW) + held(short, at, age)
        if np.any(np.abs(total) <= END_OF_TRIM) and (np.ptp(long.values) > 0.0 or np.ptp(short.values) > 0.0):
            found[bank] = total
    return found


def _moving(drive: Drive, key: str, at: FloatArray) -> FloatArray:
    signal = readings(drive, key)
    return held(signal, at, min(LATEST_FAST, max(masks.FAST_AGE, 2.5 * spacing(signal))))


def _size(drive: Drive, car: Car | None) -> float | None:
    """Engine size [L], None where nobody tells or nonsense is told."""
    size = displacement(drive, car)
    return size if size is not None and SIZES[0] <= size <= SIZES[1] else None


def _outside(drive: Drive) -> float:
    return _usual(drive, "barometric_pressure", air.STANDARD_PRESSURE)


def _usual(drive: Drive, key: str, otherwise: float) -> float:
    signal = readings(drive, key)
    return otherwise if signal is None else median(signal.values)


def _air(
    drive: Drive, car: Car | None, at: FloatArray, speed: FloatArray, outside: float, warmth: float
) -> tuple[FloatArray, bool, str]:
    """Air the control unit reckons with [g/s], whether it is true grams, and how the car meters it."""
    size = _size(drive, car)
    known, litres = size is not None, size or UNKNOWN_SIZE
    by_pressure = readings(drive, "intake_manifold_pressure") is not None
    metering = "pressure" if by_pressure else "load"
    if car is not None and car.air_metering is not None:
        metering = "pressure" if car.air_metering == "pressure" else "air_flow"
    if readings(drive, "air_flow") is not None:
        told = car is not None and car.air_metering == "pressure"
        return _moving(drive, "air_flow", at), True, "pressure" if told else "air_flow"
    if readings(drive, "absolute_load") is not None:
        load = _moving(drive, "absolute_load", at)
        return air.absolute_load_air_flow(speed, load, litres), known, metering
    if by_pressure:
        pressure = _moving(drive, "intake_manifold_pressure", at)
        temperature = np.full(len(at), warmth)
        return air.speed_density_air_flow(speed, pressure, temperature, litres, PART_LOAD_BREATHING), known, metering
    share = _moving(drive, "calculated_load", at)
    return air.calculated_load_air_flow(speed, share, litres, 0.88, outside, warmth), known, metering


def _ratio(drive: Drive, at: FloatArray, outside: float) -> tuple[FloatArray, str]:
    """Manifold over outside pressure: measured, else guessed from load, which follows it nearly in proportion."""
    pressure = _moving(drive, "intake_manifold_pressure", at)
    if np.isfinite(pressure).any():
        return np.clip(pressure / outside, 0.05, 1.0), "pressure"
    for key in ("absolute_load", "calculated_load"):
        load = _moving(drive, key, at)
        if np.isfinite(load).any():
            standard = air.STANDARD_PRESSURE / outside if key == "absolute_load" else 1.0
            return np.clip(load / 100.0 / PART_LOAD_BREATHING * standard, 0.15, 1.0), "load"
    return np.full(len(at), np.nan), "none"


def _closed_loop(drive: Drive, at: FloatArray) -> tuple[BoolArray, bool]:
    """Where the oxygen sensor governs. Without the status: where lambda 1 is asked for, at less than full load."""
    wanted = _moving(drive, "commanded_equivalence_ratio", at)
    near = ~(wanted < STOICHIOMETRIC[0]) & ~(wanted > STOICHIOMETRIC[1])
    status = held(readings(drive, "fuel_system_status"), at, masks.STATUS_AGE)
    if np.isfinite(status).any():
        return np.isin(status, masks.CLOSED_LOOP) & near, True
    load = _moving(drive, "calculated_load", at)
    governed: BoolArray = near & ~(load >= masks.FULL_LOAD)
    return governed, False


def _steady(values: FloatArray, most: float) -> BoolArray:
    """Whether a quantity stayed within a share of its mean over the window up to each step; False where unknown."""
    steady = np.zeros(len(values), dtype=np.bool_)
    if len(values) < WINDOW:
        return steady
    seen = np.lib.stride_tricks.sliding_window_view(values, WINDOW)
    steady[WINDOW - 1 :] = np.ptp(seen, axis=1) <= most * np.mean(seen, axis=1)
    return steady


def _breathing(
    drive: Drive, car: Car | None, at: FloatArray, flow: FloatArray, speed: FloatArray, metering: str, warmth: float
) -> FloatArray:
    size = _size(drive, car)
    if readings(drive, "air_flow") is None or metering != "air_flow" or size is None:
        return np.full(len(at), np.nan)
    pressure = _moving(drive, "intake_manifold_pressure", at)
    pressure = np.where(pressure > 10.0, pressure, np.nan)
    return breathing(flow, np.maximum(speed, 1.0), pressure, np.full(len(at), warmth), size)
