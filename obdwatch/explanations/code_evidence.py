"""A code read together with a drive: freeze frame, fuel trims, misfire counters, temperatures, voltage, findings.

Pure: takes an explanation and a drive, returns sentences with numbers; says nothing where the drive shows nothing.
Not imported by `codes`, because it needs numpy.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from obdwatch.decoding.monitors import MISFIRE_COUNT
from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.explanations.explanation import CodeExplanation, Origin
from obdwatch.explanations.live_hints import parameter_words
from obdwatch.explanations.naming import capital
from obdwatch.records import BoolArray, Drive, Finding, FloatArray, FreezeFrame, Verdict
from obdwatch.signals.alignment import grid, hold
from obdwatch.signals.masks import closed_loop, idling, running, warm
from obdwatch.units import quantity

STEP_S = 1.0  # grid of the medians below
TRIM_AGE_S = 15.0  # a long trim is polled every few seconds (common practice)
MIN_SAMPLES = 20  # s of a state before its median is quoted (common practice)
TRIM_SUSPECT_PERCENT = 10.0  # trade press, as in the project's reference notes, section G
TRIM_GAP_PERCENT = 5.0  # idle and cruise, or two banks, differ by more than scatter (common practice)
CRUISE_SPEED_RPM = 1800.0  # clearly above any idle (common practice)
ONE_CYLINDER_SHARE = 0.9  # above this the rule itself speaks of one cylinder, 40 CFR 86.010-18(h)(2)
CHARGING_V = (13.2, 15.0)  # below: not charging; above: too much (reference notes, section I)
STUCK_SPAN_SHARE = 0.002  # of a parameter's range: a value that moves less than this does not move (common practice)

_FIRST_CYLINDER_MONITOR = 0xA2  # SAE J1979
_FRAME_KEYS = (
    "engine_speed", "vehicle_speed", "calculated_load", "coolant_temperature", "short_term_fuel_trim_bank_1",
    "long_term_fuel_trim_bank_1", "short_term_fuel_trim_bank_2", "long_term_fuel_trim_bank_2",
)  # fmt: skip
_MIXTURE_SYSTEMS = frozenset(
    {"fuel mixture", "air measurement", "exhaust sensors", "ignition", "fuel injection", "catalyst", "fuel supply"}
)
_VOLTAGE_SYSTEMS = frozenset(
    {"battery and charging", "data network of the car", "power supply of control units", "engine computer", "starting",
     "sensor and actuator supply", "engine control"}
)  # fmt: skip


def evidence(
    explanation: CodeExplanation, drive: Drive, findings: Sequence[Finding] = (), units: str = "metric"
) -> tuple[str, ...]:
    """Return what the drive says about a code, weightiest first; empty where it says nothing."""
    sources: tuple[Callable[[], Iterator[str]], ...] = (
        lambda: _memories(explanation, drive),
        lambda: _freeze_frames(explanation, drive, units),
        lambda: _misfire_counts(explanation, drive),
        lambda: _fuel_trims(explanation, drive),
        lambda: _coolant(explanation, drive, units),
        lambda: _voltage(explanation, drive),
        lambda: _stuck_values(explanation, drive, units),
        lambda: _findings(explanation, findings),
    )
    # once each: a freeze frame that was read twice in a drive says nothing new
    return tuple(dict.fromkeys(sentence for source in sources for sentence in source()))


def _memories(explanation: CodeExplanation, drive: Drive) -> Iterator[str]:
    kinds = dict.fromkeys(reading.kind.value for reading in drive.codes if reading.code == explanation.code)
    if kinds:
        yield f"In this recording the code is {_and(list(kinds))}."
    elif drive.codes:
        yield "This recording holds other codes, but not this one."


def _freeze_frames(explanation: CodeExplanation, drive: Drive, units: str) -> Iterator[str]:
    for frame in drive.freeze_frames:
        if frame.code == explanation.code:
            shown = [_valued(key, frame.values[key], units) for key in _FRAME_KEYS if key in frame.values]
            if shown:
                yield f"When it was set: {', '.join(shown)}."
            yield from _frame_meaning(frame)


def _frame_meaning(frame: FreezeFrame) -> Iterator[str]:
    speed, rpm, coolant = (frame.values.get(key) for key in ("vehicle_speed", "engine_speed", "coolant_temperature"))
    if coolant is not None and coolant < 50.0:
        yield "The engine was still cold."
    if speed is not None and rpm is not None and speed < 2.0 and 400.0 < rpm < 1500.0:
        yield "The car stood at idle."


def _misfire_counts(explanation: CodeExplanation, drive: Drive) -> Iterator[str]:
    if explanation.system != "ignition" and not (explanation.component or "").startswith("misfire"):
        return
    counts = {
        result.monitor - _FIRST_CYLINDER_MONITOR + 1: result.value
        for result in drive.monitors
        if result.test == MISFIRE_COUNT and result.monitor >= _FIRST_CYLINDER_MONITOR and result.value is not None
    }
    total = sum(counts.values())
    if not counts:
        return
    if not total:
        yield f"The misfire counters of all {len(counts)} cylinders stand at zero in this recording."
        return
    cylinder, most = max(counts.items(), key=lambda item: item[1])
    yield f"Cylinder {cylinder} has {most:.0f} of {total:.0f} counted misfires ({100 * most / total:.0f}%)."
    if most / total > ONE_CYLINDER_SHARE:
        yield f"So it is cylinder {cylinder} alone: look at its plug, coil and injector."
    elif sum(count > 0.1 * total for count in counts.values()) > 1:
        yield "Several cylinders are hit: look for a cause that they share, such as mixture, fuel or all plugs."


def _fuel_trims(explanation: CodeExplanation, drive: Drive) -> Iterator[str]:
    if explanation.system not in _MIXTURE_SYSTEMS:
        return
    at = grid(drive, STEP_S)
    good = warm(drive, at) & closed_loop(drive, at)
    at_idle = good & idling(drive, at)
    cruising = good & (hold(drive.signals.get("engine_speed"), at, TRIM_AGE_S) > CRUISE_SPEED_RPM)
    idle_by_bank: dict[int, float] = {}
    for bank in (1, 2):
        total = _total_trim(drive, bank, at)
        idle, cruise = _median(total, at_idle), _median(total, cruising)
        if idle is not None:
            idle_by_bank[bank] = idle
        yield from _trims_of_bank(bank, idle, cruise)
    if len(idle_by_bank) == 2:
        yield from _banks_compared(idle_by_bank[1], idle_by_bank[2])


def _trims_of_bank(bank: int, idle: float | None, cruise: float | None) -> Iterator[str]:
    values = [
        f"{value:+.1f} % {where}"
        for value, where in ((idle, "at idle"), (cruise, "above 1,800 rpm"))
        if value is not None
    ]
    if not values:
        return
    yield f"Fuel correction of bank {bank}, warm engine: {' and '.join(values)}."
    if idle is None or cruise is None:
        return
    if idle > TRIM_SUSPECT_PERCENT and idle - cruise > TRIM_GAP_PERCENT:
        yield f"Bank {bank} is lean at idle and better with speed: that is how an air leak looks."
    elif cruise > TRIM_SUSPECT_PERCENT and cruise - idle > TRIM_GAP_PERCENT:
        yield f"Bank {bank} gets leaner with speed: that points to fuel supply or the mass air flow sensor."
    elif min(idle, cruise) > TRIM_SUSPECT_PERCENT:
        yield f"Bank {bank} is lean everywhere: mass air flow sensor, fuel pressure or an oxygen sensor."
    elif max(idle, cruise) < -TRIM_SUSPECT_PERCENT:
        yield f"Bank {bank} is rich everywhere: fuel pressure, a leaking injector or the mass air flow sensor."
    elif max(abs(idle), abs(cruise)) < TRIM_SUSPECT_PERCENT:
        yield f"Bank {bank} shows a normal mixture in this drive."


def _banks_compared(first: float, second: float) -> Iterator[str]:
    if min(first, second) > TRIM_SUSPECT_PERCENT or max(first, second) < -TRIM_SUSPECT_PERCENT:
        yield "Both banks are off in the same way: look for a cause that they share."
    elif abs(first - second) > 2 * TRIM_GAP_PERCENT:
        odd = 1 if abs(first) > abs(second) else 2
        yield f"Only bank {odd} is off: look for a cause on that bank."


def _coolant(explanation: CodeExplanation, drive: Drive, units: str) -> Iterator[str]:
    if explanation.system not in ("engine cooling", "radiator fan", "cold start"):
        return
    signal = drive.signals.get("coolant_temperature")
    if signal is None or not np.isfinite(signal.values).any():
        return
    low, high = float(np.nanmin(signal.values)), float(np.nanmax(signal.values))
    minutes = (signal.times[-1] - signal.times[0]) / 60.0
    yield (
        f"Coolant in this drive: from {quantity(low, 'degC', units, 0)} to {quantity(high, 'degC', units, 0)} "
        f"in {minutes:.0f} minutes."
    )


def _voltage(explanation: CodeExplanation, drive: Drive) -> Iterator[str]:
    signal = drive.signals.get("control_module_voltage")
    if explanation.system not in _VOLTAGE_SYSTEMS or signal is None:
        return
    at = signal.times
    on = running(drive, at)
    median = _median(signal.values, on)
    if median is None:
        return
    low = float(np.nanmin(signal.values[on]))
    yield f"Supply voltage with the engine running: {median:.1f} V in the middle, {low:.1f} V at the lowest."
    if median < CHARGING_V[0]:
        yield f"That is below {CHARGING_V[0]} V: the battery is hardly charged. Look at that first."
    elif median > CHARGING_V[1]:
        yield f"That is above {CHARGING_V[1]} V: the battery is overcharged. Look at that first."


def _stuck_values(explanation: CodeExplanation, drive: Drive, units: str) -> Iterator[str]:
    for item in explanation.live_data:
        signal, parameter = drive.signals.get(item.key), PARAMETER_BY_KEY.get(item.key)
        if signal is None or parameter is None or parameter.states:
            continue
        seen = signal.values[np.isfinite(signal.values)]
        if len(seen) >= MIN_SAMPLES and np.ptp(seen) <= STUCK_SPAN_SHARE * (parameter.maximum - parameter.minimum):
            value = _valued(item.key, float(np.median(seen)), units)
            yield f"{capital(value)} all the time: it never moved."


def _findings(explanation: CodeExplanation, findings: Sequence[Finding]) -> Iterator[str]:
    if explanation.origin not in (Origin.WRITTEN, Origin.COMPOSED):
        return
    parts = {cause.part for cause in explanation.causes if cause.part}
    for finding in findings:
        shared = [part for part in finding.parts if part in parts]
        if finding.verdict is Verdict.FAULT and shared:
            names = _and([_plain(part) for part in shared])
            yield f"A check of this drive points the same way: {finding.headline.rstrip('.')} ({names})."


def _total_trim(drive: Drive, bank: int, at: FloatArray) -> FloatArray:
    short = hold(drive.signals.get(f"short_term_fuel_trim_bank_{bank}"), at, TRIM_AGE_S)
    return short + hold(drive.signals.get(f"long_term_fuel_trim_bank_{bank}"), at, TRIM_AGE_S)


def _median(values: FloatArray, where: BoolArray) -> float | None:
    chosen = values[where & np.isfinite(values)]
    return float(np.median(chosen)) if len(chosen) >= MIN_SAMPLES else None


def _valued(key: str, value: float, units: str) -> str:
    parameter = PARAMETER_BY_KEY.get(key)
    unit = parameter.unit if parameter else ""
    return f"{parameter_words(key)} {quantity(value, unit, units, 1 if unit in ('%', 'V') else 0)}"


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _and(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
