"""A charging system drawn for these tests alone: alternator, regulator, belt and battery on a drive with gears.

The alternator's largest current follows its speed, the regulator cuts it to its voltage, the battery takes or gives the
rest behind its resistance; a worn belt slips while its pulleys speed up. It shares no code with the simulation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.records import Drive, FloatArray, Session, Signal


@dataclass(frozen=True)
class ChargingCar:
    """`regulated` [V]; `largest` current [A] of the alternator; `load` of all consumers [A]; `air` [degC].

    `belt` is the share of its speed that is left to the alternator while the belt slips; `led` is how the voltage is
    led: "", "overrun" or "steps". `drop` [V] is lost on the way to the control unit.
    """

    regulated: float = 14.2
    compensation: float = -0.01
    largest: float = 120.0
    load: float = 40.0
    air: float = 15.0
    belt: float = 1.0
    led: str = ""
    drop: float = 0.1
    minutes: float = 20.0
    every: float = 1.0
    source: str = "control_module_voltage"
    coolant: float = 88.0
    idle_only: bool = False
    seed: int = 1


def trip(car: ChargingCar, generator: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times [s], engine speed [1/min] and speed [km/h] of stops and stretches with gear changes."""
    times = np.arange(0.0, car.minutes * 60.0, 0.1)
    if car.idle_only:
        return times, np.full(len(times), 780.0), np.zeros(len(times))
    target, at = np.zeros(len(times)), 0
    while at < len(times):
        stretch = int(generator.uniform(250, 700))
        target[at : at + stretch] = generator.choice([0.0, 45.0, 60.0, 85.0, 110.0])
        at += stretch
    speed = np.zeros(len(times))
    for i in range(1, len(times)):
        speed[i] = speed[i - 1] + np.clip(target[i] - speed[i - 1], -0.55, 0.42)  # km/h in 0.1 s
    ratio = np.select([speed < 18, speed < 38, speed < 60, speed < 85], [110.0, 62.0, 43.0, 33.0], 27.0)
    engine = np.maximum(780.0, speed * ratio)
    return times, np.convolve(np.pad(engine, 4, mode="edge"), np.ones(9) / 9.0, mode="valid"), speed


def record(car: ChargingCar) -> Drive:
    """The readings of a drive that begins at the start of the engine."""
    generator = np.random.default_rng(car.seed)
    times, engine, speed = trip(car, generator)
    change = np.gradient(engine, times)
    slipping = np.where(change > 60.0, car.belt, 1.0)
    turns = 2.7 * engine * slipping
    most = car.largest * (1.0 - np.exp(-np.maximum(0.0, turns - 1100.0) / 1800.0))
    aim = np.full(len(times), car.regulated + car.compensation * (car.air - 20.0))
    if car.led == "overrun":
        aim = np.where(np.gradient(speed, times) < -1.0, 14.8, 12.7)
    elif car.led == "steps":
        aim = np.where((times // 150.0) % 2 == 1, 12.8, 14.4)
    open_volts, resistance, taken = 12.6, 0.02, 10.0
    spare = most - car.load
    volts = np.minimum(aim, open_volts + resistance * spare)
    volts = np.where(spare >= taken, np.maximum(volts, np.minimum(aim, open_volts + 0.2 * spare)), volts)
    smooth = np.empty(len(volts))
    smooth[0] = volts[0]
    for i in range(1, len(volts)):
        smooth[i] = smooth[i - 1] + (volts[i] - smooth[i - 1]) * 0.1 / 0.3

    def seen(key: str, unit: str, values: FloatArray, every: float, noise: float) -> Signal:
        at = np.arange(generator.uniform(0.0, every), times[-1], every)
        read = (
            values[(at / 0.1).astype(int)] + generator.normal(0.0, noise, len(at))
            if noise
            else values[(at / 0.1).astype(int)]
        )
        return Signal(key, unit, at, read)

    level = smooth - (0.0 if car.source == "adapter_voltage" else car.drop)
    constant = np.ones(len(times))
    signals = [
        seen("engine_speed", "1/min", engine, 0.25, 3.0),
        seen("vehicle_speed", "km/h", np.round(speed), 0.5, 0.0),
        seen(car.source, "V", level, car.every, 0.02),
        seen("ambient_air_temperature", "degC", car.air * constant, 10.0, 0.0),
        seen("coolant_temperature", "degC", np.minimum(car.coolant, car.air + 0.25 * times), 2.0, 0.0),
    ]
    return Drive(Session(f"drive-{car.seed}", None), {one.key: one for one in signals})
