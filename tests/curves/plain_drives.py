"""Drives whose physics can be written down in one line each, so that a test can say what a curve must show."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from obdwatch.records import Car, Drive, FloatArray, MonitorResult, Session, Signal

FOUR = Car("plain", cylinders=4, firing_order=(1, 3, 4, 2), displacement_l=2.0, induction="naturally_aspirated")


def drive(*signals: Signal, monitors: tuple[MonitorResult, ...] = ()) -> Drive:
    session = Session("plain", datetime(2026, 1, 20, 7, tzinfo=UTC), "plain")
    return Drive(session, {one.key: one for one in signals}, monitors=monitors)


def every(seconds: float, step: float = 1.0) -> FloatArray:
    return np.arange(0.0, seconds, step)


def constant(key: str, unit: str, times: FloatArray, value: float) -> Signal:
    return Signal(key, unit, times, np.full(len(times), value))


def leaking(leak: float, idle: float = 3.0, idle_seconds: int = 200, road_seconds: int = 400) -> Drive:
    """A hot engine whose sensor misses `leak` [g/s] of the air at every flow: choked, so the same at idle and on the
    road. What the mixture needs is then 100 leak / air [%], exactly.
    """
    times = every(idle_seconds + road_seconds)
    on_road = times >= idle_seconds
    # Every minute on the road another steady flow, from 3 to 8 times the idle air.
    flows = idle * np.array([3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 4.5])
    air = np.where(on_road, flows[((times - idle_seconds) // 60 % 7).astype(int)], idle)
    need = 100.0 * leak / air
    return drive(
        Signal("air_flow", "g/s", times, air),
        Signal("engine_speed", "1/min", times, np.where(on_road, 2000.0, 750.0)),
        Signal("vehicle_speed", "km/h", times, np.where(on_road, 80.0, 0.0)),
        constant("coolant_temperature", "degC", times, 90.0),
        constant("intake_manifold_pressure", "kPa", times, 35.0),
        constant("barometric_pressure", "kPa", times, 101.0),
        constant("fuel_system_status", "", times, 2.0),
        Signal("short_term_fuel_trim_bank_1", "%", times, need - 1.0),
        constant("long_term_fuel_trim_bank_1", "%", times, 1.0),
    )


def pulling(share_low: float, share_high: float) -> Drive:
    """Three pulls at full throttle from 2,000 to 6,000 1/min in warm standard air (25 degC, 101.325 kPa)."""
    times = every(180.0, 0.1)
    within = np.mod(times, 60.0)
    pull = (within >= 20.0) & (within < 40.0)
    speed = np.where(pull, 2000.0 + 200.0 * (within - 20.0), 1500.0)
    share = np.where(pull, np.where(speed < 3500.0, share_low, share_high), 30.0)
    filling = 0.01 * share * (84.0 + 10.0 * np.exp(-(((speed - 4000.0) / 1500.0) ** 2)))
    return drive(
        Signal("engine_speed", "1/min", times, speed),
        Signal("throttle_position", "%", times, np.where(pull, 85.0, 20.0)),
        Signal("calculated_load", "%", times, share),
        Signal("absolute_load", "%", times, filling),
        Signal("air_flow", "g/s", times, filling / 100.0 * speed / 120.0 * 2.0 * 1.184),
        constant("coolant_temperature", "degC", times, 90.0),
        constant("intake_air_temperature", "degC", times, 25.0),
        constant("barometric_pressure", "kPa", times, 101.325),
    )


def cranked(resting: float, current: float, ohm: float, speed: float, coolant: float) -> Drive:
    """A start at 5 s that lasts 2 s: the voltage falls by current times resistance (Ohm's law)."""
    times = every(15.0, 0.1)
    turning, runs = (times >= 5.0) & (times < 7.0), times >= 7.0
    volts = np.where(turning, resting - current * ohm, np.where(runs, 14.2, resting))
    return drive(
        Signal("adapter_voltage", "V", times, volts),
        Signal("engine_speed", "1/min", times, np.where(turning, speed, np.where(runs, 1100.0, 0.0))),
        constant("coolant_temperature", "degC", times, coolant),
    )


def misfiring(counts: dict[int, int], seconds: float = 600.0, speed: float = 1500.0, own: float | None = 1.5) -> Drive:
    """Counters of four cylinders that rise evenly from nothing while the engine turns `speed` [1/min]."""
    results = []
    for at in np.arange(0.0, seconds + 1.0, 30.0):
        for cylinder in range(1, 5):
            value = round(counts.get(cylinder, 0) * at / seconds)
            monitor = 0xA1 + cylinder
            raw = (value, 0, 65535)
            results.append(
                MonitorResult(float(at), 0x7E8, monitor, 0x0C, 0x24, raw, float(value), 0.0, 65535.0, "count", True)
            )
        if own is not None:
            raw = (10, 0, round(100 * own))
            results.append(MonitorResult(float(at), 0x7E8, 0xA1, 0x81, 0x0A, raw, 0.1, 0.0, own, "%", True))
    times = every(seconds + 1.0)
    return drive(constant("engine_speed", "1/min", times, speed), monitors=tuple(results))


def warming(heat: float, minutes: float = 10.0, air: float = 10.0) -> Drive:
    """A cold engine under constant air flow [g/s]; the coolant rises by 4 K a minute, whatever it should do."""
    times = every(60.0 * minutes)
    return drive(
        constant("engine_speed", "1/min", times, 2000.0),
        constant("vehicle_speed", "km/h", times, 50.0),
        constant("air_flow", "g/s", times, heat),
        Signal("coolant_temperature", "degC", times, np.minimum(air + 4.0 * times / 60.0, 90.0)),
        constant("ambient_air_temperature", "degC", times, air),
    )
