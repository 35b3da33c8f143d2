"""The whole comparison: faults and numbers before and after, one verdict, and how far it can be trusted."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from obdwatch.comparing.judging import CHANCE, compare_measure
from obdwatch.comparing.proof_records import Change, Compared, DriveRecord, Proof, Symptom
from obdwatch.comparing.readings import Pairing, pairings
from obdwatch.comparing.symptoms import detectors_that_decide, symptom
from obdwatch.comparing.wanted import wanted
from obdwatch.comparing.wording import headline, out_of_sight, remarks
from obdwatch.detectors.renewal import detectors_of, parts_behind
from obdwatch.part_ages import base_of
from obdwatch.physics.statistics import holm
from obdwatch.records import Event

AMONG_MANY = "It moved, but among so many numbers chance moves one so far."
MOVED = (Change.PROVEN, Change.BETTER, Change.WORSE)


def prove(
    before: Sequence[DriveRecord],
    after: Sequence[DriveRecord],
    parts: Sequence[str] = (),
    repairs: Sequence[Event] = (),
    units: str = "metric",
) -> Proof:
    """Return whether what was wrong before is in order after, in words for `units` (metric, us).

    `parts` were renewed between; without any, the faults themselves decide. Pure. Nothing is concluded from what was
    not driven.
    """
    touched = frozenset(detector for part in parts for detector in detectors_of(part))
    deciding = detectors_that_decide(before, after, parts, touched)
    pairs = pairings(before, after)
    measures = _without_chance([compare_measure(p, _touches(p, parts, deciding)) for p in pairs])
    symptoms = tuple(symptom(name, before, after, [m for m in measures if m.touched], pairs) for name in deciding)
    again = _pending_again(before, after)
    change = overall(symptoms)
    if again and change is Change.PROVEN:
        change = Change.BETTER
    invisible = bool(parts) and not touched
    if not after or not before or invisible:
        change = Change.CANNOT_TELL
    sessions = [drive.session for drive in (*before, *after)]
    return Proof(
        change=change,
        headline=out_of_sight(parts) if invisible else headline(change, symptoms, parts, bool(before), bool(after)),
        car_id=next((s.car_id for s in sessions if s.car_id), None),
        parts=tuple(parts),
        repairs=tuple(repairs),
        before=tuple(drive.session for drive in before),
        after=tuple(drive.session for drive in after),
        symptoms=symptoms,
        measures=tuple(measures),
        remarks=remarks(before, after, measures, pairs, deciding, again),
        next_drive=wanted(symptoms, pairs, units) if change in (Change.BETTER, Change.CANNOT_TELL) else (),
    )


def overall(symptoms: Sequence[Symptom]) -> Change:
    """Return one verdict for all faults that decide: worse where any is, proven only where all are."""
    changes = {one.change for one in symptoms}
    if Change.WORSE in changes:
        return Change.WORSE
    if changes == {Change.PROVEN}:
        return Change.PROVEN
    if changes & {Change.PROVEN, Change.BETTER}:
        return Change.BETTER
    if Change.UNCHANGED in changes:
        return Change.UNCHANGED
    return Change.CANNOT_TELL


def _touches(pair: Pairing, parts: Collection[str], deciding: Collection[str]) -> bool:
    """Whether the repair should move a number: by the table of renewals, else as a number of a fault that decides."""
    if not parts:
        return pair.detector in deciding
    return bool({base_of(part) for part in parts} & set(parts_behind(pair.detector, pair.name)))


def _without_chance(measures: list[Compared]) -> list[Compared]:
    """Keep a change of a number that the repair has nothing to do with only if it holds among all such numbers."""
    others = [n for n, m in enumerate(measures) if not m.touched and m.probability is not None]
    raised = holm(np.array([measures[n].probability for n in others], dtype=np.float64))
    kept = list(measures)
    for n, probability in zip(others, raised, strict=True):
        kept[n] = replace(kept[n], probability=float(probability))
        if probability > CHANCE and kept[n].change in MOVED:
            kept[n] = replace(kept[n], change=Change.CANNOT_TELL, why=AMONG_MANY)
    return kept


def _pending_again(before: Sequence[DriveRecord], after: Sequence[DriveRecord]) -> tuple[str, ...]:
    """Codes that the car itself suspected before and suspects again: a stored one may only not be erased yet."""
    was = {code for drive in before for code in drive.pending}
    return tuple(sorted(was & {code for drive in after for code in drive.pending}))
