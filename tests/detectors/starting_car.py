"""A start drawn millisecond by millisecond for these tests alone: a direct-current motor behind a battery and cables.

The torque an engine asks for sets the current, with a swing at every compression; the armature's own voltage sets the
speed. It shares no code with the detector or the simulation.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from obdwatch.records import Drive, Feature, Finding, History, Mark, MarkKind, Session, Signal, Verdict


@dataclass(frozen=True)
class StartingCar:
    """Battery `volts` open [V] behind `battery` [ohm]; `cables` [ohm]; `torque` as a current [A] at 20 degC."""

    volts: float = 12.5
    battery: float = 0.008
    cables: float = 0.002
    armature: float = 0.018
    constant: float = 0.0325  # V per 1/min of the crankshaft
    torque: float = 150.0
    to_fire: float = 0.8
    coolant: float = 20.0
    every: float = 0.08
    source: str = "control_module_voltage"
    key_on: float = 4.0
    sleeps: bool = False
    fires: bool = True
    charges_after: float = 0.0  # s from the first firing until the alternator takes over
    seed: int = 1


def record(car: StartingCar, name: str = "start") -> Drive:
    """The readings of one start, from key-on to a few seconds of running."""
    generator = np.random.default_rng(car.seed)
    step = 0.001
    count = int((car.key_on + car.to_fire + 4.0) / step)
    times = np.arange(count) * step
    speed, volts, turn = np.zeros(count), np.full(count, car.volts - 10.0 * car.battery), 0.0
    asked = car.torque * (1.0 + 0.012 * max(0.0, 20.0 - car.coolant))
    n = 0.0
    for i in range(int(car.key_on / step), count):
        since = times[i] - car.key_on
        if since < car.to_fire or not car.fires:
            current = (car.volts - car.constant * n) / (car.battery + car.cables + car.armature)
            turn += n / 60.0 * step
            load = asked * (1.0 + 0.35 * np.sin(4.0 * np.pi * turn))
            n = max(0.0, n + (current - load) * 12.0 * step)
            volts[i] = car.volts - car.battery * current
        else:
            n += (1150.0 - n) * step / 0.15
            charging = max(0.0, since - car.to_fire - car.charges_after)
            volts[i] = 14.1 - 2.0 * np.exp(-charging / 0.3)
        speed[i] = n

    def seen(values: np.ndarray, first: float, step_of: float, noise: float) -> tuple[np.ndarray, np.ndarray]:
        at = np.arange(first, times[-1], car.every) + generator.uniform(0.0, 0.01)
        at = at[at < times[-1]]
        if car.sleeps:
            at = at[(at < car.key_on) | (at > car.key_on + car.to_fire)]
        read = values[(at / step).astype(int)] + generator.normal(0.0, noise, len(at))
        return at, np.round(np.maximum(read, 0.0) / step_of) * step_of

    at, turning = seen(speed, 0.05, 0.25, 0.1)
    when, level = seen(volts, 0.09, 0.01, 0.01)
    turning[turning < 5.0] = 0.0
    slow = np.arange(0.5, times[-1], 2.0)
    signals = {
        "engine_speed": Signal("engine_speed", "1/min", at, turning),
        car.source: Signal(car.source, "V", when, level),
        "coolant_temperature": Signal("coolant_temperature", "degC", slow, np.full(len(slow), car.coolant)),
    }
    marks = (Mark(car.key_on, MarkKind.ASLEEP, "", car.to_fire),) if car.sleeps else ()
    return Drive(Session(name, None), signals, marks=marks)


def features(finding: Finding, session: str, day: int) -> tuple[Feature, ...]:
    """What the history keeps of a finding."""
    at = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=day)
    healthy = finding.verdict is Verdict.HEALTHY
    return tuple(
        Feature(session, finding.detector, m.name, m.value, m.unit, m.interval, at, None, healthy)
        for m in (*finding.measures, *finding.learnt)
    )


def history_of(findings: list[Finding]) -> History:
    """The history after these findings, one a day."""
    return History(tuple(f for day, one in enumerate(findings) for f in features(one, f"drive-{day}", day)))
