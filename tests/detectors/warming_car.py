"""A warming car built for these tests alone, on other lines than the detector's model, the truth beside the signals.

Three lumps instead of one (metal, coolant, water in the radiator), a wax that lags, a share of heat that falls with
load, a driver who turns the heater on, an engine that cuts fuel on overrun. It shares no code with the simulation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from obdwatch.records import Drive, FloatArray, Session, Signal

STOICHIOMETRIC, HEATING_VALUE = 14.7, 42.5


@dataclass(frozen=True)
class WarmingCar:
    """One car; conductances in kW/K, capacities in kJ/K, times in s. `leak` is the least opening of the thermostat."""

    displacement: float = 2.0
    mass: float = 1450.0
    metal: float = 55.0
    coolant: float = 22.0
    radiator_water: float = 12.0
    surface: float = 0.012
    surface_wind: float = 0.00025
    heater: float = 0.030
    radiator: float = 0.09
    radiator_wind: float = 0.006
    opening: float = 88.0
    wax_lag: float = 12.0
    leak: float = 0.0
    sticks_until: float | None = None  # opens only here, then works
    fan_on: float = 101.0


@dataclass(frozen=True)
class Trip:
    """What is driven: `style` town, mixed or motorway; `air` outside and `start` coolant temperature [degC]."""

    style: str = "mixed"
    minutes: float = 25.0
    air: float = 10.0
    start: float | None = None
    heater_on: bool = True
    ambient_sensor: bool = True
    every: float = 1.0  # s between readings
    seed: int = 1


STYLES = {
    "town": ((0, 15, 30, 50), 25.0),
    "mixed": ((0, 30, 50, 80, 100), 45.0),
    "motorway": ((50, 100, 120, 130), 120.0),
}


def speeds(trip: Trip, generator: np.random.Generator) -> FloatArray:
    """A driver who wants a new speed every so often and accelerates towards it, one value a second [km/h]."""
    wanted, keep = STYLES[trip.style]
    seconds = int(trip.minutes * 60)
    v = np.zeros(seconds)
    goal, left = 0.0, 15.0
    for i in range(1, seconds):
        left -= 1.0
        if left <= 0:
            goal, left = float(generator.choice(wanted)) * generator.uniform(0.85, 1.1), generator.exponential(keep) + 8
        v[i] = max(0.0, v[i - 1] + np.clip(goal - v[i - 1], -7.0, 5.0 - v[i - 1] / 40.0))
    return v


def engine(car: WarmingCar, v: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Engine speed [1/min], air [g/s] and fuel [g/s] for a speed trace: gears, road load, Willans line, overrun cut."""
    ratio = np.select([v < 1, v < 20, v < 40, v < 65, v < 90], [0, 95, 58, 40, 32], 25.0)
    idle = 780.0 + 350.0 * np.exp(-np.arange(len(v)) / 120.0)
    rpm = np.maximum(idle, v * ratio)
    acceleration = np.gradient(v) / 3.6
    ms = v / 3.6
    force = car.mass * acceleration + 0.011 * car.mass * 9.81 + 0.38 * ms**2
    brake = force * ms / 920.0
    friction = 0.17 * car.displacement * rpm / 120.0
    power = np.maximum(brake + friction, 0.35 * friction)
    cut = (brake < -0.5 * friction) & (rpm > 1350)
    fuel = np.where(cut, 0.0, power / 0.37 / HEATING_VALUE)
    air = np.where(cut, 0.10 * car.displacement * rpm / 120.0, fuel * STOICHIOMETRIC)
    return rpm, air, fuel


def throttle(car: WarmingCar, air: FloatArray, fuel: FloatArray) -> FloatArray:
    """Throttle position [%]: shut on overrun, hardly open at idle."""
    return np.where(fuel == 0.0, 12.0, 12.0 + 2.0 * air / car.displacement)


def temperatures(car: WarmingCar, trip: Trip, v: FloatArray, fuel: FloatArray) -> FloatArray:
    """Coolant temperature at the sensor [degC], one value a second."""
    start = trip.air if trip.start is None else trip.start
    metal = coolant = wax = start
    water = trip.air
    stuck = car.sticks_until is not None
    out = np.empty(len(v))
    for i in range(len(v)):
        out[i] = coolant
        if stuck and coolant >= (car.sticks_until or 0.0):
            stuck = False
        wax += (coolant - wax) / car.wax_lag
        open_share = car.leak if stuck else max(car.leak, min(1.0, max(0.0, (wax - car.opening) / 9.0)))
        heat = fuel[i] * HEATING_VALUE
        share = 0.40 - 0.0015 * min(heat, 80.0)
        exchange = 1.6 * (metal - coolant)
        flow = 1.8 * open_share * (coolant - water)
        fan = 0.35 if coolant > car.fan_on else 0.0
        warm = car.heater if trip.heater_on and coolant > 45.0 else 0.0
        metal += (share * heat - exchange - (car.surface + car.surface_wind * v[i]) * (metal - trip.air)) / car.metal
        coolant += (exchange - warm * (coolant - trip.air) - flow) / car.coolant
        water += (flow - (car.radiator + car.radiator_wind * v[i] + fan) * (water - trip.air)) / car.radiator_water
    return out


def record(car: WarmingCar, trip: Trip, **session: float) -> Drive:
    """The drive as an adapter would have recorded it: each signal at its own times, quantised as J1979 does."""
    generator = np.random.default_rng(trip.seed)
    v = speeds(trip, generator)
    rpm, air, fuel = engine(car, v)
    coolant = temperatures(car, trip, v, fuel)
    bay = trip.air + 3.0 + 14.0 * np.exp(-v / 25.0) * np.clip((coolant - trip.air) / 70.0, 0.0, 1.0)
    truth = {
        "coolant_temperature": (coolant, 1.0, "degC"),
        "engine_speed": (rpm, 0.25, "1/min"),
        "vehicle_speed": (v, 1.0, "km/h"),
        "air_flow": (air * generator.normal(1.0, 0.05), 0.01, "g/s"),
        "intake_air_temperature": (bay, 1.0, "degC"),
        "throttle_position": (throttle(car, air, fuel), 0.4, "%"),
    }
    if trip.ambient_sensor:
        truth["ambient_air_temperature"] = (np.full(len(v), trip.air), 1.0, "degC")
    signals = {}
    for key, (values, digit, unit) in truth.items():
        times = np.arange(generator.uniform(0.0, trip.every), len(v) - 1.0, trip.every)
        times = times + generator.uniform(0.0, 0.2 * trip.every, len(times))
        times = times[times < len(v) - 1.0]
        signals[key] = Signal(key, unit, times, np.round(np.interp(times, np.arange(len(v)), values) / digit) * digit)
    return Drive(Session("made", None, **session), signals)


def any_car(generator: np.random.Generator) -> WarmingCar:
    """A healthy car such as stand on the road: 1.0 to 4.0 L, thermostat 82 to 103 degC."""
    size = float(generator.uniform(1.0, 4.0))
    scale = size / 2.0

    def about(value: float) -> float:
        return value * float(generator.uniform(0.75, 1.3))

    return WarmingCar(
        displacement=size,
        mass=1000.0 + 250.0 * size,
        metal=about(15.0 + 20.0 * size),
        coolant=about(10.0 + 6.0 * size),
        radiator_water=about(12.0),
        surface=about(0.012) * scale**0.6,
        surface_wind=about(0.00025) * scale**0.6,
        heater=float(generator.uniform(0.01, 0.05)),
        radiator=about(0.09) * scale**0.6,
        radiator_wind=about(0.006) * scale**0.6,
        opening=float(generator.choice([82.0, 85.0, 87.0, 88.0, 89.0, 92.0, 95.0, 103.0])),
    )


def any_trip(generator: np.random.Generator) -> Trip:
    """A cold or half-warm start in any season, 8 to 40 minutes."""
    air = float(generator.uniform(-12.0, 32.0))
    return Trip(
        style=str(generator.choice(list(STYLES))),
        minutes=float(generator.uniform(8.0, 40.0)),
        air=air,
        start=air + float(generator.choice([0.0, 0.0, 3.0, 15.0])),
        heater_on=bool(generator.random() < 0.7),
        ambient_sensor=bool(generator.random() < 0.7),
        every=float(generator.choice([0.5, 1.0, 2.0, 5.0])),
        seed=int(generator.integers(1_000_000)),
    )


def with_fault(car: WarmingCar, **changes: float) -> WarmingCar:
    """The same car with something changed."""
    return replace(car, **changes)  # type: ignore[arg-type]
