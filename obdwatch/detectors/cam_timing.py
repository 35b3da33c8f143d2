"""Do the cams go where they are sent? One verdict for all of them, from the best evidence the car has.

The car's own test results (service 06, monitors 35 to 38) beat everything else; then come its trouble codes, and last
what the filling of the engine says. Filling alone cannot prove that a cam is right, only show what a wrong one costs.
"""

from __future__ import annotations

from obdwatch.detectors.air_filling_judgement import Filling, has_cam_timing, judge
from obdwatch.detectors.air_filling_parts import air_underread, parts_of
from obdwatch.detectors.air_filling_record import FillingRecord, prepare
from obdwatch.detectors.cam_evidence import EXHAUST, INTAKE, NEAR, CamCode, CamEvidence, CamResult, evidence_of
from obdwatch.detectors.cam_timing_measures import code_measures, filling_measures, learnt_of, result_measures
from obdwatch.detectors.cam_timing_past import drifted
from obdwatch.detectors.heat_input import burns_lean
from obdwatch.records import Car, Drive, Finding, History, Span, Urgency, Verdict

NAME = "cam_timing"
USES: frozenset[str] = frozenset({"engine_speed"})
"""Signals whose being wrong makes the verdict wrong; filling withholds its own part."""

REPEATED = 2
"""Failing readings within a drive from which a result that passes at the end is still raised: one can be a glitch."""

DRIVE_TO_GET = {
    "diesel": "Nothing: this check is for petrol engines.",
    "no_cam_timing": "Nothing: the cams of this engine are fixed.",
    "not_run": "With the engine hot, drive ten minutes with some brisk acceleration; then read the car's own test"
    " results (service 06) again.",
    "no_evidence": "Read the car's own test results (service 06) and the trouble codes. If it tells none, hold full"
    " throttle in third gear from 2,000 1/min to near the red line, twice, on a clear road and within the limit.",
}
"""What to drive or do, by what was missing."""


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the cams of one drive; pure.

    The finding's `signature` says which cam and what: `intake_cam_off_target`, `..._advanced`, `..._retarded`,
    `..._slow`, `..._circuit`, `..._chain`, `..._at_times`, `..._near_limit`, the same with `exhaust_cam`, or
    `filling_lost_high`, `overlap_at_idle` where only the air tells; with not_enough_data one of `DRIVE_TO_GET`.
    """
    if burns_lean(drive, car):
        return _not_enough("diesel")
    evidence = evidence_of(drive, car)
    if car is not None and car.cam_timing == () and not evidence.results and not evidence.codes:
        return _not_enough("no_cam_timing")
    said = _by_results(evidence, history, drive) or _by_codes(evidence)
    if said is not None:
        return said
    if evidence.results:
        measures, learnt = result_measures(evidence.results), learnt_of(evidence.results)
        return Finding(NAME, Verdict.HEALTHY, confidence=0.95, measures=measures, learnt=learnt)
    return _by_filling(drive, car, history, evidence)


def _by_results(evidence: CamEvidence, history: History, drive: Drive) -> Finding | None:
    """A result beyond its limit, at its limit at times, close to it, or far from where it used to be."""
    failed = [one for one in evidence.results if one.failed]
    if failed:
        kind = _kind(failed[0], evidence)
        return _accuse(failed[0], kind, Urgency.SOON if _confirmed(failed[0], evidence) else Urgency.NEXT_SERVICE, 0.95,
                       evidence, drive)  # fmt: skip
    at_times = [one for one in evidence.results if one.judged.failing >= REPEATED]
    if at_times:
        return _accuse(at_times[0], "at_times", Urgency.NEXT_SERVICE, 0.8, evidence, drive)
    near = [one for one in evidence.results if one.judged.margin < NEAR]
    if near:
        return _accuse(near[0], "near_limit", Urgency.WATCH, 0.75, evidence, drive)
    moved = [one for one in evidence.results if drifted(one, history)]
    return _accuse(moved[0], "near_limit", Urgency.WATCH, 0.7, evidence, drive) if moved else None


def _kind(result: CamResult, evidence: CamEvidence) -> str:
    """Advanced or retarded is said by the code: the sign of a result is each maker's own."""
    same = [one for one in evidence.codes if one.part == result.part and one.bank == result.bank]
    return same[0].what if same else "off_target"


def _confirmed(result: CamResult, evidence: CamEvidence) -> bool:
    return any(one.stored and one.part == result.part for one in evidence.codes)


def _accuse(
    result: CamResult, kind: str, urgency: Urgency, confidence: float, evidence: CamEvidence, drive: Drive
) -> Finding:
    judged = result.judged
    own = [
        one.t
        for one in drive.monitors
        if (one.monitor, one.test, one.ecu) == (judged.result.monitor, judged.result.test, judged.result.ecu)
        and one.completed
    ]
    other = [one.part for one in evidence.results if one.failed and one.part != result.part]
    return Finding(
        NAME,
        Verdict.FAULT,
        f"{_cam(result.part)}_{kind}",
        urgency,
        confidence,
        parts=(result.part, *dict.fromkeys(other)),
        measures=(*result_measures(evidence.results, result), *code_measures(evidence.codes)),
        spans=(Span(min(own), max(own), "own test read"),) if own else (),
    )


def _cam(part: str) -> str:
    return "exhaust_cam" if part == EXHAUST else "intake_cam"


def _by_codes(evidence: CamEvidence) -> Finding | None:
    """A code without a failing result: nothing contradicts it where there are no results, else it is of earlier."""
    if not evidence.codes:
        return None
    first: CamCode = evidence.codes[0]
    passes = bool(evidence.results) and first.what not in ("circuit", "chain")
    urgency = Urgency.WATCH if passes or not first.stored else Urgency.SOON
    confidence = 0.6 if passes else 0.9 if first.stored else 0.7
    kind = "at_times" if passes else first.what
    measures = (*result_measures(evidence.results), *code_measures(evidence.codes))
    others = dict.fromkeys(one.part for one in evidence.codes[1:] if one.part != first.part)
    signature = f"{_cam(first.part)}_{kind}"
    return Finding(NAME, Verdict.FAULT, signature, urgency, confidence, parts=(first.part, *others), measures=measures)


def _by_filling(drive: Drive, car: Car | None, history: History, evidence: CamEvidence) -> Finding:
    """No word from the car itself: what the air says, and that only of a car that is known to have variable cams."""
    record: FillingRecord = prepare(drive, car)
    filling: Filling = judge(record, car, history)
    measures = filling_measures(filling)
    if filling.where in ("high_speeds", "idle_overlap", "everywhere") and not air_underread(drive):
        parts = parts_of(filling, evidence, car, drive)
        if has_cam_timing(car) and parts[0] in (INTAKE, EXHAUST):
            signature = "overlap_at_idle" if filling.where == "idle_overlap" else "filling_lost_high"
            urgency = Urgency.NEXT_SERVICE if filling.own else Urgency.WATCH
            confidence = 0.7 if filling.own else 0.55
            return Finding(NAME, Verdict.FAULT, signature, urgency, confidence, parts=parts, measures=measures)
    elif has_cam_timing(car) and filling.own and not filling.where and filling.breathing_change is not None:
        return Finding(NAME, Verdict.HEALTHY, confidence=0.7, measures=measures)
    missing = "not_run" if evidence.waiting else "no_evidence"
    return Finding(NAME, Verdict.NOT_ENOUGH_DATA, missing, measures=measures, drive_to_get=DRIVE_TO_GET[missing])


def _not_enough(missing: str) -> Finding:
    return Finding(NAME, Verdict.NOT_ENOUGH_DATA, missing, drive_to_get=DRIVE_TO_GET[missing])
