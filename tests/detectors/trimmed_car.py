"""An engine with a fuel control, built for these tests alone: what it breathes, what its sensors say, what it corrects.

Air from the work on the road (textbook road load, Willans line), manifold pressure from that air, a leak as isentropic
flow through a hole, trims as what is needed to come back to lambda 1. It shares no code with simulation or detector.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from obdwatch.records import Car, Drive, FloatArray, MonitorResult, Session, Signal
from tests.detectors.hot_car import trip

ROAD = ((0, 90), (50, 180), (0, 30), (70, 240), (50, 120), (100, 240), (0, 90))
"""Speeds [km/h] and seconds of a drive with idle, town and country road."""


LIMIT = 35.0
"""Most that each trim corrects [%] (common practice: 25 to 50)."""


@dataclass(frozen=True)
class TrimmedCar:
    """One car; shares are of one (0.05 is 5 %)."""

    size: float = 2.0
    cylinders: int = 4
    metering: str = "air_flow"  # both, pressure
    gain: float = 0.0  # error of sensor, injectors and fuel, the same everywhere
    bend: float = 0.0  # error of the air sensor at idle against that on the road
    hole: float = 0.0  # mm, discharge coefficient 0.7
    exhaust: float = 0.0  # false lean at idle; falls with the square of flow
    dirty: float = 0.0  # the air sensor reads low by so much at 20 g/s per litre
    pump: float = 0.0  # fuel missing at 20 g/s per litre
    banks: tuple[float, ...] = (0.0,)  # of each bank alone
    bank_exhaust: float = 0.0  # of bank 2 alone
    purge: float = 0.0  # vapour as a share of the fuel at idle
    ripple: float = 0.02
    outside: float = 101.3


def breathe(car: TrimmedCar, v: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Engine speed [1/min], air burnt [g/s], manifold pressure [kPa], one a second."""
    ratio = np.select([v < 1, v < 20, v < 40, v < 65, v < 90], [0, 95, 58, 42, 33], 27.0)
    rpm = np.maximum(750.0, v * ratio)
    ms = v / 3.6
    force = 1350.0 * np.gradient(ms) + 1350.0 * 9.81 * 0.012 + 0.38 * ms**2
    work = np.maximum(force * ms / 0.9, 0.0) / 1000.0 + 160.0 * car.size * rpm / 120.0 / 1000.0 + 0.8
    air = work / 0.38 / 42.9 * 14.7
    efficiency = 0.66 + 0.14 * np.clip((rpm - 750.0) / 1750.0, 0.0, 1.0)
    density = air / (efficiency * car.size * rpm / 120.0)  # g/L
    return rpm, air, np.clip(density * 0.28705 * 310.0, 18.0, car.outside)


def leak(car: TrimmedCar, pressure: FloatArray) -> FloatArray:
    """Air through the hole [g/s]: St. Venant and Wantzel, as in any book on gas flow."""
    ratio = np.clip(pressure / car.outside, 0.5283, 1.0)
    psi = np.sqrt(2.0 * 1.4 / 0.4 * (ratio ** (2.0 / 1.4) - ratio ** (2.4 / 1.4)))
    flux = car.outside * 1000.0 / math.sqrt(287.05 * 298.15) * psi
    return 0.7 * math.pi / 4.0 * car.hole**2 * flux / 1000.0


def wanted(car: TrimmedCar, air: FloatArray, pressure: FloatArray, bank: int) -> tuple[FloatArray, FloatArray]:
    """Correction needed [share] and the air the control unit believes in [g/s]."""
    idle = float(np.min(air[air > 0.3]))
    flow = air / (20.0 * car.size)
    counted = air if car.metering == "pressure" else np.maximum(air - leak(car, pressure), 0.2 * air)
    bent = car.bend * np.clip(1.0 - np.log(air / idle) / np.log(8.0), 0.0, 1.0)
    read = counted * (1.0 - car.dirty * np.minimum(flow, 1.5)) / (1.0 + bent)
    need = air / read * (1.0 + car.gain) * (1.0 + car.banks[bank - 1]) / (1.0 - car.pump * np.minimum(flow, 1.5))
    false = car.exhaust + (car.bank_exhaust if bank == 2 else 0.0)
    return need * (1.0 + false * (idle / air) ** 2) - 1.0, read


def record(
    car: TrimmedCar,
    parts: tuple[tuple[float, float], ...] = ROAD,
    *,
    coolant: float = 90.0,
    every: float = 0.5,
    seed: int = 1,
    misfires: dict[int, int] | None = None,
    level: float = 60.0,
    start: object = None,
) -> Drive:
    """The drive as an adapter would have recorded it, each signal at its own times, quantised as J1979 does."""
    generator = np.random.default_rng(seed)
    v = trip(*parts)
    seconds = np.arange(len(v), dtype=np.float64)
    rpm, air, pressure = breathe(car, v)
    cut = (np.gradient(v) < -2.0) & (v > 15.0)
    valve = np.where((seconds % 60.0) < 30.0, 0.4, 0.0)
    signals: dict[str, Signal] = {}

    def say(key: str, unit: str, values: FloatArray, step: float, interval: float, noise: float = 0.0) -> None:
        times = np.arange(0.3 * generator.random(), len(v) - 1.0, interval)
        seen = np.interp(times, seconds, values) + generator.normal(0.0, 1.0, len(times)) * noise
        signals[key] = Signal(key, unit, times, np.round(seen / step) * step)

    believed = air
    for bank in range(1, len(car.banks) + 1):
        need, believed = wanted(car, air, pressure, bank)
        need = need - car.purge * valve * np.min(air) / air
        long = np.empty(len(v))
        slow = 0.7 * float(np.mean(need))
        for i, target in enumerate(need.tolist()):
            slow += (target - slow) / 40.0 * (0.0 if cut[i] else 1.0)
            long[i] = slow
        say(f"long_term_fuel_trim_bank_{bank}", "%", np.clip(100.0 * long, -LIMIT, LIMIT), 100.0 / 128.0, 2.0)
        key = f"short_term_fuel_trim_bank_{bank}"
        times = np.arange(0.2, len(v) - 1.0, every)
        swing = car.ripple * 100.0 * (2.0 / np.pi) * np.arcsin(np.sin(2.0 * np.pi * (0.7 * times + bank)))
        steady = np.interp(times, seconds, np.clip(100.0 * (need - long), -LIMIT, LIMIT)) * ~(
            np.interp(times, seconds, cut) > 0.5
        )
        short = steady + swing + generator.normal(0.0, 0.5, len(times))
        signals[key] = Signal(key, "%", times, np.round(short / 0.78125) * 0.78125)
    say("engine_speed", "1/min", rpm, 0.25, every, 6.0)
    say("vehicle_speed", "km/h", v, 1.0, every)
    say("coolant_temperature", "degC", np.full(len(v), coolant), 1.0, 2.0)
    say("intake_air_temperature", "degC", np.full(len(v), 36.0), 1.0, 2.0)
    say("barometric_pressure", "kPa", np.full(len(v), car.outside), 1.0, 30.0)
    say("fuel_level", "%", np.full(len(v), level), 100.0 / 255.0, 30.0)
    say("commanded_evap_purge", "%", 100.0 * valve, 100.0 / 255.0, 1.0)
    say("absolute_load", "%", believed / (1.184 * car.size * rpm / 120.0) * 100.0, 100.0 / 255.0, every, 0.1)
    say("calculated_load", "%", believed / (1.0 * car.size * rpm / 120.0) * 100.0, 100.0 / 255.0, every, 0.2)
    status = np.where(cut, 4.0, 2.0)
    times = np.arange(0.1, len(v) - 1.0, 1.0)
    signals["fuel_system_status"] = Signal("fuel_system_status", "", times, status[times.astype(int)])
    if car.metering != "pressure":
        say("air_flow", "g/s", believed, 0.01, every, 0.02)
    if car.metering != "air_flow":
        say("intake_manifold_pressure", "kPa", pressure, 1.0, every, 0.3)
    monitors = tuple(
        MonitorResult(seconds[-1], 0x7E8, 0xA1 + cylinder, 0x0C, 0x24, (n, 0, 65535), float(n), 0.0, 65535.0, "", True)
        for cylinder, n in (misfires or {}).items()
    )
    return Drive(Session(f"drive-{seed}", start), signals, monitors=monitors)  # type: ignore[arg-type]


def profile(car: TrimmedCar, fuel: str | None = "e10") -> Car:
    """The car as its keeper would describe it."""
    half = car.cylinders // 2
    sides = (tuple(range(1, half + 1)), tuple(range(half + 1, car.cylinders + 1)))
    return Car(
        "test",
        fuel=fuel,
        displacement_l=car.size,
        cylinders=car.cylinders,
        air_metering=car.metering,
        bank_cylinders=sides if len(car.banks) == 2 else (tuple(range(1, car.cylinders + 1)),),
    )
