"""A verdict that rests on a sensor which cannot be right is none: it is withheld, and says because of which sensor."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from obdwatch.records import Finding, Measure, Urgency, Verdict

SIGNATURE = "withheld"
COOLANT_SENSOR = "coolant_temperature_sensor"

DRIVE_TO_GET = "Have that sensor, its plug and its wiring checked first, then record another drive."


def withheld(finding: Finding, uses: frozenset[str], doubts: Mapping[str, str]) -> Finding:
    """Return the finding, or why it is withheld where it `uses` a signal of `doubts` (reason by signal key).

    What could not be judged anyway keeps its own reason. A danger is never held back: whoever stops for a bad sensor
    loses an hour, whoever drives on with an engine that boils loses the engine. It then names the sensor first.
    """
    in_doubt = [key for key in doubts if key in uses]
    if not in_doubt or finding.verdict is Verdict.NOT_ENOUGH_DATA:
        return finding
    if finding.urgency is Urgency.STOP:
        return _doubted(finding, in_doubt)
    reasons = tuple(f"{key.replace('_', ' ').capitalize()} {doubts[key]}." for key in in_doubt)
    return Finding(finding.detector, Verdict.NOT_ENOUGH_DATA, SIGNATURE, reasons=reasons, drive_to_get=DRIVE_TO_GET)


def _doubted(finding: Finding, in_doubt: list[str]) -> Finding:
    """Return a danger with the measure `sensor_doubted`, and with the coolant sensor first where that is in doubt."""
    said = replace(finding, measures=(*finding.measures, Measure("sensor_doubted", 1.0, "")))
    if not any(key.startswith("coolant_temperature") for key in in_doubt):
        return said
    others = tuple(part for part in finding.parts if part != COOLANT_SENSOR)
    return replace(said, parts=(COOLANT_SENSOR, *others))
