"""In which conditions an engine turned, and at which of them it misfired: temperature, load, mixture.

Counters are read seldom and conditions change between readings, so the share of each condition is estimated from all
steps together. Revolutions come from engine speed; a gap in it is a gap and adds none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.sampled import held, readings
from obdwatch.physics.misfire import rates_by_condition, revolutions_of
from obdwatch.physics.order_statistics import median
from obdwatch.records import BoolArray, Drive, FloatArray
from obdwatch.signals.masks import (
    CLOSED_LOOP,
    FULL_LOAD,
    FULL_THROTTLE,
    FULL_THROTTLE_ENGINE_SPEED,
    IDLE_ENGINE_SPEED,
    IDLE_VEHICLE_SPEED,
    RUNNING_SPEED,
    WARM_COOLANT,
)

STEP = 1.0
"""Grid [s]: engine speed moves little in it, and counters come far more seldom."""

LONGEST = 172_800.0
"""Length of a drive at most [s], two days: a damaged clock must not fill the memory."""

AFTER_START = 180.0
"""Time after a cold start [s] in which coolant that seeped in, or fuel that dripped in, is burnt (workshop rule)."""

COLD_START = 50.0
"""Coolant at the start [degC] below which the engine had stood long enough for that (workshop rule)."""

LOADED = 60.0
"""Calculated load [%] from which cylinder pressure asks much of the spark: cruising needs 30 to 50 (workshop rule)."""

MOSTLY, LIFT = 0.6, 2.0
"""A condition explains the misfires when it holds so large a share of them, and so much more than its turns do."""

ENRICHED = 0.95
"""Commanded lambda below which a car asks for a rich mixture: full load wants 0.8 to 0.9 (common practice)."""

LEAN_LAMBDA, LEAN_VOLTAGE = 1.05, 0.3
"""Measured lambda above, and switching sensor voltage [V] below, which it is clearly lean (0.45 V is lambda 1)."""

LEAST_SECONDS = 5.0
"""Time at such load [s] before its mixture is judged: transport and sensor delay are below one (common practice)."""

FILLS_LITTLE = 75.0
"""Calculated load [%] at full throttle, 100 by definition, below which too little air is measured (SAE J1979)."""

TEMPERATURES = ("cold_start", "cold", "warm")
LOADS = ("idle", "light", "loaded")


@dataclass(frozen=True, slots=True)
class Turning:
    """The engine on an even grid: `revolutions` [n] turned in each step, and the place of each step in `TEMPERATURES`
    and `LOADS`, -1 for unknown. `started` [s] is when the engine was seen to start, None where it ran already.
    """

    times: FloatArray
    revolutions: FloatArray
    temperature: FloatArray
    load: FloatArray
    started: float | None
    coolant_at_start: float | None

    def until(self, at: FloatArray, where: BoolArray | None = None) -> FloatArray:
        """Return revolutions since the beginning at the times `at` [s]; only those of the steps `where`."""
        turned = self.revolutions if where is None else np.where(where, self.revolutions, 0.0)
        edges = np.append(self.times, self.times[-1] + STEP)
        reached: FloatArray = np.interp(at, edges, np.concatenate([[0.0], np.cumsum(turned)]))
        return reached


@dataclass(frozen=True, slots=True)
class Shares:
    """Share of the misfires [0..1] in each condition, and of the revolutions; empty where nothing can be told."""

    misfires: dict[str, float]
    revolutions: dict[str, float]

    def mostly(self, condition: str) -> bool:
        """Whether this condition explains the misfires."""
        share = self.misfires.get(condition, 0.0)
        return share >= MOSTLY and share >= LIFT * self.revolutions.get(condition, 1.0)


def turning(drive: Drive) -> Turning | None:
    """Return how the engine turned, None where engine speed is missing."""
    speed = readings(drive, "engine_speed")
    if speed is None or len(speed.times) < 2:
        return None
    end = min(speed.times[-1], speed.times[0] + LONGEST)
    times = np.arange(speed.times[0], end + STEP / 2, STEP)
    rpm = held(speed, times)
    running = rpm >= RUNNING_SPEED
    revolutions = np.where(running, rpm, 0.0) * float(revolutions_of(1.0, STEP))
    first = int(np.argmax(running)) if running.any() else 0
    started = _started(drive, times, rpm, first) if running.any() else None
    coolant = held(readings(drive, "coolant_temperature"), times)
    known = np.flatnonzero(np.isfinite(coolant))
    at_start = float(coolant[known[0]]) if len(known) else None
    return Turning(
        times=times,
        revolutions=revolutions,
        temperature=_temperature(times, coolant, started, at_start),
        load=_load(drive, times, rpm),
        started=started,
        coolant_at_start=at_start,
    )


def _started(drive: Drive, times: FloatArray, rpm: FloatArray, first: int) -> float | None:
    if first > 0 and rpm[first - 1] < RUNNING_SPEED:
        return float(times[first])
    run_time = readings(drive, "run_time")
    if run_time is not None and run_time.values[0] <= run_time.times[0] - times[0] + AFTER_START / 6.0:
        return float(max(times[0], run_time.times[0] - run_time.values[0]))
    return None


def _temperature(times: FloatArray, coolant: FloatArray, started: float | None, at_start: float | None) -> FloatArray:
    place = np.where(coolant >= WARM_COOLANT, 2.0, np.where(coolant < WARM_COOLANT, 1.0, -1.0))
    if started is not None and at_start is not None and at_start < COLD_START:
        place[(times >= started) & (times < started + AFTER_START)] = 0.0
    return place


def _load(drive: Drive, times: FloatArray, rpm: FloatArray) -> FloatArray:
    load = held(readings(drive, "calculated_load"), times)
    if not np.isfinite(load).any():
        load = held(readings(drive, "absolute_load"), times)
    road = held(readings(drive, "vehicle_speed"), times)
    place = np.where(load >= LOADED, 2.0, np.where(load < LOADED, 1.0, -1.0))
    place[(rpm <= IDLE_ENGINE_SPEED) & (road <= IDLE_VEHICLE_SPEED)] = 0.0
    return place


def shares(turned: Turning, times: FloatArray, counts: FloatArray, *, by_load: bool) -> Shares:
    """Return in which loads (or temperatures) the misfires of the counters `counts` [n] at `times` [n, s] happened."""
    names, place = (LOADS, turned.load) if by_load else (TEMPERATURES, turned.temperature)
    exposure = np.stack([np.diff(turned.until(times, place == one)) for one in range(len(names))], axis=1)
    grown = np.diff(counts)
    if len(grown) == 0 or exposure.sum() <= 0.0 or grown.sum() <= 0.0:
        return Shares({}, {})
    found = np.nan_to_num(rates_by_condition(exposure, grown)) * exposure.sum(axis=0)
    turns = exposure.sum(axis=0) / exposure.sum()
    return Shares(dict(zip(names, found / max(found.sum(), 1e-9), strict=True)), dict(zip(names, turns, strict=True)))


def starves_under_load(drive: Drive, turned: Turning) -> bool | None:
    """Whether the exhaust reads lean while a rich mixture is asked for; None where that was not seen long enough."""
    asked = held(readings(drive, "commanded_equivalence_ratio"), turned.times, 3.0)
    load = held(readings(drive, "calculated_load"), turned.times, 3.0)
    rich = asked < ENRICHED if np.isfinite(asked).any() else load >= FULL_LOAD
    rich &= (turned.load == 2.0) & (turned.temperature != 0.0)
    for bank in (1, 2):
        for key, lean_above, sign in (
            (f"oxygen_sensor_equivalence_ratio_bank_{bank}_sensor_1", LEAN_LAMBDA, 1.0),
            (f"oxygen_sensor_equivalence_ratio_by_current_bank_{bank}_sensor_1", LEAN_LAMBDA, 1.0),
            (f"oxygen_sensor_voltage_bank_{bank}_sensor_1", LEAN_VOLTAGE, -1.0),
        ):
            value = held(readings(drive, key), turned.times, 3.0)[rich]
            value = value[np.isfinite(value)]
            if len(value) * STEP >= LEAST_SECONDS:
                return bool(sign * (median(value) - lean_above) > 0.0)
    return None


def measures_little_air(drive: Drive, turned: Turning) -> bool:
    """Whether the measured air stays far below a full cylinder although the throttle is wide open."""
    throttle = held(readings(drive, "throttle_position"), turned.times, 3.0)
    load = held(readings(drive, "calculated_load"), turned.times, 3.0)
    open_wide = (throttle >= FULL_THROTTLE) & np.isfinite(load)
    open_wide &= turned.revolutions >= revolutions_of(FULL_THROTTLE_ENGINE_SPEED, STEP)
    return bool(np.count_nonzero(open_wide) * STEP >= LEAST_SECONDS and median(load[open_wide]) < FILLS_LITTLE)


def bank_trim(drive: Drive, bank: int) -> float | None:
    """Return the usual total fuel trim of a bank, warm and in closed loop [%], None where it was not seen for a minute.

    The median is that of undisturbed moments: misfire now and then does not move it.
    """
    short = readings(drive, f"short_term_fuel_trim_bank_{bank}")
    if short is None:
        return None
    times = np.arange(short.times[0], min(short.times[-1], short.times[0] + LONGEST), STEP)
    total = held(short, times, 5.0) + np.nan_to_num(held(readings(drive, f"long_term_fuel_trim_bank_{bank}"), times))
    good = held(readings(drive, "coolant_temperature"), times) >= WARM_COOLANT
    status = readings(drive, "fuel_system_status")
    if status is not None:
        good &= np.isin(held(status, times), CLOSED_LOOP)
    total = total[good & np.isfinite(total)]
    return median(total) if len(total) * STEP >= 60.0 else None


def trim_growth(drive: Drive, turned: Turning) -> float | None:
    """Return by how much the trims under load lie above those at light load [%], both warm and in closed loop.

    Fuel that runs short with flow makes them grow; None where either was seen for less than half a minute.
    """
    grown = []
    for bank in (1, 2):
        short = readings(drive, f"short_term_fuel_trim_bank_{bank}")
        if short is None:
            continue
        long_term = readings(drive, f"long_term_fuel_trim_bank_{bank}")
        total = held(short, turned.times, 5.0) + np.nan_to_num(held(long_term, turned.times))
        good = (turned.temperature == 2.0) & np.isfinite(total)
        status = readings(drive, "fuel_system_status")
        if status is not None:
            good &= np.isin(held(status, turned.times), CLOSED_LOOP)
        loaded, light = total[good & (turned.load == 2.0)], total[good & (turned.load == 1.0)]
        if min(len(loaded), len(light)) * STEP >= 30.0:
            grown.append(median(loaded) - median(light))
    return float(np.mean(grown)) if grown else None
