"""Does the engine warm up as it should? The detector of a thermostat that does not shut, opens low or opens late.

The drive is judged against the curve that the heat of its own fuel, its speed and the outside air lead to expect of
a healthy engine, never against minutes: a short idle in winter is slow and healthy.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from obdwatch.detectors.judgement import Judgement
from obdwatch.detectors.warm_up_late import DROP_TIME, REACHED_TIME, opened_late, still_rising, sustained_peak
from obdwatch.detectors.warm_up_measures import measures_of
from obdwatch.detectors.warm_up_model import (
    MAPPED_FROM,
    OPENING,
    Comparison,
    compare,
    lowest_sound,
    top_of_regulation,
)
from obdwatch.detectors.warm_up_record import LOWEST_OPENING, WarmUpRecord, prepare
from obdwatch.records import BoolArray, Car, Drive, Finding, History, Span, Urgency, Verdict

NAME = "warm_up"

USES = frozenset({"coolant_temperature", "air_flow", "intake_manifold_pressure"})
"""Signals without which, or with a wrong one of which, there is no verdict."""

FAULT_PROBABILITY = 0.95
"""A fault is claimed when it is at least so probable; healthy cars then get one false alarm in some hundred drives."""

CLEARED_PROBABILITY = 0.02
"""A drive that never reached regulation clears the thermostat only when a fault is less probable than this."""

DOUBT_PROBABILITY = 0.15
"""A drive that reached regulation clears the thermostat only when a fault is less probable: a leak hides in summer."""

WORST_MISFIT = 3.0
"""In standard deviations of a point: beyond it none of the explanations is one."""

WARM_UP_RISE = 22.0
"""Rise of the coolant that makes a warm-up cycle [K] (40 CFR 86.010-18)."""

CAUTION, STOP = 115.0, 120.0
"""Coolant with which to be careful, and to stop [degC] (workshop rule)."""

SLOW_SHARE, SLOW_TIME = 0.25, 120.0
"""Below the car's own expected range for a quarter of the warm-up, and for two minutes, is slow."""

DRIVE_TO_GET = {
    "started_warm": "Let the car stand overnight, start the recording before the engine, and drive 20 minutes.",
    "too_short": "Record from a cold start until the gauge has stood still for ten minutes: 20 to 30 minutes of"
    " driving, half of it at 50 km/h or faster.",
    "still_rising": "Record another cold start and drive on until the coolant stands still; stop and switch off if it"
    " passes 115 degC.",
    "overheated": "Have the cooling system put right first, then record a cold start; stop and switch off if the"
    " coolant passes 115 degC.",
    "undecided": "Record another cold start after a night's stand: 20 to 30 minutes, with ten minutes at a steady 60 to"
    " 100 km/h and the cabin heater off.",
    "sampling_too_slow": "Record with fewer parameters, so that coolant temperature comes every 10 s and air flow or"
    " manifold pressure, engine speed and vehicle speed every 2 s.",
    "coolant_missing": "Record coolant temperature (parameter 05) with engine speed, vehicle speed and air flow.",
    "heat_missing": "Record engine speed, vehicle speed and air flow, manifold pressure, absolute load or fuel rate.",
    "air_temperature_missing": "Record outside or intake air temperature too, or note how long the car stood.",
    "coolant_jumps": "Have the coolant temperature sensor and its plug checked, then record a cold start.",
    "coolant_not_rational": "Have the coolant temperature sensor and its plug checked, then record a cold start.",
    "coolant_frozen": "Have the coolant temperature sensor and its plug checked, then record a cold start.",
    "coolant_disagrees_cold": "Record one more cold start after eight hours' stand, without a block heater; if the"
    " temperatures disagree again, have the coolant temperature sensor checked.",
    "unexplained": "Record another cold start; note heater, hills, trailer or a heated engine block.",
}
"""What to drive or do, by what was missing."""

SENSOR_REASONS = ("coolant_jumps", "coolant_not_rational", "coolant_frozen", "coolant_disagrees_cold")


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the warm-up of one drive; pure, and quick enough to be asked again while the drive grows.

    The finding's `signature` is `stuck_open`, `opens_low`, `opens_late` or `slow` for a fault; with
    not_enough_data it names what was missing, one of `DRIVE_TO_GET`.
    """
    record = prepare(drive, car)
    if isinstance(record, str):
        parts = ("coolant_temperature_sensor",) if record in SENSOR_REASONS else ()
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, record, parts=parts, drive_to_get=DRIVE_TO_GET[record])
    comparison = compare(record, car, history)
    judgement = _hot(record, car, history) or _judge(record, comparison, car, history)
    return Finding(
        detector=NAME,
        verdict=judgement.verdict,
        signature=judgement.signature,
        urgency=judgement.urgency,
        confidence=round(judgement.confidence, 3),
        parts=judgement.parts,
        measures=measures_of(record, comparison, judgement.signature),
        spans=_spans(record, comparison, judgement),
        drive_to_get=DRIVE_TO_GET.get(judgement.signature, ""),
    )


def _judge(record: WarmUpRecord, found: Comparison, car: Car | None, history: History) -> Judgement:
    watch, faulty = lowest_sound(car, history)
    low_fit = found.opens_low.fit
    opening, sure = low_fit.parameters[OPENING], float(np.sqrt(low_fit.covariance[OPENING, OPENING]))
    low_counts = opening + sure < watch
    stuck, low = found.stuck_open.probability, found.opens_low.probability if low_counts else 0.0
    if _misfit(record, found) > WORST_MISFIT * found.deviation:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "unexplained")
    if stuck + low >= FAULT_PROBABILITY:
        if stuck >= low:
            return Judgement(Verdict.FAULT, "stuck_open", Urgency.NEXT_SERVICE, stuck + low, ("thermostat",))
        urgency = Urgency.NEXT_SERVICE if opening < faulty else Urgency.WATCH
        parts = ("thermostat", "coolant_temperature_sensor")
        return Judgement(Verdict.FAULT, "opens_low", urgency, stuck + low, parts)
    if found.own_baseline and _slow(record, found):
        return Judgement(Verdict.FAULT, "slow", Urgency.WATCH, 0.8, ("thermostat", "coolant_temperature_sensor"))
    if still_rising(record, top_of_regulation(car, history)):
        return Judgement(Verdict.NOT_ENOUGH_DATA, "still_rising")
    return _cleared(record, found, stuck + low, watch)


def _misfit(record: WarmUpRecord, found: Comparison) -> float:
    best = max((found.healthy, found.stuck_open, found.opens_low), key=lambda one: one.probability)
    off = (record.conditions.measured - best.fit.curve)[record.running]
    return float(np.sqrt(np.mean(off**2))) if len(off) else 0.0


def _cleared(record: WarmUpRecord, found: Comparison, fault: float, watch: float) -> Judgement:
    step = record.conditions.step
    reached = np.count_nonzero(record.conditions.measured >= watch) * step >= REACHED_TIME
    warm = record.conditions.measured[0] > LOWEST_OPENING - WARM_UP_RISE
    if fault <= CLEARED_PROBABILITY or (reached and not warm and fault <= DOUBT_PROBABILITY):
        return Judgement(Verdict.HEALTHY, confidence=1.0 - fault)
    if warm:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "started_warm")
    expected_warm = found.expected[0, -1] >= watch
    return Judgement(Verdict.NOT_ENOUGH_DATA, "undecided" if expected_warm or reached else "too_short")


def _hot(record: WarmUpRecord, car: Car | None, history: History) -> Judgement | None:
    """Coolant above what any thermostat regulates: opened late, or a matter for the cooling detector."""
    peak = sustained_peak(record)
    named = car.thermostat_temperature if car is not None else None
    late = opened_late(record, plain=named is not None and named <= MAPPED_FROM)
    if peak >= CAUTION:
        if late:
            urgency = Urgency.STOP if peak >= STOP else Urgency.SOON
            return Judgement(Verdict.FAULT, "opens_late", urgency, 0.95, ("thermostat",))
        return Judgement(Verdict.NOT_ENOUGH_DATA, "overheated")
    if not late:
        return None
    beyond = peak > top_of_regulation(car, history)
    urgency = Urgency.SOON if beyond else Urgency.NEXT_SERVICE
    return Judgement(Verdict.FAULT, "opens_late", urgency, 0.95 if beyond else 0.85, ("thermostat",))


def _below(record: WarmUpRecord, found: Comparison) -> BoolArray:
    below: BoolArray = record.conditions.measured < found.expected[0]
    return below


def _slow(record: WarmUpRecord, found: Comparison) -> bool:
    below = np.count_nonzero(_below(record, found))
    warming = max(1, int(np.count_nonzero(found.expected[1] < LOWEST_OPENING)))
    return bool(below >= SLOW_SHARE * warming and below * record.conditions.step >= SLOW_TIME)


def _spans(record: WarmUpRecord, found: Comparison, judgement: Judgement) -> tuple[Span, ...]:
    times, measured = record.times, record.conditions.measured
    whole = Span(float(times[0]), float(times[-1]), "warm-up")
    if judgement.signature in ("opens_late", "overheated"):
        top = float(record.coolant.times[np.argmax(record.coolant.values)])
        return (whole, Span(max(float(times[0]), top - DROP_TIME), top + DROP_TIME, "hottest"))
    below = np.flatnonzero(_below(record, found))
    if judgement.verdict is Verdict.FAULT and len(below):
        return (whole, Span(float(times[below[0]]), float(times[below[-1]]), "colder than expected"))
    settled = np.flatnonzero(measured >= LOWEST_OPENING)
    if len(settled):
        return (replace(whole, end=float(times[settled[0]])), Span(float(times[settled[0]]), float(times[-1]), "warm"))
    return (whole,)
