"""A car that idles warm between short hops, built for the tests of the idle alone, on its own lines.

The air an idle needs follows from friction and load; the throttle that lets it in from the area a round plate opens in
a round bore, less deposits; a leak takes part of the air. It shares no code with the simulation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from obdwatch.records import Drive, FloatArray, Session, Signal


@dataclass(frozen=True)
class IdlingCar:
    """`deposits` and `leak` in mm2 of opening, `overlap` the share of filling lost to exhaust gas, `rough` [1/min]."""

    litres: float = 2.0
    bore: float = 58.0
    rest: float = 6.0  # angle of the plate at rest, deg
    speed: float = 750.0
    metering: str = "air_flow"  # or pressure, both
    deposits: float = 0.0
    leak: float = 0.0
    overlap: float = 0.0
    rough: float = 3.0
    hunting: float = 0.0
    barometer: float = 101.0
    air: float = 20.0
    accessories: float = 0.0  # share of the time with 60 % more load
    coolant: float = 90.0
    minutes: float = 6.0


def plate_angle(area: float, bore: float, rest: float) -> float:
    """Angle [deg] from rest at which a thin plate opens `area` [mm2].

    The textbook's projected area without the shaft: pi D^2/4 (1 - cos(a)/cos(rest)).
    """
    full = math.pi * bore**2 / 4.0
    return math.degrees(math.acos((1.0 - area / full) * math.cos(math.radians(rest)))) - rest


def drive(car: IdlingCar, seed: int = 1, every: float = 0.25) -> Drive:
    """One drive: standing 40 s, rolling 20 s, in turn."""
    generator = np.random.default_rng(seed)
    slow = np.arange(0.0, car.minutes * 60.0, 0.25)
    standing = (slow % 60.0) < 40.0
    loaded = (slow // 30.0) % 10 < 10.0 * car.accessories
    noise = car.rough * generator.standard_normal(len(slow))
    swing = car.hunting * np.sqrt(2.0) * np.sin(2.0 * np.pi * slow / 4.0)
    speed = np.where(standing, car.speed + noise + swing, 1800.0)
    # 1 g/s for each litre at 750 1/min is the mechanic's rule; it grows with speed and load.
    flow = car.litres * (car.speed / 750.0) * np.where(loaded, 1.6, 1.0) * np.where(standing, 1.0, 4.0)
    flow = flow * (1.0 + 0.01 * generator.standard_normal(len(slow)))
    kelvin = car.air + 273.15
    fill = 0.62 * (1.0 - car.overlap)
    pressure = flow * 287.05 * kelvin * 120.0 / (fill * car.litres * speed) / 1000.0
    area = flow * math.sqrt(kelvin) / (0.0404 * car.barometer)
    through = np.maximum(area - car.leak + car.deposits, 0.0)
    angles = np.array([plate_angle(min(one, 600.0), car.bore, car.rest) for one in np.round(through, 2)])
    throttle = np.clip(angles / 84.0 * 80.0, 0.0, 80.0)  # 80 % of the scale for the whole way
    measured = flow * (1.0 - car.leak / area) if car.metering != "pressure" else flow
    values: dict[str, tuple[str, FloatArray, float]] = {
        "engine_speed": ("1/min", speed, 0.25),
        "vehicle_speed": ("km/h", np.where(standing, 0.0, 30.0), 1.0),
        "coolant_temperature": ("degC", np.full(len(slow), car.coolant), 1.0),
        "intake_air_temperature": ("degC", np.full(len(slow), car.air), 1.0),
        "barometric_pressure": ("kPa", np.full(len(slow), car.barometer), 1.0),
        "relative_throttle_position": ("%", throttle, 100.0 / 255.0),
        "commanded_throttle_actuator": ("%", throttle, 100.0 / 255.0),
        "control_module_voltage": ("V", np.full(len(slow), 14.1), 0.001),
        "absolute_load": ("%", measured * 12000.0 / (speed * car.litres * 1.184), 100.0 / 255.0),
        "short_term_fuel_trim_bank_1": ("%", 100.0 * (flow / measured - 1.0), 100.0 / 128.0),
        "timing_advance": ("deg", np.full(len(slow), 12.0) + generator.standard_normal(len(slow)), 0.5),
    }
    if car.metering != "air_flow":
        values["intake_manifold_pressure"] = ("kPa", pressure, 1.0)
    if car.metering != "pressure":
        values["air_flow"] = ("g/s", measured, 0.01)
    take = max(1, round(every / 0.25))
    signals = {
        key: Signal(key, unit, slow[::take], np.round(series[::take] / step) * step)
        for key, (unit, series, step) in values.items()
    }
    return Drive(Session(f"idle-{seed}", None), signals)
