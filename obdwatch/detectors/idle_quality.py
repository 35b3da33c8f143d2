"""Does the engine idle as it should? The detector of a dirty throttle, of air that comes in elsewhere, of cams that
overlap too much at idle, and of a rough or hunting idle.

A first drive can show only what no healthy engine does. What creeps up over months shows against the car's own past,
at the same air through the throttle, so that lamps, gear and air conditioning do not matter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from obdwatch.detectors.heat_input import burns_lean
from obdwatch.detectors.idle_quality_history import fill_drop, learnt_of
from obdwatch.detectors.idle_quality_record import ENOUGH, STEP, IdleRecord, prepare
from obdwatch.detectors.idle_quality_throttle import SIGMAS, Shift, learnt_of_curve, throttle_curve, throttle_shift
from obdwatch.detectors.leak_order import leaks_by_age
from obdwatch.physics.order_statistics import median
from obdwatch.records import Car, Drive, Finding, FloatArray, History, Measure, Span, Urgency, Verdict

NAME = "idle_quality"

USES = frozenset(
    {
        "engine_speed",
        "coolant_temperature",
        "intake_manifold_pressure",
        "air_flow",
        "absolute_load",
        "relative_throttle_position",
        "throttle_position",
        "commanded_throttle_actuator",
    }
)
"""Signals the verdict rests on."""

DEPOSITS, DEPOSITS_SERVICE = 0.6, 1.5
"""Throttle position [%] above its past at the same air: one and a half steps of its scale of 0.39 % (SAE J1979) are
worth watching, four are worth cleaning (common practice)."""

EXTRA_AIR = 0.6
"""Throttle position [%] below its past at the same air: one and a half steps of the scale."""

FILL_LESS = 0.05
"""Drop of the filling against the past: idle pressure 2 kPa higher at 40 for the same air, two steps of its scale."""

HIGH_PRESSURE = 46.0
"""Idle pressure [kPa] above the 27 to 44 of a sound engine (17 to 22 inHg of vacuum at sea level, trade handbook) by
two steps of its scale. A gear and air conditioning reach it too, so it counts only where the engine is rough too."""

SHUT = 0.5
"""Throttle position [%] that is shut: one step of the scale."""

SHUT_SPEED = 825.0
"""With the throttle shut an engine should run at its slowest; a warm idle is set to 600 to 800 and kept within 25 1/min
(common practice)."""

CHARGING = 13.0
"""Voltage below which the alternator takes little or no power [V]: then an engine needs hardly any air (common
practice)."""

SLOWEST, FASTEST = 450.0, 1150.0
"""Warm idle speeds [1/min] beyond what any engine is set to (usual 550 to 1,000, common practice), with a margin."""

LIGHT_LOAD = 25.0
"""Absolute load [%] below which a fast idle is no charging or heating program (common practice)."""

ROUGH = 25.0
"""Quick changes of engine speed [1/min] that can be felt (common practice: a sound idle stays within 25)."""

HUNTING, REGULAR = 25.0, 0.5
"""Slow changes [1/min] and their regularity that make a hunting idle (common practice)."""

LONG_ENOUGH = 60.0
"""Idle [s] for a claim without a past."""

AIR_PARTS = ("intake_leak", "crankcase_ventilation", "throttle_body")
THROTTLE_PARTS = ("throttle_body",)
CAM_PARTS = ("cam_timing_solenoid_intake", "cam_timing_solenoid_exhaust")
ROUGH_PARTS = ("ignition_coil", "spark_plugs", "fuel_injector", "intake_leak")

DRIVE_TO_GET = {
    "diesel": "Nothing: a diesel idle is not judged here.",
    "speed_missing": "Record engine speed and vehicle speed.",
    "coolant_missing": "Record coolant temperature with engine speed and vehicle speed.",
    "too_little_idle": "Let the warm engine idle for two minutes in the open, in neutral, lamps and air conditioning"
    " off, and record it.",
    "too_little_recorded": "Record throttle position, manifold pressure or air flow, and absolute load at a warm idle"
    " of two minutes.",
}
"""What to drive or do, by what was missing."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict before its numbers are attached."""

    signature: str
    urgency: Urgency
    confidence: float
    parts: tuple[str, ...]


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the warm idle of one drive; pure.

    The finding's `signature` is `throttle_deposits`, `extra_air`, `low_filling`, `throttle_shut`, `high_pressure`,
    `idle_fast`, `idle_slow`, `hunting` or `rough` for a fault; with not_enough_data it names what was missing, one of
    `DRIVE_TO_GET`.
    """
    if burns_lean(drive, car):
        return _not_enough("diesel")
    record, curve = prepare(drive, car), throttle_curve(drive, car)
    steps = learnt_of_curve(curve)
    if isinstance(record, str):
        return replace(_not_enough(record), learnt=steps)
    shift = throttle_shift(curve, record.quiet(record.throttle), history, NAME, THROTTLE_PARTS)
    dropped = fill_drop(record, history, NAME, CAM_PARTS)
    judgement = _against_past(record, car, shift, dropped) or _first_drive(record, car)
    measures = _measures(record, shift, dropped)
    learnt = learnt_of(record)
    if judgement is None:
        learnt += steps  # what was found faulty is nothing to compare with
    if judgement is None and not _told(record):
        return Finding(
            NAME,
            Verdict.NOT_ENOUGH_DATA,
            "too_little_recorded",
            measures=measures,
            drive_to_get=DRIVE_TO_GET["too_little_recorded"],
            learnt=learnt,
        )
    spans = (Span(*record.span, "warm idle"),)
    if judgement is None:
        confidence = 0.9 if shift is not None else 0.6
        return Finding(NAME, Verdict.HEALTHY, "", None, confidence, measures=measures, spans=spans, learnt=learnt)
    return Finding(
        NAME,
        Verdict.FAULT,
        judgement.signature,
        judgement.urgency,
        judgement.confidence,
        parts=leaks_by_age(judgement.parts, drive, car, history),
        measures=measures,
        spans=spans,
        learnt=learnt,
    )


def _not_enough(missing: str) -> Finding:
    return Finding(NAME, Verdict.NOT_ENOUGH_DATA, missing, drive_to_get=DRIVE_TO_GET[missing])


def _told(record: IdleRecord) -> bool:
    """Whether anything beside engine speed was seen."""
    return any(record.quiet(values) is not None for values in (record.pressure, record.opening, record.throttle))


def _against_past(record: IdleRecord, car: Car | None, shift: Shift | None, dropped: float | None) -> Judgement | None:
    if dropped is not None and dropped > FILL_LESS:
        return Judgement("low_filling", Urgency.NEXT_SERVICE, 0.75, _cam_parts(car))
    if shift is None:
        return None
    opened = min(shift.measured, shift.trimmed)
    if opened > max(DEPOSITS, SIGMAS * shift.sigma):
        urgency = Urgency.NEXT_SERVICE if opened >= DEPOSITS_SERVICE else Urgency.WATCH
        return Judgement("throttle_deposits", urgency, 0.85, THROTTLE_PARTS)
    # Where an air flow sensor sits before the throttle, air that passes it by is the fuel trims' matter.
    if record.pressure_metered and shift.shut > max(EXTRA_AIR, SIGMAS * shift.shut_sigma):
        return Judgement("extra_air", Urgency.NEXT_SERVICE, 0.75, AIR_PARTS[:2])
    return None


def _first_drive(record: IdleRecord, car: Car | None) -> Judgement | None:
    if record.seconds < LONG_ENOUGH:
        return None
    speed = record.quiet(record.speed) or 0.0
    if _shut(record) and speed >= SHUT_SPEED:
        return Judgement("throttle_shut", Urgency.NEXT_SERVICE, 0.7, AIR_PARTS)
    pressure = record.quiet(record.pressure)
    even = record.evenness
    rough = even is not None and even.roughness is not None and even.roughness >= ROUGH
    if pressure is not None and pressure >= HIGH_PRESSURE and rough:
        return Judgement("high_pressure", Urgency.WATCH, 0.6, _cam_parts(car))
    if even is not None and even.swing >= HUNTING and even.regular >= REGULAR:
        return Judgement("hunting", Urgency.WATCH, 0.6, ("throttle_body", "intake_leak"))
    if rough:
        return Judgement("rough", Urgency.WATCH, 0.5, ROUGH_PARTS)
    load = _median(record.load)
    if speed >= FASTEST and load is not None and load < LIGHT_LOAD:
        return Judgement("idle_fast", Urgency.WATCH, 0.5, AIR_PARTS)
    if (_median(record.speed) or SLOWEST) < SLOWEST:
        return Judgement("idle_slow", Urgency.WATCH, 0.5, THROTTLE_PARTS)
    return None


def _shut(record: IdleRecord) -> bool:
    """Whether an electronic throttle is told to be shut and is, and the engine's air is not measured before it."""
    commanded, throttle = _median(record.commanded), _median(record.throttle)
    known = record.pressure_metered and record.throttle_key == "relative_throttle_position"
    known &= (_median(record.voltage) or 0.0) >= CHARGING
    return known and commanded is not None and throttle is not None and max(commanded, throttle) <= SHUT


def _cam_parts(car: Car | None) -> tuple[str, ...]:
    if car is None or car.cam_timing is None:
        return CAM_PARTS
    fitted = tuple(f"cam_timing_solenoid_{side}" for side in ("intake", "exhaust") if side in car.cam_timing)
    return fitted or ("intake_leak", "crankcase_ventilation")


def _median(values: FloatArray) -> float | None:
    known = values[np.isfinite(values)]
    return median(known) if len(known) * STEP >= ENOUGH / 2.0 else None


def _measures(record: IdleRecord, shift: Shift | None, dropped: float | None) -> tuple[Measure, ...]:
    measures = [Measure("idle_seconds", record.seconds, "s")]
    quiet = (
        ("idle_speed", record.speed, "1/min", (550.0, 1000.0)),
        ("idle_pressure", record.pressure, "kPa", (27.0, 44.0)),
        ("idle_opening", record.opening, "mm2", None),
        ("idle_throttle", record.throttle, "%", None),
    )
    for name, values, unit, expected in quiet:
        value = record.quiet(values)
        if value is not None and not (name == "idle_opening" and record.per_litre):
            measures.append(Measure(name, value, unit, None, expected))
    fill = _median(record.fill * (1.0 + record.trim))
    if fill is not None:
        measures.append(Measure("idle_filling", 100.0 * fill, "%"))
    timing = record.timing[np.isfinite(record.timing)]
    if len(timing) >= ENOUGH:
        measures.append(Measure("timing_scatter", float(np.std(timing)), "deg"))
    if record.evenness is not None and record.evenness.roughness is not None:
        measures.append(Measure("roughness", record.evenness.roughness, "1/min", None, (0.0, ROUGH)))
    if record.evenness is not None and record.evenness.regular >= REGULAR:
        measures.append(Measure("hunting", record.evenness.swing, "1/min", None, (0.0, HUNTING)))
        measures.append(Measure("hunting_period", record.evenness.period, "s"))
    if shift is not None:
        measures.append(Measure("throttle_shift", shift.measured, "%", None, (-EXTRA_AIR, DEPOSITS)))
        if record.pressure_metered:
            measures.append(Measure("throttle_shut", shift.shut, "%", None, (-100.0, EXTRA_AIR)))
        measures.append(Measure("throttle_before", shift.before, "%"))
        measures.append(Measure("earlier_drives", float(shift.drives), ""))
    if dropped is not None:
        measures.append(Measure("filling_drop", 100.0 * dropped, "%", None, (-100.0, 100.0 * FILL_LESS)))
    return tuple(measures)
