"""What the cam timing detector found, in plain language: one function per kind of answer."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Verdict

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "diesel": (
            "This check of the cams is for petrol engines only.",
            "Most diesel engines have fixed cams.",
        ),
        "no_cam_timing": (
            "The cams of this engine are fixed: there is nothing to judge.",
            "If that is wrong, change it in the car's description.",
        ),
        "not_run": (
            "The car's own test of its cams has not run yet: it cannot be judged.",
            "After the memory is erased, such a test has to run again before it tells anything.",
        ),
        "no_evidence": (
            "Nothing in this recording tells how the cams do.",
            "The car gave no test result and no code of its cams, and air alone cannot clear them.",
        ),
    }
)
"""Headline and reason by what was missing."""

KINDS: Mapping[str, str] = MappingProxyType(
    {
        "off_target": "does not go where it is sent",
        "advanced": "is further forward than it was sent",
        "retarded": "stays back behind where it was sent",
        "slow": "follows too slowly",
        "circuit": "has a fault in the solenoid or its wiring",
        "chain": "is out of step with the crank",
        "at_times": "was not where it should be at times",
        "near_limit": "is close to its limit",
    }
)
"""What the cam does, by the last words of a signature."""

OIL = (
    "To check: oil level and when the oil was changed; old or thin oil is the usual cause. Then the solenoid and its"
    " plug. On many engines the two solenoids can be swapped as a test."
)
CHAIN = (
    "To check: stretch of the timing chain and its tensioner come before the solenoid. If it rattles, do not start the"
    " engine again: a chain that jumps wrecks it."
)
WIRING = "To check: plug, wire and resistance of the solenoid; then the solenoid itself."


def cam_timing_words(finding: Finding, units: str) -> Words:
    """Word a finding of the cam timing detector."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        headline, reason = MISSING.get(finding.signature, ("This drive cannot tell how the cams do.", ""))
        return Words(headline, tuple(one for one in (*_air(numbers), reason) if one))
    if finding.verdict is Verdict.HEALTHY:
        return _healthy(numbers)
    if finding.signature in ("filling_lost_high", "overlap_at_idle"):
        return _by_air(finding, numbers)
    return _named(finding, numbers)


def _healthy(numbers: Numbers) -> Words:
    if numbers.get("cam_result_margin") is not None:
        reasons = (
            f"The car's own test is well within its limits: {_result(numbers)}.",
            "That test beats anything that can be seen from outside.",
        )
        return Words("The cams go where they are sent, by the car's own test.", reasons)
    return Words("The air of this engine shows no cam out of place.", (*_air(numbers), "The car tells no result."))


def _named(finding: Finding, numbers: Numbers) -> Words:
    cam, _, kind = finding.signature.partition("_cam_")
    headline = f"The {cam} cam{_bank(numbers)} {KINDS.get(kind, 'is not where it should be')}."
    reasons = []
    if numbers.get("cam_result_margin") is not None:
        said = "last read" if kind == "at_times" else "says so" if kind != "near_limit" else "reads"
        reasons.append(f"The car's own test {said}: {_result(numbers)}.")
        beyond, read = numbers.get("results_beyond_limit"), numbers.get("results_read")
        if beyond is not None and read is not None and read.value > 1.0:
            often = f"{beyond.value:.0f} times" if beyond.value > 0.0 else "never"
            reasons.append(f"It was read {read.value:.0f} times and was beyond its limit {often}.")
    reasons += _codes(numbers, kind)
    failing = numbers.get("cams_beyond_limit")
    if failing is not None and failing.value > 1.0:
        reasons.append(
            f"{failing.value:.0f} cams are beyond their limits: what they share, the oil, comes before the solenoids."
        )
    reasons.append({"chain": CHAIN, "circuit": WIRING}.get(kind, OIL))
    return Words(headline, tuple(reasons))


def _codes(numbers: Numbers, kind: str) -> list[str]:
    codes, stored = numbers.get("cam_codes"), numbers.get("cam_codes_stored")
    if codes is None or stored is None:
        return []
    how = "confirmed" if stored.value > 0.0 else "not yet confirmed"
    said = f"The car holds {codes.value:.0f} code{'s' if codes.value > 1.0 else ''} of the cams, {how}."
    if kind == "at_times" and numbers.get("cam_result_margin") is not None:
        return [said, "Its last test passed, so the fault comes and goes or has been put right."]
    return [said]


def _by_air(finding: Finding, numbers: Numbers) -> Words:
    if finding.signature == "overlap_at_idle":
        reasons = (*_air(numbers), "That fits exhaust gas flowing back, as with a cam that does not return.", OIL)
        return Words("A cam may not return to its place at idle.", reasons)
    reasons = (
        *_air(numbers),
        "The air is all that speaks here: a blocked exhaust looks the same. The car's own test would settle it.",
        OIL,
    )
    return Words("A cam may stay back: the engine lacks air at full throttle.", reasons)


def _air(numbers: Numbers) -> tuple[str, ...]:
    said = []
    if numbers.get("split_speed") is not None:
        said.append(f"Above {numbers.say('split_speed')} the air missing is {numbers.say('air_missing_high')}.")
    elif numbers.get("air_missing") is not None:
        said.append(f"At full throttle the air missing is {numbers.say('air_missing')}.")
    if numbers.get("idle_breathing_change") is not None:
        said.append(
            f"At hot idle manifold pressure has changed by {numbers.say('idle_pressure_rise')}, and the air drawn in"
            f" at that pressure by {numbers.say('idle_breathing_change')}."
        )
    return tuple(said)


def _result(numbers: Numbers) -> str:
    limits = numbers.expected("cam_result", 1)
    within = f"; {limits} is allowed" if limits else ""
    return f"{numbers.say('cam_result', 1)}{within}"


def _bank(numbers: Numbers) -> str:
    bank, banks = numbers.get("bank"), numbers.get("banks_seen")
    if bank is None:
        bank, banks = numbers.get("code_bank"), None
        return "" if bank is None or bank.value < 2.0 else f" of bank {bank.value:.0f}"
    if bank.value < 2.0 and (banks is None or banks.value < 2.0):
        return ""
    return f" of bank {bank.value:.0f}"
