"""From what the drives of one car said to evidence for and against its parts.

A fault is evidence for every part that could cause it, a healthy answer against those it would have shown, "not
enough data" is none at all. The newest answer of a detector counts in full and older ones less, for drives of one car
largely see the same thing; what a part showed before it was renewed counts no more.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from obdwatch.explanations.findings import explain
from obdwatch.explanations.part_names import part_name
from obdwatch.explanations.wording import day
from obdwatch.parts.likelihoods import Likelihoods
from obdwatch.parts.renewals import Renewals
from obdwatch.records import CodeReading, Evidence, Finding, Session, Verdict

OLDER = 0.5
"""Weight of an answer for each newer one of the same detector that it is replaced by or repeats: any for a healthy one,
as wear may have begun since, and faults for a fault (assumption)."""

NOT_AGAIN = 0.85
"""Weight of a fault for each newer drive on which the same detector found nothing. Wear does not heal, and not every
drive shows it: one quiet drive hardly changes what was seen, ten leave little of it (assumption)."""

LEAST_WEIGHT = 0.02  # an answer with less says nothing any more
FADES_KM = 8_000.0
"""Distance [km] after which a healthy answer counts half: the part may have begun to wear since. About 5,000 miles, the
middle of the forecasts (assumption)."""

LEAST = 1.25  # likelihood ratios nearer to 1 than this say nothing worth a sentence
REMOVED_WAS_WORN = 0.5
"""How likely a part that was renewed was worn: whoever renews a part usually had a reason, or did it by mileage
(assumption)."""

SYMPTOM_OF_PART = {
    "thermostat": "warm_up",
    "coolant_temperature_sensor": "rationality",
    "coolant_pump": "cooling",
    "radiator_fan": "cooling",
    "head_gasket": "cooling",
    "cam_timing_solenoid_intake": "cam_timing",
    "cam_timing_solenoid_exhaust": "cam_timing",
    "intake_flap_actuator": "air_filling",
    "starter_motor": "cranking",
    "battery": "cranking",
    "alternator": "charging",
    "drive_belt": "charging",
    "spark_plugs": "misfire",
    "ignition_coil": "misfire",
    "fuel_injector": "fuel_trims",
    "fuel_pump": "fuel_trims",
    "maf_sensor": "fuel_trims",
    "intake_leak": "fuel_trims",
    "crankcase_ventilation": "fuel_trims",
    "exhaust_leak": "fuel_trims",
    "oxygen_sensor_upstream": "oxygen_sensors",
    "catalytic_converter": "catalyst",
    "throttle_body": "idle_quality",
}
"""Which detector looks at the symptom of a part, so that a trend, a test of the car or a code that names this part
first is taken together with what that detector says, and not counted besides it."""

OF_MANY_SYMPTOMS = frozenset({"trends", "monitor_results", "codes"})


@dataclass(frozen=True, slots=True)
class JudgedDrive:
    """A drive with the findings about it and the codes that were read on it, None where no memory of codes was."""

    session: Session
    findings: tuple[Finding, ...]
    codes: tuple[CodeReading, ...] | None = None


def newest_first(drives: Sequence[JudgedDrive]) -> list[JudgedDrive]:
    """Return drives by date, else by odometer; of those that cannot be ordered, the later in the list is the newer."""

    def age(place_and_drive: tuple[int, JudgedDrive]) -> tuple[datetime, float, int]:
        place, drive = place_and_drive
        session = drive.session
        odometer = session.odometer_km if session.odometer_km is not None else -1.0
        return session.started_at or datetime.min.replace(tzinfo=UTC), odometer, place

    return [drive for _, drive in sorted(enumerate(drives), key=age, reverse=True)]


class _Newer:
    """What detectors answered on newer drives, and what an older answer weighs beside them."""

    def __init__(self) -> None:
        self._faults: defaultdict[str, int] = defaultdict(int)
        self._silences: defaultdict[str, int] = defaultdict(int)

    def weight_beside(self, finding: Finding) -> float:
        """Return the weight of the next older answer by its age alone, 0 for none, and count it."""
        detector, verdict = finding.detector, finding.verdict
        if verdict is Verdict.NOT_ENOUGH_DATA:
            return 0.0
        faults, silences = self._faults[detector], self._silences[detector]
        if verdict is Verdict.FAULT:
            self._faults[detector] += 1
            return math.pow(OLDER, faults) * math.pow(NOT_AGAIN, silences)
        self._silences[detector] += 1
        return math.pow(OLDER, faults + silences)


def that_count(drives: Sequence[JudgedDrive]) -> frozenset[str]:
    """Return the ids of the drives of which an answer still says something; of the others the verdicts are enough."""
    newer = _Newer()
    return frozenset(
        drive.session.id
        for drive in newest_first(drives)
        # The largest, not the first that counts: every answer must be seen.
        if max(map(newer.weight_beside, drive.findings), default=0.0) >= LEAST_WEIGHT
    )


def symptom_of(source: str, listed: Sequence[str]) -> str:
    """Return the symptom a finding or code is about; what shares one is not counted twice."""
    if source in OF_MANY_SYMPTOMS and listed:
        return SYMPTOM_OF_PART.get(listed[0], source)
    return source


def evidence_of_findings(
    drives: Sequence[JudgedDrive],
    parts: Sequence[str],
    renewals: Renewals,
    likelihoods: Likelihoods,
    odometer_km: float | None = None,
    units: str = "metric",
) -> Iterator[Evidence]:
    """Yield what the findings of one car's drives say about `parts`; `odometer_km` [km] is the reading now."""
    newer = _Newer()
    for drive in newest_first(drives):
        for finding in drive.findings:
            age = newer.weight_beside(finding)
            if age < LEAST_WEIGHT or (weight := age * _certainty(finding, likelihoods)) < LEAST_WEIGHT:
                continue
            said = explain(finding, units).headline
            if finding.verdict is Verdict.FAULT:
                yield from _of_fault(drive.session, finding, said, parts, renewals, likelihoods, weight)
            else:
                weight *= _freshness(drive.session, odometer_km)
                yield from _of_silence(drive.session, finding, said, parts, renewals, likelihoods, weight)


def _of_fault(
    session: Session,
    finding: Finding,
    said: str,
    parts: Sequence[str],
    renewals: Renewals,
    likelihoods: Likelihoods,
    weight: float,
) -> Iterator[Evidence]:
    listed, place = finding.parts, _place(finding)

    def ratio(part: str) -> float:
        return likelihoods.of_fault(finding.detector, finding.signature, listed, part)

    for part, strength in suspects(session, parts, place, renewals, ratio, weight):
        if part in listed:
            order = "points to it first" if part == listed[0] else "names it among others"
            where = f" ({place[0]} {place[1]})" if place and f"{place[0]} {place[1]}" not in said.lower() else ""
            reason = f"{_when(session)}: {said} That {order}{where}."
        else:
            reason = f"{_when(session)}: {said} {trouble_with(part)} can look like that, too."
        source = f"finding:{session.id}:{finding.detector}"
        yield Evidence(part, strength, reason, source, symptom_of(finding.detector, listed))


def suspects(
    session: Session,
    parts: Sequence[str],
    place: tuple[str, int] | None,
    renewals: Renewals,
    ratio: Callable[[str], float],
    weight: float,
) -> Iterator[tuple[str, float]]:
    """Yield the parts a symptom speaks for with their weighed likelihood ratios.

    A part renewed since is left out, but it remains an explanation: what it explains, no other part needs to.
    """
    ratios = {part: ratio(part) for part in parts}
    removed = [part for part in parts if renewals.since(part, session, place)]
    explained = 1.0 + REMOVED_WAS_WORN * sum(ratios[part] - 1.0 for part in removed)
    for part in parts:
        if part not in removed:
            strength = (1.0 + (ratios[part] - 1.0) / explained) ** weight
            if strength >= LEAST:
                yield part, strength


def _of_silence(
    session: Session,
    finding: Finding,
    said: str,
    parts: Sequence[str],
    renewals: Renewals,
    likelihoods: Likelihoods,
    weight: float,
) -> Iterator[Evidence]:
    for part in parts:
        if renewals.since(part, session, None):
            continue
        strength = likelihoods.of_silence(finding.detector, part) ** weight
        if strength <= 1.0 / LEAST:
            would = "would very likely" if strength < 0.35 else "would probably" if strength < 0.65 else "might"
            reason = f"{_when(session)}: {said} {trouble_with(part)} {would} have shown."
            source = f"finding:{session.id}:{finding.detector}"
            yield Evidence(part, strength, reason, source, "nothing_seen")


def _certainty(finding: Finding, likelihoods: Likelihoods) -> float:
    """The weight of a finding by its confidence; what was counted had the typical one on average."""
    return min(1.0, max(0.0, finding.confidence) / likelihoods.typical_confidence)


def _freshness(session: Session, odometer_km: float | None) -> float:
    if odometer_km is None or session.odometer_km is None:
        return 1.0
    return math.pow(0.5, max(0.0, odometer_km - session.odometer_km) / FADES_KM)


def _place(finding: Finding) -> tuple[str, int] | None:
    for name in ("cylinder", "bank"):
        for measure in finding.measures:
            if measure.name == name and math.isfinite(measure.value):
                return name, int(measure.value)
    return None


def trouble_with(part: str) -> str:
    """Return the fault of a part as the subject of a sentence.

    >>> trouble_with("spark_plugs"), trouble_with("intake_leak")
    ('Trouble with the spark plugs', 'An air leak in the intake')
    """
    name = part_name(part)
    if "leak" not in name:
        return f"Trouble with the {name}"
    return f"{'An' if name[0] in 'aeiou' else 'A'} {name}"


def _when(session: Session) -> str:
    return f"Drive of {day(session.started_at)}" if session.started_at else f"Drive {session.id}"
