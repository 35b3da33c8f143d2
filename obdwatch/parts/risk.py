"""How worn each part of a car is likely to be: distance first, then every piece of evidence, then what may follow.

`assess` is pure arithmetic on a catalogue and evidence from any source. `risks_of` collects the evidence of a car's
drives, codes and inspections and is what a screen calls.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime

from obdwatch.part_ages import with_ages
from obdwatch.parts.code_evidence import evidence_of_codes
from obdwatch.parts.competing import one_silence, one_symptom, posteriors, updated
from obdwatch.parts.deciding import Test, deciding_sentence, read_tests
from obdwatch.parts.drive_evidence import JudgedDrive, evidence_of_findings
from obdwatch.parts.inspection import evidence_of_answers
from obdwatch.parts.life import Wear, wear
from obdwatch.parts.likelihoods import read_likelihoods
from obdwatch.parts.part import Catalogue, Part
from obdwatch.parts.renewals import renewals_of
from obdwatch.records import Car, Event, Evidence, PartRisk, Verdict
from obdwatch.units import KM_PER_MILE

MILES = (1_000, 5_000, 10_000)
SORTED_BY = 5_000  # miles: the horizon of the order, about half a year's driving
ASSUMED_KM = 160_934.4
"""Distance since new [km] where neither part nor car has a reading: 100,000 miles, where wear parts begin to give out
(common practice). `since_new_km` stays None then."""


def assess(
    catalogue: Catalogue,
    car: Car | None,
    odometer_km: float | None,
    evidence: Iterable[Evidence] = (),
    tests: Sequence[Test] | None = None,
) -> tuple[PartRisk, ...]:
    """Return the risk of every part of the catalogue, the most urgent first.

    `odometer_km` [km] is the reading now. Evidence for parts the catalogue does not have is left out. The order is that
    of the loss to be expected within 5,000 miles: probability of failing times what a failure costs. Raises
    ValueError for a likelihood ratio that is not a number above zero.
    """
    known = {part: km for part, km in (car.part_new_at_km if car is not None else {}).items() if km is not None}
    by_part: dict[str, list[Evidence]] = defaultdict(list)
    for one in evidence:
        if not (math.isfinite(one.likelihood_ratio) and one.likelihood_ratio > 0.0):
            raise ValueError(f"{one.source}: the likelihood ratio {one.likelihood_ratio} is not a number above zero")
        if one.part in catalogue.parts:
            by_part[one.part].append(one)
    distances = {part: _since_new(known.get(part), odometer_km) for part in catalogue.parts}
    wears = {part: _wear(entry, distances[part]) for part, entry in catalogue.parts.items()}
    degraded = _weighed({part: one.degraded for part, one in wears.items()}, by_part)
    table = tests if tests is not None else read_tests()
    risks = [
        PartRisk(
            part=part,
            prior=wears[part].degraded,
            degraded=degraded[part],
            failure_within_miles=dict(zip(MILES, wears[part].fails(degraded[part]), strict=True)),
            since_new_km=distances[part],
            age_known=part in known and distances[part] is not None,
            reasons=tuple(sorted(by_part[part], key=_weight)),
            decided_by=deciding_sentence(part, degraded, table, car, _symptoms(by_part[part])),
        )
        for part in catalogue.parts
    ]
    return tuple(sorted(risks, key=lambda risk: (-_loss(risk, catalogue.parts[risk.part]), risk.part)))


def risks_of(
    car: Car | None,
    odometer_km: float | None,
    drives: Sequence[JudgedDrive],
    events: Iterable[Event],
    catalogue: Catalogue,
    further: Iterable[Evidence] = (),
    units: str = "metric",
) -> tuple[PartRisk, ...]:
    """Return the risks of one car from all that is known of it: its drives with their codes, and its log.

    The log holds repairs, which reset a part, and the answers of inspections. `further` is evidence from elsewhere.
    Where `odometer_km` [km] is None, the highest reading of drives and log stands for it.
    """
    entries, parts, counts = tuple(events), tuple(catalogue.parts), read_likelihoods()
    renewals = renewals_of(entries)
    readings = _readings(drives, entries)
    now = odometer_km if odometer_km is not None else max((km for _, km in readings), default=_undated(drives))
    found = (
        *evidence_of_findings(drives, parts, renewals, counts, now, units),
        *evidence_of_codes(drives, parts, renewals, counts),
        *evidence_of_answers(entries, now, readings=readings),
        *further,
    )
    aged = with_ages(car or Car(id="unknown"), entries, readings)
    return assess(catalogue, aged, now, found, _open_tests(drives))


def _readings(drives: Sequence[JudgedDrive], events: Sequence[Event]) -> tuple[tuple[datetime, float], ...]:
    read = [(event.at, event.odometer_km) for event in events]
    read += [(drive.session.started_at, drive.session.odometer_km) for drive in drives if drive.session.started_at]
    return tuple((at, km) for at, km in read if km is not None)


def _undated(drives: Sequence[JudgedDrive]) -> float | None:
    return max((km for drive in drives if (km := drive.session.odometer_km) is not None), default=None)


def _open_tests(drives: Sequence[JudgedDrive]) -> tuple[Test, ...]:
    """Tests that can still tell something: not drives that a detector has had already."""
    answered = {f.detector for drive in drives for f in drive.findings if f.verdict is not Verdict.NOT_ENOUGH_DATA}
    return tuple(test for test in read_tests() if test.detector not in answered)


def _since_new(new_at_km: float | None, odometer_km: float | None) -> float | None:
    """The distance a part has run; where nobody knows when it was new, it is taken to be as old as the car."""
    if odometer_km is None:
        return None
    return max(0.0, odometer_km - (new_at_km or 0.0))


def _wear(part: Part, since_new_km: float | None) -> Wear:
    distance = since_new_km if since_new_km is not None else ASSUMED_KM
    return wear(part.onset, part.to_failure, distance, tuple(miles * KM_PER_MILE for miles in MILES))


def _weighed(priors: Mapping[str, float], by_part: Mapping[str, Collection[Evidence]]) -> dict[str, float]:
    """Fold all evidence in: what speaks against a part into its odds, then each symptom by competition."""
    odds = dict(priors)
    symptoms: dict[str, dict[str, dict[str, float]]] = defaultdict(lambda: defaultdict(dict))
    for part, several in by_part.items():
        silences: dict[str, list[float]] = defaultdict(list)
        for number, one in enumerate(sorted(several, key=_weight)):
            group = one.group or f"of {part} alone, {number}"
            if one.likelihood_ratio > 1.0:
                of_source = symptoms[group][one.source]
                of_source[part] = max(one.likelihood_ratio, of_source.get(part, 1.0))
            else:
                silences[group].append(one.likelihood_ratio)
        for ratios in silences.values():
            odds[part] = updated(odds[part], one_silence(ratios))
    return posteriors(odds, [one_symptom(symptoms[group].values()) for group in sorted(symptoms)])


def _symptoms(evidence: Iterable[Evidence]) -> frozenset[str]:
    return frozenset(one.group for one in evidence if one.likelihood_ratio > 1.0)


def _weight(evidence: Evidence) -> tuple[float, str, str, str, float]:
    ratio = evidence.likelihood_ratio
    return -abs(math.log(ratio)), evidence.source, evidence.group, evidence.reason, ratio


def _loss(risk: PartRisk, part: Part) -> float:
    return risk.failure_within_miles[SORTED_BY] * (part.breakdown_cost + part.damage_cost + part.price)
