"""Words for findings: headline, reasons, what to check and the cautions, for a reader with a spanner, not a degree.

A detector says what it saw in measures; here they become sentences in the units the reader prefers. Nothing is
judged here, and a number that was not measured is not mentioned.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType

from obdwatch.explanations.air_filling_words import air_filling_words
from obdwatch.explanations.cam_timing_words import cam_timing_words
from obdwatch.explanations.catalyst_words import catalyst_words
from obdwatch.explanations.charging_words import charging_words
from obdwatch.explanations.cooling_words import cooling_words
from obdwatch.explanations.cranking_words import cranking_words
from obdwatch.explanations.fuel_trims_words import fuel_trims_words
from obdwatch.explanations.idle_quality_words import idle_quality_words
from obdwatch.explanations.ignition_timing_words import ignition_timing_words
from obdwatch.explanations.misfire_words import misfire_words
from obdwatch.explanations.monitor_results_words import monitor_results_words
from obdwatch.explanations.oxygen_sensors_words import oxygen_sensors_words
from obdwatch.explanations.rationality_words import rationality_words
from obdwatch.explanations.trends_words import trends_words
from obdwatch.explanations.warm_up_words import warm_up_words
from obdwatch.explanations.wording import Words, in_units
from obdwatch.records import Finding, Urgency, Verdict
from obdwatch.signals.next_drive import NOTHING

ADVICE = "This is advice from recorded data, not an inspection: check the part before you replace it."
HOT_COOLING = "Never open the cooling system hot: let it stand until the upper hose is cool to the hand."
FANS = "Radiator fans can start by themselves, even with the engine off: keep hands and clothes away."
MISFIRING = (
    "Heavy misfire destroys the catalyst and can make it glow: ease off, stop where it is safe, never over dry grass."
)
HIGH_VOLTAGE = "Ignition coils carry tens of thousands of volts: never pull or touch them with the engine running."
HOT_EXHAUST = "Exhaust parts burn: let them cool. Never run an engine in a closed garage: carbon monoxide kills."
FUEL = "Petrol under pressure: no flame, no sparks, relieve the pressure first, have an extinguisher at hand."
BATTERY = (
    "Before a part or cable of starter or alternator is loosened, disconnect the battery, minus first; no sparks near a"
    " battery."
)
MOVING_PARTS = (
    "Belts and fans catch hair, sleeves and fingers: engine off and key out before hands go in, and keep clear while it"
    " runs."
)
UNDER_THE_HOOD = "Let the engine cool before hands go in; where a check needs it running, keep clear of belt and fan."
THROTTLE = "A motor-driven throttle can snap shut: ignition off before fingers go in."
OVERHEATED = "Overheating: stop where it is safe, switch the engine off, and let it cool before anything else."
NO_SCREEN = "Do not watch or touch a screen while driving; let it record and look afterwards."

AIR_SIDE = frozenset(
    {
        "cam_timing_solenoid_intake",
        "cam_timing_solenoid_exhaust",
        "crankcase_ventilation",
        "intake_leak",
        "intake_flap_actuator",
    }
)
COOLING_PARTS = frozenset({"thermostat", "coolant_pump", "radiator_fan", "coolant_temperature_sensor", "head_gasket"})
OVERHEATING = frozenset({"overheating", "about_to_overheat", "pump_stopped"})
PART_CAUTIONS: tuple[tuple[frozenset[str], str], ...] = (
    (COOLING_PARTS, HOT_COOLING),
    (COOLING_PARTS, FANS),
    (frozenset({"ignition_coil", "spark_plugs"}), HIGH_VOLTAGE),
    (frozenset({"fuel_pump", "fuel_injector"}), FUEL),
    (frozenset({"starter_motor", "battery", "alternator"}), BATTERY),
    (frozenset({"drive_belt"}), MOVING_PARTS),
    (AIR_SIDE, UNDER_THE_HOOD),
    (frozenset({"throttle_body"}), THROTTLE),
    (frozenset({"catalytic_converter", "exhaust_leak", "oxygen_sensor_upstream"}), HOT_EXHAUST),
)
"""What to mind when a part is looked at (common practice), in the order in which it is said."""

DETECTOR_WORDS: Mapping[str, Callable[[Finding, str], Words]] = MappingProxyType(
    {
        "air_filling": air_filling_words,
        "cam_timing": cam_timing_words,
        "catalyst": catalyst_words,
        "charging": charging_words,
        "cooling": cooling_words,
        "cranking": cranking_words,
        "fuel_trims": fuel_trims_words,
        "idle_quality": idle_quality_words,
        "ignition_timing": ignition_timing_words,
        "misfire": misfire_words,
        "monitor_results": monitor_results_words,
        "oxygen_sensors": oxygen_sensors_words,
        "rationality": rationality_words,
        "trends": trends_words,
        "warm_up": warm_up_words,
    }
)
"""Who words the findings of which detector."""


def explain(finding: Finding, units: str = "metric") -> Finding:
    """Return the finding with headline, reasons and cautions in plain language, in `units` (metric, us).

    What the detector has already worded stays; a detector nobody has written words for gets a plain headline.
    """
    word = DETECTOR_WORDS.get(finding.detector) if finding.signature != "withheld" else _withheld
    words = word(finding, units) if word is not None else _plain(finding)
    return replace(
        finding,
        headline=in_units(finding.headline or words.headline, units),
        reasons=tuple(in_units(one, units) for one in finding.reasons or words.reasons),
        drive_to_get=in_units(finding.drive_to_get, units),
        cautions=finding.cautions or cautions(finding),
    )


def cautions(finding: Finding) -> tuple[str, ...]:
    """Return the cautions that go with acting on a finding, the most pressing first."""
    urgent = _urgent(finding)
    to_mind = tuple(caution for parts, caution in PART_CAUTIONS if parts & set(finding.parts))
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        driven = () if NOTHING.match(finding.drive_to_get) else (NO_SCREEN,)
        return (*urgent, *driven, *to_mind)
    if finding.verdict is Verdict.HEALTHY:
        return ()
    return (*urgent, *to_mind, ADVICE)


def _urgent(finding: Finding) -> tuple[str, ...]:
    hot = finding.detector in ("cooling", "warm_up")
    if finding.signature in OVERHEATING or (hot and finding.urgency is Urgency.STOP):
        return (OVERHEATED,)
    if finding.detector == "misfire" and finding.urgency in (Urgency.SOON, Urgency.STOP):
        return (MISFIRING,)
    return ()


def _withheld(finding: Finding, units: str) -> Words:
    subject = "Warm-up" if finding.detector == "warm_up" else finding.detector.replace("_", " ").capitalize()
    return Words(f"{subject}: not judged, because a sensor that is needed for it cannot be right.", finding.reasons)


def _plain(finding: Finding) -> Words:
    subject = finding.detector.replace("_", " ").capitalize()
    said = {
        Verdict.FAULT: f"{subject}: {finding.signature.replace('_', ' ') or 'fault'}.",
        Verdict.HEALTHY: f"{subject}: nothing wrong to be seen.",
        Verdict.NOT_ENOUGH_DATA: f"{subject}: this drive cannot tell.",
    }
    return Words(said[finding.verdict], ())
