"""What the ignition timing detector found, in plain language: one function per kind of answer."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Verdict

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "diesel": (
            "This check of the spark is for petrol engines only.",
            "A diesel has no ignition advance.",
        ),
        "signals_missing": (
            "The recording does not show the ignition advance.",
            "It takes ignition advance, engine speed and load, read at least every two seconds.",
        ),
        "too_little_driving": (
            "Too little warm driving to judge the ignition advance.",
            "Idle and roll-out do not count: there the computer uses the advance to hold the engine speed.",
        ),
        "no_load": (
            "The engine was hardly loaded: whether knock takes advance away was not seen.",
            "Knock comes with a full cylinder, so it shows only under load.",
        ),
    }
)
"""Headline and reason by what was missing."""

HEADLINES: Mapping[str, str] = MappingProxyType(
    {
        "lost_under_load": "The engine has lost ignition advance under load: it probably knocks and holds back.",
        "lost_everywhere": "The engine has lost ignition advance at every load: its timing may be off.",
        "lost_during_drive": "Ignition advance under load was lost during this drive, more than hot air explains.",
        "late_under_load": "Under load the spark comes very late: the computer has taken back all it can.",
        "falls_with_speed": "Ignition advance falls with engine speed, where it should rise.",
        "rises_with_load": "Ignition advance rises with load, where it should fall.",
    }
)
"""Headline by signature."""

KNOCK = (
    "Usual causes, cheapest first: fuel of too low a grade, very hot intake air, carbon in the cylinders, spark plugs"
    " that run too hot. To check: fill up with the grade in the handbook or better, then drive the same road again."
)
TIMING = (
    "To check: the timing of the cams, then whether the coolant reading is right: a computer that takes the engine for"
    " too hot takes advance back."
)
SENSE = (
    "To check first: whether load, engine speed and advance are read right. Then the knock sensor and its plug: a"
    " computer that cannot hear knock keeps the spark late to be safe."
)


def ignition_timing_words(finding: Finding, units: str) -> Words:
    """Word a finding of the ignition timing detector."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        headline, reason = MISSING.get(finding.signature, ("This drive cannot tell how the ignition advance does.", ""))
        return Words(headline, tuple(one for one in (*_seen(numbers), reason) if one))
    if finding.verdict is Verdict.HEALTHY:
        return _healthy(numbers)
    headline = HEADLINES.get(finding.signature, "The ignition advance is not what it should be.")
    return Words(headline, (*_seen(numbers), *_reasons(finding, numbers)))


def _healthy(numbers: Numbers) -> Words:
    if numbers.get("advance_lost_under_load") is None:
        said = "It rises and falls with speed and load as it should. Later drives will show whether any gets lost."
        return Words("Nothing odd in the ignition advance of this drive.", (*_seen(numbers), said))
    return Words("The engine gets the ignition advance it used to get.", (*_seen(numbers), _compared(numbers)))


def _reasons(finding: Finding, numbers: Numbers) -> list[str]:
    said = []
    if numbers.get("advance_lost_under_load") is not None and finding.signature.startswith("lost_"):
        said.append(_compared(numbers))
    if finding.signature == "lost_during_drive":
        said.append(f"From the first to the second half {numbers.say('advance_off_by')} was lost.")
    elif finding.signature == "falls_with_speed":
        said.append(f"From low to high engine speed, at the same load, it falls by {numbers.say('advance_off_by')}.")
    elif finding.signature == "rises_with_load":
        said.append(f"Under load it is {numbers.say('advance_off_by')} more than at light load.")
    elif finding.signature == "late_under_load":
        said.append(f"Under load it is {numbers.say('advance_off_by')} in the mean; 10 to 30° is usual.")
    if finding.signature == "lost_everywhere":
        said.append(TIMING)
    elif finding.parts[:1] and finding.parts[0].startswith("cam_timing"):
        said.append("A cam that is out of place costs advance too: check what was found on the cam timing first.")
    else:
        said.append(SENSE if finding.signature in ("falls_with_speed", "rises_with_load") else KNOCK)
    return said


def _compared(numbers: Numbers) -> str:
    drives, cells = numbers.get("own_history_drives"), numbers.get("cells_compared")
    lost = numbers.get("advance_lost_under_load")
    if drives is None or cells is None or lost is None:
        return ""
    against = f"this car's own {drives.value:.0f} earlier drives, at {cells.value:.0f} points of speed and load"
    if abs(lost.value) < LITTLE:
        return f"Under load it is the same as on {against}."
    how = "less" if lost.value > 0.0 else "more"
    return f"Under load it is {abs(lost.value):.1f}° {how} than on {against}, heat of the intake air allowed for."


def _seen(numbers: Numbers) -> tuple[str, ...]:
    if numbers.get("advance_under_load") is None:
        return ()
    air = numbers.get("intake_air_under_load")
    warmth = f" The intake air was {numbers.say('intake_air_under_load')}." if air is not None else ""
    return (f"Seen under load: {numbers.interval('advance_under_load')} of advance.{warmth}",)


LITTLE = 0.75
"""Change of advance [deg] that is said to be none: a step and a half (SAE J1979)."""
