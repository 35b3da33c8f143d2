"""Every detector on one recorded drive, damaged in every way that an adapter, an import or a clock can damage it.

Whatever comes in: nobody crashes, no number is without a value, one glitch stops nobody, and what is rubbish throughout
gives no fault. Between damage and truth the verdict may become "not enough data", never another fault.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from math import isfinite, nan
from pathlib import Path

import numpy as np
import pytest

from obdwatch.analysis import Analysis, analyse_drive
from obdwatch.explanations.findings import explain
from obdwatch.records import Drive, FloatArray, Signal, Urgency, Verdict
from obdwatch.signals.drives import load_drive

RECORDED = Path(__file__).parents[2] / "recorded_sessions"
Change = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]


@cache
def recorded() -> Drive:
    """The first drive of the bundled logbook: a whole commute from cold, with monitor results."""
    return load_drive(sorted(RECORDED.glob("*.obdw"))[0])


@cache
def usual() -> frozenset[tuple[str, str]]:
    return faults(analyse_drive(recorded()))


def faults(analysis: Analysis) -> frozenset[tuple[str, str]]:
    return frozenset((one.detector, one.signature) for one in analysis.findings if one.verdict is Verdict.FAULT)


def changed(change: Change, *names: str) -> Drive:
    """Change times and values of every signal, or of those whose key holds one of the names."""
    drive = recorded()
    signals = {}
    for key, one in drive.signals.items():
        times, values = one.times.copy(), one.values.copy()
        if not names or any(name in key for name in names):
            times, values = change(times, values)
        signals[key] = Signal(key, one.unit, times, values, one.ecu)
    return replace(drive, signals=signals)


def scaled(factor: float, offset: float, *names: str) -> Drive:
    return changed(lambda t, v: (t, v * factor + offset), *names)


def glitch(key: str, value: float, place: float, count: int = 1) -> Drive:
    def change(times: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        first = int(place * (len(values) - count))
        values[first : first + count] = value
        return times, values

    return changed(change, key)


def sound(drive: Drive) -> Analysis:
    """Analyse and explain, and hold every finding against what no damage may cause."""
    analysis = analyse_drive(drive)
    for finding in analysis.findings:
        assert explain(finding).headline
        for one in (*finding.measures, *finding.learnt):
            numbers = (one.value, *(one.interval or ()), *(one.expected or ()))
            assert all(map(isfinite, numbers)), (finding.detector, one)
            assert one.interval is None or one.interval[0] <= one.interval[1], (finding.detector, one)
    return analysis


RUBBISH: dict[str, Change] = {
    "first value for ever": lambda t, v: (t, np.full(len(v), v[0])),
    "nothing known": lambda t, v: (t, np.full(len(v), nan)),
    "infinite": lambda t, v: (t, np.full(len(v), np.inf)),
    "no times": lambda t, v: (np.full(len(v), nan), v),
    "empty": lambda t, v: (t[:0], v[:0]),
    "one value": lambda t, v: (t[:1], v[:1]),
    "three values": lambda t, v: (t[:3], v[:3]),
    "all at once": lambda t, v: (np.full(len(v), 5.0), v),
}


@pytest.mark.parametrize("name", RUBBISH)
def test_what_holds_no_drive_gives_no_fault(name: str) -> None:
    drive = replace(changed(RUBBISH[name]), monitors=(), codes=())
    assert faults(sound(drive)) == frozenset()


HARMLESS: dict[str, Change] = {
    "read backwards": lambda t, v: (t[::-1], v[::-1]),
    "every row twice": lambda t, v: (np.repeat(t, 2), np.repeat(v, 2)),
    "seconds since 1970": lambda t, v: (t + 1.7e9, v),
    "an infinite time": lambda t, v: (np.where(np.arange(len(t)) == len(t) // 2, np.inf, t), v),
    "enormous numbers": lambda t, v: (t, np.where(np.arange(len(v)) % 50 == 7, 1e300, v)),
}


@pytest.mark.parametrize("name", HARMLESS)
def test_what_can_be_mended_changes_no_verdict(name: str) -> None:
    drive = changed(HARMLESS[name])
    shift = 1.7e9 if name == "seconds since 1970" else 0.0
    drive = replace(drive, monitors=tuple(replace(one, t=one.t + shift) for one in drive.monitors))
    assert faults(sound(drive)) <= usual()


CLOCKS: dict[str, float] = {"three hours": 10_800.0, "forty days": 3_456_000.0, "an hour back": -3_600.0, "far": 1e15}


@pytest.mark.parametrize("name", CLOCKS)
def test_a_clock_that_jumps_makes_no_fault(name: str) -> None:
    ends = [(float(one.times[0]), float(one.times[-1])) for one in recorded().signals.values()]
    middle = (min(first for first, _ in ends) + max(last for _, last in ends)) / 2.0
    drive = changed(lambda t, v: (np.where(t > middle, t + CLOCKS[name], t), v))
    assert faults(sound(drive)) <= usual()


GLITCHES = (
    ("coolant_temperature", 140.0),
    ("engine_speed", 16_383.0),
    ("control_module_voltage", 0.0),
    ("control_module_voltage", 65.5),
    ("intake_manifold_pressure", 0.0),
    ("air_flow", 655.0),
    ("long_term_fuel_trim_bank_1", 99.2),
    ("vehicle_speed", 255.0),
)


@pytest.mark.parametrize("place", [0.0, 0.6, 1.0])
@pytest.mark.parametrize(("key", "value"), GLITCHES)
def test_one_glitch_is_no_fault(key: str, value: float, place: float) -> None:
    assert faults(sound(glitch(key, value, place))) <= usual()


@pytest.mark.parametrize("count", [3, 10, 20])
def test_a_contact_that_is_loose_for_seconds_stops_nobody(count: int) -> None:
    drive = glitch("coolant_temperature", 130.0, 0.6, count)
    assert not any(one.urgency is Urgency.STOP for one in sound(drive).findings)


@pytest.mark.parametrize("place", [0.1, 0.5, 0.9])
def test_one_misread_counter_is_no_misfire(place: float) -> None:
    """65,535 misfires within half a minute are more than all firings of a cylinder."""
    results = list(recorded().monitors)
    counters = [n for n, one in enumerate(results) if 0xA2 <= one.monitor <= 0xAD and one.test == 0x0C]
    assert len(counters) > 20
    wrong = counters[int(place * len(counters))]
    results[wrong] = replace(results[wrong], value=65_535.0, raw=(65_535, *results[wrong].raw[1:]))
    assert faults(sound(replace(recorded(), monitors=tuple(results)))) <= usual()


@pytest.mark.parametrize("field", ["t", "value", "minimum", "maximum"])
def test_results_without_numbers_are_no_failed_tests(field: str) -> None:
    results = tuple(replace(one, **{field: nan}) for one in recorded().monitors)
    assert faults(sound(replace(recorded(), monitors=results))) <= usual()


def test_an_engine_that_is_off_all_the_time_is_not_judged() -> None:
    """Ignition on, engine standing: 12.4 V, outside pressure in the manifold, everything cold."""
    still = {"coolant_temperature": 20.0, "intake_manifold_pressure": 100.0, "control_module_voltage": 12.4}
    keep = ("temperature", "barometric", "fuel_level", "odometer")
    signals = {
        key: replace(one, values=np.full(len(one.values), still.get(key, 0.0)))
        for key, one in recorded().signals.items()
        if key in still or not any(name in key for name in keep)
    }
    analysis = sound(replace(recorded(), signals=signals, monitors=(), codes=()))
    assert faults(analysis) == frozenset()
    judged = {one.detector for one in analysis.findings if one.verdict is Verdict.HEALTHY}
    assert not judged & {"warm_up", "cooling", "fuel_trims", "misfire", "air_filling", "oxygen_sensors", "catalyst"}


def test_driving_on_a_motor_with_the_engine_off_is_no_fault() -> None:
    def electric(value: float) -> Change:
        return lambda t, v: (t, np.where(t % 300.0 < 150.0, value, v))

    drive = recorded()
    for names, value in (
        (("engine_speed", "calculated_load", "absolute_load", "air_flow", "fuel_system_status", "timing"), 0.0),
        (("intake_manifold_pressure",), 100.0),
    ):
        found = changed(electric(value), *names).signals
        drive = replace(drive, signals={key: found[key] if any(n in key for n in names) else one
                                        for key, one in drive.signals.items()})  # fmt: skip
    assert not any(one.urgency is Urgency.STOP for one in sound(drive).findings)


UNITS = {
    "kelvin": (1.0, 273.15, "temperature"),
    "psi": (0.145, 0.0, "pressure"),
    "miles": (0.6214, 0.0, "vehicle_speed"),
    "kilometres as miles": (1.609, 0.0, "vehicle_speed"),
    "pounds a minute": (0.1323, 0.0, "air_flow"),
    "millivolts": (1000.0, 0.0, "voltage"),
    "shares": (0.01, 0.0, "load", "trim", "throttle"),
    "turns a second": (1.0 / 60.0, 0.0, "engine_speed"),
    "negative": (-1.0, 0.0, ""),
}


@pytest.mark.parametrize("name", UNITS)
def test_wrong_units_stop_nobody(name: str) -> None:
    factor, offset, *names = UNITS[name]
    drive = scaled(float(factor), float(offset), *(str(one) for one in names))
    assert not any(one.urgency is Urgency.STOP for one in sound(drive).findings)


def test_every_signal_alone_and_every_signal_missing() -> None:
    signals = recorded().signals
    for key in signals:
        alone = replace(recorded(), signals={key: signals[key]}, monitors=(), codes=())
        assert not any(one.urgency is Urgency.STOP for one in sound(alone).findings)
        rest = replace(recorded(), signals={other: one for other, one in signals.items() if other != key})
        assert not any(one.urgency is Urgency.STOP for one in sound(rest).findings)
