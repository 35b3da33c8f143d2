"""A petrol car with mixture control, built for the tests of oxygen sensors and catalyst alone, on its own lines.

Balances of gas and oxygen in steps of 50 ms: exhaust takes time to the sensors, a sensor follows the oxygen of the
exhaust with one time constant, the catalyst holds a mass of oxygen, the control is a relay with an integrator or a
proportional-integral one. It shares no code with the simulation, and no number but those of handbooks.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from obdwatch.records import Drive, FloatArray, Session, Signal

STEP = 0.05
OXYGEN_OF_AIR = 0.23  # mass share
CYCLE = (("cruise", 45.0), ("cut", 6.0), ("pull", 14.0), ("cruise", 30.0), ("cut", 4.0), ("pull", 11.0))


@dataclass(frozen=True)
class BreathingCar:
    """`lag` [s] of the front sensor; `height` [V] of its half swing; `stored` [g] oxygen the catalyst holds.

    `lean` is the share of fuel missing after each cut for some seconds; `stuck` [V] a front sensor that says only this.
    """

    wide: bool = False
    lag: float = 0.06
    height: float = 0.4
    stored: float = 0.9
    lean: float = 0.0
    stuck: float | None = None
    rear_dead: bool = False
    minutes: float = 15.0
    warm: bool = True


def drive(car: BreathingCar, every: float = 0.25, seed: int = 3) -> Drive:
    """One drive, each signal read every `every` seconds at its own moment."""
    truth = _run(car)
    generator = np.random.default_rng(seed)
    times = truth["t"]
    place = "bank_1_sensor_1"
    units = {
        "engine_speed": "1/min",
        "vehicle_speed": "km/h",
        "calculated_load": "%",
        "fuel_system_status": "",
        "coolant_temperature": "degC",
        "short_term_fuel_trim_bank_1": "%",
        "oxygen_sensor_voltage_bank_1_sensor_2": "V",
        (f"oxygen_sensor_equivalence_ratio_{place}" if car.wide else f"oxygen_sensor_voltage_{place}"): "V",
    }
    signals = {}
    for key, unit in units.items():
        gap = max(every, {"coolant_temperature": 2.0, "fuel_system_status": 1.0}.get(key, 0.0))
        at = np.arange(generator.uniform(0.0, gap), times[-1], gap)
        at = at + generator.uniform(-0.1, 0.1, len(at)) * gap
        at = np.sort(at[at > 0.0])
        source = "front" if key.endswith(place) else "rear" if key.endswith("sensor_2") else key
        values = truth[source][np.searchsorted(times, at, side="right") - 1]
        step = {"V": 0.005, "%": 0.39, "1/min": 0.25, "km/h": 1.0, "degC": 1.0}.get(unit, 1.0)
        step = 2.0 / 65536.0 if car.wide and source == "front" else step
        signals[key] = Signal(key, unit, at, np.round(values / step) * step)
    return Drive(Session("breathing", None), signals)


def two_banks(first: BreathingCar, second: BreathingCar, every: float = 0.25) -> Drive:
    """A car with a bank of each."""
    one, other = drive(first, every), drive(second, every, seed=4)
    renamed = {
        key.replace("bank_1", "bank_2"): replace(signal, key=key.replace("bank_1", "bank_2"))
        for key, signal in other.signals.items()
        if "bank_1" in key
    }
    return replace(one, signals={**one.signals, **renamed})


@cache
def _run(car: BreathingCar) -> dict[str, FloatArray]:
    generator = np.random.default_rng(11)
    count = int(car.minutes * 60.0 / STEP)
    out = {
        key: np.zeros(count)
        for key in (
            "t", "front", "rear", "engine_speed", "vehicle_speed", "calculated_load", "fuel_system_status",
            "coolant_temperature", "short_term_fuel_trim_bank_1",
        )
    }  # fmt: skip
    gas: deque[float] = deque([1.0] * round(0.2 / STEP))  # exhaust on its way to the front sensor
    seen = held = ramp = 0.0
    seen = 1.0
    oxygen, speed, since = car.stored / 2.0, 70.0, 100.0
    plan = [(kind, end) for kind, end in _plan(car.minutes * 60.0)]
    place = 0
    for index in range(count):
        t = index * STEP
        while t >= plan[place][1]:
            place += 1
        kind = plan[place][0]
        cut = kind == "cut"
        since = 0.0 if cut else since + STEP
        speed += {"cut": -5.0, "pull": 2.0, "cruise": 0.0}[kind] * STEP * (1.0 if 40.0 < speed < 90.0 else 0.0)
        speed = min(max(speed, 40.5), 89.5)
        flow = {"cut": 4.0, "pull": 18.0, "cruise": 10.0}[kind]
        # --- control
        rich = (seen > 1.0) if car.stuck is None else car.stuck > 0.45
        if cut:
            ramp *= 0.9
        elif car.wide and car.stuck is None:
            ramp += (1.0 - seen) * 0.8 * STEP
            held = ramp + (1.0 - seen) * 0.3 + 0.02 * math.sin(2.0 * math.pi * t / 1.6)
        else:
            ramp += (-0.03 if rich else 0.03) * STEP
            held = ramp + (-0.015 if rich else 0.015)
        ramp, held = min(max(ramp, -0.25), 0.25), min(max(held, -0.25), 0.25)
        purge = 0.06 if 0.0 < since < 3.0 else 0.0
        missing = car.lean if 0.0 < since < 5.0 else 0.0
        richness = 0.0 if cut else (1.0 + held + purge) * (1.0 - missing)
        gas.append(richness)
        arrived = gas.popleft()
        seen += (arrived - seen) * (1.0 - math.exp(-STEP / car.lag))
        # --- catalyst: it fills with spare oxygen and gives it back
        spare = OXYGEN_OF_AIR * flow * (1.0 - arrived) * STEP
        wanted = oxygen + spare
        oxygen = min(max(wanted, 0.0), car.stored)
        passed = (wanted - oxygen) / (OXYGEN_OF_AIR * flow * STEP)
        rear = (
            0.62 + 0.06 * (0.5 - oxygen / car.stored) if abs(passed) < 0.002 else 0.45 - 0.4 * math.tanh(passed / 0.005)
        )
        front = (
            (1.999 if seen < 0.51 else 1.0 / seen) if car.wide else 0.45 + car.height * math.tanh((seen - 1.0) / 0.005)
        )
        if car.stuck is not None:
            front = car.stuck
        out["t"][index] = t
        out["front"][index] = front
        out["rear"][index] = 0.45 if car.rear_dead else rear
        out["vehicle_speed"][index] = speed
        out["engine_speed"][index] = 30.0 * speed
        out["calculated_load"][index] = {"cut": 12.0, "pull": 55.0, "cruise": 30.0}[kind]
        out["fuel_system_status"][index] = 4.0 if cut else 2.0
        out["coolant_temperature"][index] = 90.0 if car.warm else 40.0
        out["short_term_fuel_trim_bank_1"][index] = 100.0 * held
    out["front"] += generator.normal(0.0, 0.0005 if car.wide else 0.005, count) * (car.stuck is None)
    out["rear"] += generator.normal(0.0, 0.005, count) * (not car.rear_dead)
    return out


def _plan(seconds: float) -> list[tuple[str, float]]:
    plan, end = [("cruise", 120.0)], 120.0
    while end <= seconds:
        for kind, lasts in CYCLE:
            end += lasts
            plan.append((kind, end))
        end += 90.0  # and a longer steady stretch
        plan.append(("cruise", end))
    return plan
