"""A misfiring engine built for these tests alone: single firings drawn one by one, counters read now and then.

Speed, load and coolant follow a plain timetable (idle, town, pulls, motorway); each firing fails with a chance that
depends on cylinder, load, coolant and time since the start. Counter frames are packed byte by byte as SAE J1979 has
them (46 A2 0C 24 hhhh 0000 FFFF) and go through the decoder. It shares no code with the simulation.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from obdwatch.decoding.monitors import decode_results
from obdwatch.records import Car, Drive, FloatArray, MonitorResult, Session, Signal

Chance = Callable[[int, FloatArray, FloatArray, FloatArray], FloatArray]
"""Chance of a misfire per firing: cylinder from 1, load [%], coolant [degC], time since the start [s]."""

INLINE_FOUR = Car(
    "four",
    fuel="petrol",
    cylinders=4,
    layout="inline",
    bank_cylinders=((1, 2, 3, 4),),
    firing_order=(1, 3, 4, 2),
    ignition="coil_per_cylinder",
)
SHARED_COILS = replace(INLINE_FOUR, id="shared", ignition="shared_coils")
VEE_SIX = Car(
    "six",
    fuel="petrol",
    cylinders=6,
    layout="vee",
    bank_cylinders=((1, 3, 5), (2, 4, 6)),
    firing_order=(1, 2, 3, 4, 5, 6),
    ignition="coil_per_cylinder",
)


@dataclass(frozen=True)
class Trip:
    """What is driven and how it is recorded: `every` [s] between two readings of the counters."""

    minutes: float = 30.0
    start: float = 20.0
    every: float = 30.0
    seed: int = 1
    trims: tuple[float, ...] = (0.0,)
    averages: Sequence[float] = ()
    standing: float = 0.0
    own_limit: float | None = None
    drop: tuple[str, ...] = ()
    fuel_level: float | None = None
    lean_under_load: bool = False


def normal(cylinder: int, load: FloatArray, coolant: FloatArray, since: FloatArray) -> FloatArray:
    """A sound engine: one firing in a hundred thousand (common practice: a handful per drive)."""
    return np.full(len(load), 1e-5)


def timetable(minutes: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Time [s], engine speed [1/min], calculated load [%], vehicle speed [km/h], one value per second."""
    t = np.arange(0.0, minutes * 60.0)
    phase = t % 240.0
    idle, pull = phase < 40.0, (phase >= 40.0) & (phase < 75.0)
    rpm = np.where(idle, 720.0, np.where(pull, 1200.0 + (phase - 40.0) * 85.0, 2150.0))
    load = np.where(idle, 24.0, np.where(pull, 88.0, 42.0))
    road = np.where(idle, 0.0, np.where(pull, (phase - 40.0) * 2.2, 80.0))
    return t, rpm, load, road


def frame(monitor: int, test: int, scaling: int, value: int, low: int, high: int) -> bytes:
    """One reply of service 06 as bytes."""
    numbers = b"".join(number.to_bytes(2, "big") for number in (value, low, high))
    return bytes([0x46, monitor, test, scaling]) + numbers


def record(chance: Chance, cylinders: int = 4, trip: Trip | None = None) -> tuple[Drive, FloatArray]:
    """Return the drive and the truth: misfires of each cylinder."""
    trip = trip or Trip()
    generator = np.random.default_rng(trip.seed)
    t, rpm, load, road = timetable(trip.minutes)
    coolant = 88.0 - (88.0 - trip.start) * np.exp(-t / 260.0)
    firings = rpm / 120.0  # of one cylinder in each second
    missed = np.zeros((cylinders, len(t)))
    for cylinder in range(cylinders):
        likely = np.clip(chance(cylinder + 1, load, coolant, t), 0.0, 1.0)
        whole = np.diff(np.floor(np.cumsum(firings) + cylinder / cylinders), prepend=0.0)
        missed[cylinder] = generator.binomial(whole.astype(int), likely)
    signals = _signals(t, rpm, load, road, coolant, trip, generator)
    counts = np.cumsum(missed, axis=1)
    monitors: list[MonitorResult] = []
    for at in np.arange(2.0, len(t), trip.every):
        for cylinder in range(cylinders):
            place = min(int(at), len(t) - 1)
            shown = int(counts[cylinder, place] + trip.standing)
            reply = frame(0xA2 + cylinder, 0x0C, 0x24, shown, 0, 0xFFFF)
            monitors += decode_results(reply, float(at) + 0.1 * cylinder, 0x7E8)
            if len(trip.averages):
                old = frame(0xA2 + cylinder, 0x0B, 0x24, int(trip.averages[cylinder]), 0, 0xFFFF)
                monitors += decode_results(old, float(at) + 0.1 * cylinder, 0x7E8)
    if trip.own_limit is not None:
        share = 100.0 * float(counts[:, -1].sum()) / (float(firings.sum()) * cylinders)
        own = frame(0xA1, 0x81, 0x2F, round(share * 100.0), 0, round(trip.own_limit * 100.0))
        monitors += decode_results(own, float(t[-1]), 0x7E8)
    return Drive(Session("misfiring", None), signals, monitors=tuple(monitors)), counts[:, -1]


def _signals(
    t: FloatArray,
    rpm: FloatArray,
    load: FloatArray,
    road: FloatArray,
    coolant: FloatArray,
    trip: Trip,
    generator: np.random.Generator,
) -> dict[str, Signal]:
    values = {
        "engine_speed": ("1/min", np.where(t < 1.0, 0.0, rpm + generator.normal(0.0, 4.0, len(t)))),
        "calculated_load": ("%", load),
        "vehicle_speed": ("km/h", road),
        "coolant_temperature": ("degC", coolant),
        "fuel_system_status": ("", np.where(load > 80.0, 4.0, 2.0)),
        "commanded_equivalence_ratio": ("ratio", np.where(load > 80.0, 0.88, 1.0)),
        "oxygen_sensor_voltage_bank_1_sensor_1": (
            "V",
            np.where(load > 80.0, 0.06 if trip.lean_under_load else 0.84, 0.45),
        ),
    }
    for bank, trim in enumerate(trip.trims):
        values[f"short_term_fuel_trim_bank_{bank + 1}"] = ("%", generator.normal(0.0, 1.0, len(t)))
        values[f"long_term_fuel_trim_bank_{bank + 1}"] = ("%", np.full(len(t), trim))
    if trip.fuel_level is not None:
        values["fuel_level"] = ("%", np.full(len(t), trip.fuel_level))
    return {key: Signal(key, unit, t, v) for key, (unit, v) in values.items() if key not in trip.drop}
