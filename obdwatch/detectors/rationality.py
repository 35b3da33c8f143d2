"""Can the sensors be right at all? Asked before anything is concluded from them; a sensor that fails is the finding.

`untrusted` names the signals that failed, so that verdicts which rest on them can be withheld.
"""

from __future__ import annotations

from collections.abc import Mapping

from obdwatch.detectors.rationality_air import flow_doubts, pressure_doubts
from obdwatch.detectors.rationality_cold import cold_doubts
from obdwatch.detectors.rationality_doubt import Doubt
from obdwatch.detectors.rationality_signal import end_doubts, heat_doubts, intake_doubts, stuck_pressure
from obdwatch.detectors.rationality_throttle import throttle_doubts
from obdwatch.records import Car, Drive, Finding, History, Measure, Verdict

NAME = "rationality"

USES: frozenset[str] = frozenset()
"""Nothing is withheld from the detector that finds out what to withhold."""

DRIVE_TO_GET = {
    "nothing_to_compare": "Let the car stand overnight, start the recording with the ignition on and the engine still"
    " off for ten seconds, then drive for 20 minutes.",
    "coolant_warm_or_wrong": "Record one more start after a night's stand without a block or coolant heater.",
}
"""What to drive or do, by what was missing."""


def untrusted(drive: Drive, car: Car | None) -> Mapping[str, str]:
    """Return the signals not to be trusted on this drive, each with a short reason that goes on from its name."""
    found, _ = doubts(drive, car)
    return {doubt.key: doubt.reason for doubt in reversed(found) if doubt.firm}


def doubts(drive: Drive, car: Car | None) -> tuple[tuple[Doubt, ...], tuple[str, ...]]:
    """Return what failed, the surest and most telling first, and the names of the comparisons that could be made."""
    asked = {
        "cold_temperatures": cold_doubts(drive),
        "pressures": pressure_doubts(drive, car),
        "air_flow": flow_doubts(drive, car),
        "coolant_and_heat": heat_doubts(drive, car),
    }
    found = [*end_doubts(drive)]
    for answer in asked.values():
        found += answer or ()
    found += [*intake_doubts(drive), *stuck_pressure(drive)]
    if not any(doubt.key == "intake_manifold_pressure" for doubt in found):
        found += throttle_doubts(drive, car)
    ordered = sorted(found, key=lambda one: (not one.firm, not one.parts, -one.confidence))
    return tuple(ordered), tuple(name for name, answer in asked.items() if answer is not None)


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the sensors of one drive; the signature names the check that failed."""
    found, compared = doubts(drive, car)
    if not found and not compared:
        signature = "nothing_to_compare"
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, signature, drive_to_get=DRIVE_TO_GET[signature])
    made = tuple(Measure(f"compared_{name}", 1.0, "") for name in compared)
    if not found:
        confidence = 0.95 if len(compared) > 2 else 0.8
        return Finding(NAME, Verdict.HEALTHY, confidence=confidence, measures=made)
    first = found[0]
    measures = (*(measure for doubt in found for measure in doubt.measures), *made)
    if not first.firm:
        drive_to_get = DRIVE_TO_GET[first.signature]
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, first.signature, measures=measures, drive_to_get=drive_to_get)
    firm = [doubt for doubt in found if doubt.firm]
    return Finding(
        NAME,
        Verdict.FAULT,
        first.signature,
        first.urgency,
        first.confidence,
        parts=tuple(dict.fromkeys(part for doubt in firm for part in doubt.parts)),
        measures=measures,
        spans=tuple(doubt.span for doubt in firm if doubt.span is not None),
    )
