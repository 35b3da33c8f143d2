"""Can the sensors be right at all? Asked before anything is concluded from them; a sensor that fails is the finding.

`untrusted` names the signals that failed, so that verdicts which rest on them can be withheld.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from obdwatch.detectors.rationality_air import flow_check, pressure_check
from obdwatch.detectors.rationality_cold import cold_check
from obdwatch.detectors.rationality_doubt import Check, Doubt
from obdwatch.detectors.rationality_signal import end_doubts, heat_check, intake_doubts, stuck_pressure
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
    return judge(drive, car)[1]


def judge(drive: Drive, car: Car | None) -> tuple[Finding, Mapping[str, str]]:
    """Return the finding on the sensors of a drive, and what `untrusted` says, from one comparison."""
    found, made = compare(drive, car)
    return _finding(found, made), {doubt.key: doubt.reason for doubt in reversed(found) if doubt.firm}


def compare(drive: Drive, car: Car | None) -> tuple[tuple[Doubt, ...], Mapping[str, Check]]:
    """Return what failed, the surest and most telling first, and the comparisons that could be made, by name."""
    asked = {
        "cold_temperatures": cold_check(drive),
        "pressures": pressure_check(drive, car),
        "air_flow": flow_check(drive, car),
        "coolant_and_heat": heat_check(drive, car),
    }
    made = {name: check for name, check in asked.items() if check is not None}
    found = [*end_doubts(drive), *(doubt for check in made.values() for doubt in check.doubts)]
    found += [*intake_doubts(drive), *stuck_pressure(drive)]
    if not any(doubt.key == "intake_manifold_pressure" for doubt in found):
        found += throttle_doubts(drive, car)
    ordered = sorted(found, key=lambda one: (not one.firm, not one.parts, -one.confidence))
    return tuple(ordered), made


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the sensors of one drive; the signature names the check that failed."""
    return judge(drive, car)[0]


def _finding(found: Sequence[Doubt], made: Mapping[str, Check]) -> Finding:
    if not found and not made:
        signature = "nothing_to_compare"
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, signature, drive_to_get=DRIVE_TO_GET[signature])
    compared = tuple(Measure(f"compared_{name}", 1.0, "") for name in made)
    seen = (*(measure for check in made.values() for measure in check.measures), *compared)
    if not found:
        return Finding(NAME, Verdict.HEALTHY, confidence=0.95 if len(made) > 2 else 0.8, measures=seen)
    first = found[0]
    measures = (*(measure for doubt in found for measure in doubt.measures), *seen)
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
