"""What to drive so that a repair can be proven: the usual drive for each question, and the conditions that differed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

from obdwatch.comparing.proof_records import Symptom
from obdwatch.comparing.readings import Pairing
from obdwatch.records import Finding, Verdict
from obdwatch.signals.next_drive import next_drive
from obdwatch.units import quantity

COLD = 45.0  # degC; as in the coverage of a drive

LIKE_BEFORE: Mapping[str, str] = MappingProxyType(
    {
        "warm_up": "Start after a night's stand and drive 20 minutes.",
        "cooling": "Drive 20 minutes until the engine is warm; then idle for five minutes.",
        "fuel_trims": "With the engine hot, drive ten minutes at a steady 60 to 100 km/h, then idle for two minutes.",
        "air_filling": "With the engine hot, full throttle from 2,000 1/min where it is legal and safe.",
        "ignition_timing": "With the engine hot, drive ten minutes with some brisk acceleration.",
        "cam_timing": "With the engine hot, drive ten minutes with some brisk acceleration; read the results.",
        "misfire": "Start after a night's stand and drive 20 minutes with some brisk acceleration; then idle for five"
        " minutes; read the misfire counters at the end.",
        "cranking": "Start after a night's stand, with the ignition on ten seconds before the engine starts.",
        "charging": "Drive 20 minutes; then idle for two minutes.",
        "oxygen_sensors": "With the engine hot, drive ten minutes with some roll-outs.",
        "catalyst": "With the engine hot, drive 15 minutes at a steady 70 to 100 km/h.",
        "idle_quality": "With the engine hot, idle for five minutes.",
        "monitor_results": "With the engine hot, drive 20 minutes; read the results at the end.",
        "rationality": "Start after a night's stand and drive 20 minutes.",
    }
)
"""A drive that lets a question be judged again (common practice)."""

MISFIRE_LIKE: Mapping[str, str] = MappingProxyType(
    {
        "cold_start": "it misfired mostly just after a cold start, and there was too little of that",
        "cold": "it misfired mostly while cold, and there was too little of that",
        "loaded": "it misfired mostly under load, and there was too little of that",
        "idle": "it misfired mostly at idle, and there was too little of that",
    }
)
"""Conditions of misfires in which a drive must have been before its silence counts."""


def wanted(symptoms: Iterable[Symptom], pairs: Sequence[Pairing], units: str) -> tuple[str, ...]:
    """Return the next drive that would decide what is open, in steps; empty where nothing is."""
    from obdwatch.explanations.coverage_words import next_drive_words

    open_ones = [one for one in symptoms if one.drive_to_get]
    asked = [
        Finding(f"{one.detector}_{n}", Verdict.NOT_ENOUGH_DATA, drive_to_get=text)
        for one in open_ones
        for n, text in enumerate(one.drive_to_get)
    ]
    detectors = {one.detector for one in open_ones}
    differing = [pair for pair in pairs if pair.detector in detectors and pair.unlike]
    said = [text for pair in differing for text in _condition(pair, units)]
    steps = list(next_drive_words(next_drive(asked), units))
    return tuple(dict.fromkeys([*said, *steps]))


def _condition(pair: Pairing, units: str) -> list[str]:
    condition = pair.unlike[0]
    if pair.wanted is None:
        return ["Drive at engine speeds and loads like those before the repair."] if "speed" in condition else []
    value = quantity(pair.wanted, "degC", units, 0)
    if condition == "coolant_at_start":
        if pair.wanted < COLD:
            return [f"Start with the engine about as cold as before the repair: {value}."]
        return [f"Start with the engine about as warm as before the repair: {value}."]
    return [f"Choose weather like that before the repair: about {value}."]
