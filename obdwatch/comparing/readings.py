"""The numbers of both sides that can be compared: the same measure, driven in like conditions."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from obdwatch.comparing.measures import Kind, Rule, rule_for
from obdwatch.comparing.proof_records import DriveRecord
from obdwatch.physics.two_samples import levels_alike
from obdwatch.records import Measure

CYLINDER = re.compile(r"count_cylinder_(\d+)$")


@dataclass(frozen=True, slots=True)
class Reading:
    """A number of one drive: `value`, its own standard `error` (0 unknown), the `expected` range, counts and firings.

    `shown` is the number as a person reads it where `value` is a place in a range.
    """

    drive: DriveRecord
    value: float
    error: float = 0.0
    expected: tuple[float, float] | None = None
    shown: float | None = None
    firings: float = 0.0


@dataclass(frozen=True, slots=True)
class Pairing:
    """The readings of one measure on both sides that were driven alike.

    `unlike` names the conditions that keep others out, `unknown` those that are not known of every drive; `left_out`
    counts the readings without a partner.
    """

    rule: Rule
    detector: str
    name: str
    unit: str
    before: tuple[Reading, ...]
    after: tuple[Reading, ...]
    unlike: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    left_out: int = 0
    had_before: bool = False
    had_after: bool = False
    wanted: float | None = None  # the value of the first unlike condition that the other side had


def pairings(before: Sequence[DriveRecord], after: Sequence[DriveRecord]) -> list[Pairing]:
    """Return every number that either side has, in the order of the table of measures."""
    found: dict[tuple[str, str], tuple[Rule, str]] = {}
    for drive in (*before, *after):
        for detector, name, unit in _names(drive):
            rule = rule_for(detector, name)
            if rule is not None:
                found.setdefault((detector, name), (rule, unit))
    return [_paired(d, n, unit, rule, before, after) for (d, n), (rule, unit) in found.items()]


def _names(drive: DriveRecord) -> list[tuple[str, str, str]]:
    named = [(f.detector, m.name, m.unit) for f in drive.findings for m in (*f.measures, *f.learnt)]
    for name in drive.cells:
        detector = {"matched_advance": "ignition_timing", "matched_filling": "air_filling"}.get(name, "fuel_trims")
        named.append((detector, name, "deg" if detector == "ignition_timing" else "%"))
    cylinders = [CYLINDER.match(name) for _, name, _ in named]
    counted = [match[1] for match in cylinders if match]
    if counted:
        named.append(("misfire", "misfires", "%"))
        named += [("misfire", f"misfires_cylinder_{number}", "%") for number in counted]
    return named


def _paired(
    detector: str, name: str, unit: str, rule: Rule, before: Sequence[DriveRecord], after: Sequence[DriveRecord]
) -> Pairing:
    if rule.kind is Kind.CELLS:
        one, other = _on_like_cells(name, before, after)
    else:
        one = [r for drive in before if (r := _reading(drive, detector, name, rule)) is not None]
        other = [r for drive in after if (r := _reading(drive, detector, name, rule)) is not None]
    had = bool(one), bool(other)
    if rule.kind is Kind.CELLS:
        had = any(name in d.cells for d in before), any(name in d.cells for d in after)
    kept_one = tuple(r for r in one if any(_alike(r, s, rule) for s in other))
    kept_other = tuple(s for s in other if any(_alike(r, s, rule) for r in one))
    left_out = len(one) + len(other) - len(kept_one) - len(kept_other)
    unlike: tuple[str, ...] = ()
    wanted = None
    if one and other and not kept_one:
        unlike = tuple(c for c, t in rule.alike if not any(_near(r, s, c, t) for r in one for s in other))
        unlike = unlike or tuple(condition for condition, _ in rule.alike)
        known = [r.drive.conditions[unlike[0]] for r in one if unlike[0] in r.drive.conditions]
        wanted = median(known) if known else None
    if all(had) and rule.kind is Kind.CELLS and not one:
        unlike = ("engine speed and load",)
    unknown = tuple(
        c for c, _ in rule.alike if kept_one and any(c not in r.drive.conditions for r in (*kept_one, *kept_other))
    )
    return Pairing(rule, detector, name, unit, kept_one, kept_other, unlike, unknown, left_out, *had, wanted)


def _alike(one: Reading, other: Reading, rule: Rule) -> bool:
    return all(_near(one, other, condition, tolerance) for condition, tolerance in rule.alike)


def _near(one: Reading, other: Reading, condition: str, tolerance: float) -> bool:
    """Whether a condition agrees; one that is not known is taken to, and said so."""
    here, there = one.drive.conditions.get(condition), other.drive.conditions.get(condition)
    return here is None or there is None or abs(here - there) <= tolerance


def _reading(drive: DriveRecord, detector: str, name: str, rule: Rule) -> Reading | None:
    measures = [m for f in drive.findings if f.detector == detector for m in (*f.measures, *f.learnt)]
    if rule.kind is Kind.COUNT:
        return _count(drive, measures, name)
    values = [m for m in measures if m.name == name and math.isfinite(m.value)]
    if not values:
        return None
    one = values[0]
    error = (one.interval[1] - one.interval[0]) / 3.92 if one.interval is not None else 0.0
    error = error if math.isfinite(error) else 0.0
    if rule.kind is Kind.POSITION:
        if one.expected is None or one.expected[1] <= one.expected[0]:
            return None
        middle, half = sum(one.expected) / 2.0, (one.expected[1] - one.expected[0]) / 2.0
        return Reading(drive, (one.value - middle) / half, error / half, one.expected, one.value)
    return Reading(drive, one.value, error, one.expected)


def _count(drive: DriveRecord, measures: Sequence[Measure], name: str) -> Reading | None:
    counts = {m.name: m.value for m in measures if CYLINDER.match(m.name)}
    turns = next((m.value for m in measures if m.name == "counted_turns"), 0.0)
    if not counts or turns <= 0.0:
        return None
    if name == "misfires":
        total, cylinders = sum(counts.values()), len(counts)
    else:
        key = f"count_cylinder_{name.rpartition('_')[2]}"
        if key not in counts:
            return None
        total, cylinders = counts[key], 1
    return Reading(drive, total, firings=turns * cylinders / 2.0)


def _on_like_cells(
    name: str, before: Sequence[DriveRecord], after: Sequence[DriveRecord]
) -> tuple[list[Reading], list[Reading]]:
    """Levels of the drives on the same mix of those cells that both sides have."""
    drives = [drive for drive in (*before, *after) if name in drive.cells]
    first = sum(name in drive.cells for drive in before)
    shared = sorted(
        {cell for d in drives[:first] for cell in d.cells[name]}
        & {cell for d in drives[first:] for cell in d.cells[name]}
    )
    if not shared:
        return [], []
    shape = (len(drives), len(shared))
    values, weights, errors = np.full(shape, np.nan), np.zeros(shape), np.zeros(shape)
    for row, drive in enumerate(drives):
        for column, cell in enumerate(shared):
            if cell in drive.cells[name]:
                one = drive.cells[name][cell]
                values[row, column], weights[row, column] = one.value, one.weight
                errors[row, column] = one.error if math.isfinite(one.error) else 0.0
    levels = levels_alike(values, weights)
    own = np.sqrt((weights**2 * errors**2).sum(axis=1)) / np.maximum(weights.sum(axis=1), 1e-9)
    readings = [Reading(d, float(v), float(e)) for d, v, e in zip(drives, levels, own, strict=True)]
    known = [reading if math.isfinite(reading.value) else None for reading in readings]
    return [r for r in known[:first] if r], [r for r in known[first:] if r]
