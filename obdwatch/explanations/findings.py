"""Words for findings: headline, reasons, what to check and the cautions, for a reader with a spanner, not a degree.

A detector says what it saw in measures; here they become sentences in the units the reader prefers. Nothing is
judged here, and a number that was not measured is not mentioned.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType

from obdwatch.explanations.warm_up_words import warm_up_words
from obdwatch.explanations.wording import Words
from obdwatch.records import Finding, Urgency, Verdict

ADVICE = "This is advice from recorded data, not an inspection: check the part before you replace it."
HOT_COOLING = "Never open the cooling system hot: let it stand until the upper hose is cool to the hand."
FANS = "Radiator fans can start by themselves, even with the engine off: keep hands and clothes away."
OVERHEATED = "Overheating: stop where it is safe, switch the engine off, and let it cool before anything else."
NO_SCREEN = "Do not watch or touch a screen while driving; let it record and look afterwards."

COOLING_PARTS = ("thermostat", "coolant_pump", "radiator_fan", "coolant_temperature_sensor")

DETECTOR_WORDS: Mapping[str, Callable[[Finding, str], Words]] = MappingProxyType({"warm_up": warm_up_words})
"""Who words the findings of which detector."""


def explain(finding: Finding, units: str = "metric") -> Finding:
    """Return the finding with headline, reasons and cautions in plain language, in `units` (metric, us).

    What the detector has already worded stays; a detector nobody has written words for gets a plain headline.
    """
    word = DETECTOR_WORDS.get(finding.detector)
    words = word(finding, units) if word is not None else _plain(finding)
    return replace(
        finding,
        headline=finding.headline or words.headline,
        reasons=finding.reasons or words.reasons,
        cautions=finding.cautions or cautions(finding),
    )


def cautions(finding: Finding) -> tuple[str, ...]:
    """Return the cautions that go with acting on a finding, the most pressing first."""
    urgent = (OVERHEATED,) if finding.urgency is Urgency.STOP or finding.signature == "overheating" else ()
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        to_check = (HOT_COOLING,) if finding.parts else ()
        return (*urgent, NO_SCREEN, *to_check)
    if finding.verdict is Verdict.HEALTHY:
        return ()
    cooling = (HOT_COOLING, FANS) if any(part in COOLING_PARTS for part in finding.parts) else ()
    return (*urgent, *cooling, ADVICE)


def _plain(finding: Finding) -> Words:
    subject = finding.detector.replace("_", " ").capitalize()
    said = {
        Verdict.FAULT: f"{subject}: {finding.signature.replace('_', ' ') or 'fault'}.",
        Verdict.HEALTHY: f"{subject}: nothing wrong to be seen.",
        Verdict.NOT_ENOUGH_DATA: f"{subject}: this drive cannot tell.",
    }
    return Words(said[finding.verdict], ())
