"""A car with a whole cooling system, built for these tests alone: pump, thermostat, radiator, fan, what breaks them.

Heat balance of metal, coolant and radiator water; the radiator's conductance grows with road speed (textbook law of
forced convection, power 0.8) and with the fan, the flow with the pump. It shares no code with the simulation or the
detector.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from obdwatch.records import Car, Drive, FloatArray, Session, Signal


@dataclass(frozen=True)
class HotCar:
    """One car; conductances in kW/K, capacities in kJ/K, temperatures in degC. `electric` pumps do not follow rpm."""

    size: float = 2.0
    opening: float = 88.0
    span: float = 8.0
    mapped: bool = False  # opens at 90 under load, holds `opening` otherwise
    fan_on: float = 99.0
    fan_off: float = 94.0
    fan: float = 0.35
    still: float = 0.035
    wind: float = 0.045  # times speed to the power 0.8
    flow: float = 1.2  # at 2,000 1/min
    electric: bool = False
    bias: float = 0.0  # of the coolant sensor [K]
    blocked: float = 0.0  # share of the radiator that is
    pump_dead: tuple[tuple[float, float], ...] = ()  # from, to [s]
    pump_worn: float = 0.0  # share of the flow lost at idle, less with speed
    air_pockets: int = 0  # jumps of the sensor while warm
    mass: float = 1400.0


STOPPED_ENGINE = -1.0
MOST_HEAT = 110.0  # kW of fuel per litre: 40 kW/L of brake power


def trip(*parts: tuple[float, float]) -> FloatArray:
    """Speeds, one a second, from (speed [km/h], seconds) with ramps of 2 m/s2; STOPPED_ENGINE stands for engine off."""
    v: list[float] = [0.0]
    off: list[bool] = [False]
    for goal, seconds in parts:
        for _ in range(int(seconds)):
            wanted = max(goal, 0.0)
            v.append(v[-1] + float(np.clip(wanted - v[-1], -7.0, 5.0)))
            off.append(goal < 0.0)
    return np.where(np.array(off), STOPPED_ENGINE, np.array(v))


COMMUTE = ((0, 20), (50, 300), (0, 30), (80, 400), (50, 200), (0, 40), (100, 400), (60, 150), (0, 320))


def engine(car: HotCar, v: FloatArray, grade: float, revving: FloatArray | None) -> tuple[FloatArray, FloatArray]:
    """Engine speed [1/min] and fuel heat [kW]: gears, road load, a Willans line, fuel cut on overrun."""
    off = v < 0.0
    road = np.maximum(v, 0.0)
    ratio = np.select([road < 1, road < 20, road < 40, road < 65, road < 90], [0, 95, 58, 42, 33], 27.0)
    rpm = np.maximum(780.0, road * ratio)
    if revving is not None:
        wanted = revving[: len(v)]
        rpm = np.where((road < 1.0) & (wanted > 0.0), wanted, rpm)
    ms = road / 3.6
    force = car.mass * np.gradient(ms) + car.mass * 9.81 * (0.011 + grade) + 0.4 * ms**2
    friction = 0.15 * car.size * rpm / 120.0
    heat = np.clip((force * ms / 900.0 + friction) / 0.38, 0.0, MOST_HEAT * car.size)  # pulls no more than it can
    idle = 0.15 * car.size * 780.0 / 120.0 / 0.38 * 2.5  # with air conditioning and alternator
    return np.where(off, 0.0, rpm), np.where(off, 0.0, np.maximum(heat, np.where(road < 1.0, idle * rpm / 780.0, 0.0)))


def temperatures(car: HotCar, v: FloatArray, rpm: FloatArray, heat: FloatArray, air: float, start: float) -> FloatArray:
    """Coolant at the sensor [degC], one value a second."""
    metal = coolant = wax = start
    water = air if start < 60.0 else start - 20.0
    fan = False
    load = 0.0
    shown = np.empty(len(v))
    for i in range(len(v)):
        shown[i] = coolant
        running = rpm[i] > 0.0
        load += (heat[i] - load) / 60.0
        opening = 90.0 if car.mapped and load > 22.0 * car.size else car.opening
        wax += (coolant - wax) / 15.0
        opened = min(1.0, max(0.0, (wax - opening) / car.span))
        fan = coolant >= car.fan_on or (fan and coolant > car.fan_off)
        pump = (0.8 if car.electric else (rpm[i] / 2000.0) ** 0.9) if running else 0.02
        pump *= 1.0 - car.pump_worn * min(1.0, 800.0 / max(rpm[i], 1.0))
        if any(begin <= i < end for begin, end in car.pump_dead):
            pump = 0.01
        speed = max(0.0, v[i])
        outer = (car.still + car.wind * speed**0.8 / 3.0 + (car.fan if fan and running else 0.0)) * (1.0 - car.blocked)
        across = car.flow * car.size / 2.0 * pump * opened * (coolant - water)
        out = outer * car.size / 2.0 * (water - air)
        exchange = (0.3 + 1.4 * min(1.0, pump)) * (metal - coolant)
        share = 0.42 if speed < 1.0 else 0.36
        surface = (0.012 + 0.0003 * speed) * (metal - air)
        metal += (share * heat[i] - exchange - surface) / (35.0 * car.size)
        coolant += (exchange - across) / (11.0 * car.size)
        coolant = min(coolant, 131.0)  # it boils
        water += (across - out) / (6.0 * car.size)
    return shown


def record(
    car: HotCar,
    parts: tuple[tuple[float, float], ...] = COMMUTE,
    air: float = 20.0,
    start: float | None = None,
    grade: float = 0.0,
    every: float = 2.0,
    seed: int = 1,
    revving: FloatArray | None = None,
) -> Drive:
    """The drive as an adapter would have recorded it, each signal at its own times, quantised as J1979 does."""
    generator = np.random.default_rng(seed)
    v = trip(*parts)
    rpm, heat = engine(car, v, grade, revving)
    begin = air if start is None else start
    shown = temperatures(car, v, rpm, heat, air, begin) + car.bias
    warm = np.flatnonzero(shown > car.opening - 5.0)
    if car.air_pockets and len(warm):
        for place in generator.choice(warm[60:], car.air_pockets, replace=False):
            shown[place - 1 : place + 2] += generator.choice([-4.0, 4.0])
    flow = heat / 42.5 * 14.7 * generator.normal(1.0, 0.04, len(v))
    truth = {
        "coolant_temperature": (shown, 1.0, every, "degC"),
        "engine_speed": (rpm * generator.normal(1.0, 0.01, len(v)), 0.25, 0.5, "1/min"),
        "vehicle_speed": (np.maximum(v, 0.0), 1.0, 1.0, "km/h"),
        "air_flow": (np.where(rpm > 0.0, np.maximum(flow, 0.8 * car.size), 0.0), 0.01, 0.5, "g/s"),
        "ambient_air_temperature": (np.full(len(v), air), 1.0, 10.0, "degC"),
        "intake_air_temperature": (np.full(len(v), air + 4.0), 1.0, 5.0, "degC"),
    }
    signals = {}
    for key, (values, digit, step, unit) in truth.items():
        times = np.arange(generator.uniform(0.0, step), len(v) - 1.0, step)
        at = np.interp(times, np.arange(len(v)), values)
        signals[key] = Signal(key, unit, times, np.round(at / digit) * digit)
    return Drive(Session(f"hot-{seed}", None, soak_hours=12.0 if start is None else 0.3), signals)


def profile(car: HotCar) -> Car:
    """What a keeper would have written of the car."""
    return Car(
        "made",
        displacement_l=car.size,
        coolant_pump="electric" if car.electric else "belt",
        thermostat_temperature=car.opening,
        fuel="petrol",
    )


def any_car(generator: np.random.Generator) -> HotCar:
    """A healthy car such as stand on the road."""
    mapped = bool(generator.random() < 0.2)
    opening = 103.0 if mapped else float(generator.choice([82.0, 85.0, 88.0, 90.0, 92.0]))
    on = 108.0 if mapped else opening + float(generator.uniform(7.0, 13.0))
    return HotCar(
        size=float(generator.uniform(1.0, 4.0)),
        opening=opening,
        span=float(generator.uniform(5.0, 10.0)),
        mapped=mapped,
        fan_on=on,
        fan_off=on - float(generator.uniform(4.0, 7.0)),
        fan=float(generator.uniform(0.3, 0.6)),
        still=float(generator.uniform(0.02, 0.06)),
        wind=float(generator.uniform(0.035, 0.065)),
        flow=float(generator.uniform(1.0, 2.0)),
        electric=bool(generator.random() < 0.3),
        bias=float(generator.uniform(-1.5, 1.5)),
        mass=float(generator.uniform(1100.0, 2000.0)),
    )


JAM = tuple(part for _ in range(14) for part in ((0.0, 40.0), (12.0, 25.0)))
TRIPS: tuple[tuple[tuple[float, float], ...], ...] = (
    COMMUTE,
    ((0, 10), (50, 400), (110, 900), (0, 200), (50, 120)),
    ((0, 20), (50, 500), *JAM, (0, 240)),
    ((0, 20), (60, 500), (100, 500), (STOPPED_ENGINE, 900), (0, 40), (50, 300), (90, 300)),
    ((0, 700),),
    ((50, 300), (0, 60)),
    ((0, 20), (60, 300), (90, 1200), (40, 300), (0, 400)),
)
"""Commute, motorway, jam, stop for shopping, idling from cold, short trip, long drive and a long stand."""


def healthy_drive(number: int) -> tuple[Drive, Car]:
    """One of very many healthy drives: any car, any trip, -15 to 40 degC, now and then uphill or with a trailer."""
    generator = np.random.default_rng(number)
    car = any_car(generator)
    parts = TRIPS[int(generator.integers(len(TRIPS)))]
    air = float(generator.uniform(-15.0, 40.0))
    start = float(generator.uniform(60.0, 85.0)) if generator.random() < 0.2 else None
    grade = float(generator.choice([0.0, 0.0, 0.0, 0.02, 0.04]))
    towing = 1.6 if generator.random() < 0.2 else 1.0
    drive = record(
        replace(car, mass=car.mass * towing), parts, air, start, grade, float(generator.choice([1.0, 2.0, 4.0])), number
    )
    return drive, profile(car)
