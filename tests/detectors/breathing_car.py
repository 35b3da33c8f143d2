"""A car that breathes and sparks, built for these tests alone: what pulls, idle and a cruise show of air and advance.

Volumetric efficiency is a parabola about the speed of most torque (the textbook shape), air follows from it by the
definition of absolute load in SAE J1979, calculated load is the share of a healthy engine's full-throttle air, advance
rises 3 deg per 1,000 1/min and falls 0.25 deg per % of load. It shares no code with the simulation or the detectors.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from obdwatch.records import Car, CodeKind, CodeReading, Drive, FloatArray, MonitorResult, Session, Signal

SIX = Car(
    id="six",
    fuel="e10",
    displacement_l=3.0,
    cylinders=6,
    induction="naturally_aspirated",
    air_metering="both",
    cam_timing=("intake", "exhaust"),
    intake_flaps=True,
)


@dataclass(frozen=True)
class BreathingCar:
    """One car on one day; losses are shares of the air, pressures kPa, temperatures degC, advance deg."""

    best: float = 0.92  # volumetric efficiency at the speed of most torque
    best_speed: float = 4200.0
    width: float = 8500.0
    low_loss: float = 0.0  # below `change_over`
    high_loss: float = 0.0  # above it, growing to the red line
    all_loss: float = 0.0
    change_over: float = 3500.0
    sensor: float = 1.0  # what the air-mass sensor reads of the true flow
    noise: float = 0.006
    outside: float = 101.3
    intake_air: float = 30.0
    idle_pressure: float = 36.0
    idle_filling: float = 23.0
    trim: float = 0.0
    retard: float = 0.0  # under load
    retard_all: float = 0.0
    slope: float = 3.0  # deg per 1,000 1/min
    load_slope: float = -0.25  # deg per %
    seed: int = 1

    def efficiency(self, speed: FloatArray) -> FloatArray:
        """Volumetric efficiency at full throttle without any loss."""
        return self.best * (1.0 - ((speed - self.best_speed) / self.width) ** 2)

    def left(self, speed: FloatArray) -> FloatArray:
        """Share of that air that this engine gets."""
        high = np.clip((speed - self.change_over) / 1500.0, 0.0, 1.0) * self.high_loss
        return (1.0 - np.where(speed < self.change_over, self.low_loss, high)) * (1.0 - self.all_loss)


@dataclass(frozen=True)
class Trip:
    """Engine speed [1/min], throttle [%], load wanted [%] (NaN = full throttle), road speed [km/h], per 0.25 s."""

    speed: FloatArray
    throttle: FloatArray
    load: FloatArray
    road: FloatArray


STEP = 0.25


def trip(*, pulls: int = 2, low: float = 1600.0, high: float = 6400.0, cruise: float = 240.0) -> Trip:
    """Hot idle for a minute, cruising over many speeds and loads, then pulls of twelve seconds with rests between."""
    parts = [(np.full(240, 750.0), 14.0, np.full(240, 0.0), 0.0)]
    n = int(cruise / STEP)
    wave = np.arange(n) * STEP
    load = 50.0 + 28.0 * np.sin(wave / 9.0)
    parts.append((2600.0 + 1300.0 * np.sin(wave / 23.0), 30.0, load, 80.0))
    for _ in range(pulls):
        rise = np.linspace(low, high, 48)
        parts.append((np.full(40, low), 20.0, np.full(40, 35.0), 40.0))
        parts.append((rise, 86.0, np.full(48, np.nan), 80.0))
    parts.append((np.full(40, 1500.0), 18.0, np.full(40, 30.0), 60.0))
    count = [len(one[0]) for one in parts]
    return Trip(
        np.concatenate([one[0] for one in parts]),
        np.repeat([one[1] for one in parts], count),
        np.concatenate([one[2] for one in parts]),
        np.repeat([one[3] for one in parts], count),
    )


def drive(car: BreathingCar, way: Trip | None = None, every: int = 1, monitors: bool = False) -> Drive:
    """The drive as recorded, fast signals each `every` quarter second; `monitors` adds cams well within limits."""
    way = way or trip()
    random = np.random.default_rng(car.seed)
    times = np.arange(len(way.speed), dtype=np.float64) * STEP
    pull = np.isnan(way.load)
    density = car.outside / 101.325 * np.sqrt(298.15 / (car.intake_air + 273.15))
    full = 100.0 * car.efficiency(way.speed) * car.left(way.speed) * density
    healthy = 100.0 * car.efficiency(way.speed) * density
    idle = way.road == 0.0
    driven = np.where(idle, car.idle_filling, np.nan_to_num(way.load) * 0.85)
    air = np.where(pull, full, driven) * car.sensor * (1.0 + car.noise * random.standard_normal(len(times)))
    absolute = np.round(air * 2.55) / 2.55
    calculated = np.round(np.clip(100.0 * air / healthy, 0.0, 100.0) * 2.55) / 2.55
    pressure = np.where(pull, 0.97 * car.outside, np.where(idle, car.idle_pressure, 20.0 + 0.75 * driven))
    loaded = absolute > 55.0
    advance = 30.0 + car.slope * (way.speed / 1000.0 - 3.0) + car.load_slope * (absolute - 40.0)
    advance = advance - car.retard_all - np.where(loaded, car.retard, 0.0) + random.normal(0.0, 0.7, len(times))
    flow = air / 100.0 * 1.184 * 3.0 * way.speed / 120.0
    rows = {
        "engine_speed": ("1/min", way.speed),
        "throttle_position": ("%", way.throttle),
        "vehicle_speed": ("km/h", way.road),
        "absolute_load": ("%", absolute),
        "calculated_load": ("%", calculated),
        "air_flow": ("g/s", flow),
        "intake_manifold_pressure": ("kPa", np.round(pressure)),
        "timing_advance": ("deg", np.round(advance * 2.0) / 2.0),
        "short_term_fuel_trim_bank_1": ("%", np.where(absolute > 40.0, car.trim, 0.0)),
    }
    signals = {
        key: Signal(key, unit, times[::every], values[::every].astype(np.float64))
        for key, (unit, values) in rows.items()
    }
    slow = {
        "coolant_temperature": ("degC", 90.0),
        "intake_air_temperature": ("degC", car.intake_air),
        "barometric_pressure": ("kPa", car.outside),
        "long_term_fuel_trim_bank_1": ("%", 0.0),
        "fuel_system_status": ("", 2.0),
    }
    for key, (unit, value) in slow.items():
        signals[key] = Signal(key, unit, times[::8], np.full(len(times[::8]), value))
    results = cam_results((0.5, -0.5)) if monitors else ()
    return Drive(Session(f"drive {car.seed}", None), signals, monitors=results)


def cam_results(
    values: tuple[float, ...], bank: int = 1, limit: float = 10.0, at: float = 60.0
) -> tuple[MonitorResult, ...]:
    """Results of one bank's cam monitor, a test for each cam, in degrees with limits to both sides (SAE J1979 9D)."""
    return tuple(
        MonitorResult(at, 0x7E8, 0x34 + bank, 0x80 + n, 0x9D, (1, 1, 1), value, -limit, limit, "deg", True)
        for n, value in enumerate(values)
    )


def with_codes(drive: Drive, *codes: str, kind: CodeKind = CodeKind.STORED) -> Drive:
    """The drive with trouble codes read at its end."""
    return replace(drive, codes=tuple(CodeReading(100.0, kind, code, 0x7E8) for code in codes))
