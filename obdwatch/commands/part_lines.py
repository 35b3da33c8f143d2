"""The risks of a car's parts as lines on a terminal: the few that matter, why, and what would decide."""

from __future__ import annotations

from typing import TYPE_CHECKING

from obdwatch.parts.risk_words import LIKELY_BY_AGE, is_suspected, percent
from obdwatch.units import KM_PER_MILE, distance_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from obdwatch.records import PartRisk

SHOWN = 5  # parts that are told about with their reasons
REASONS_SHOWN = 3
NEAR_AND_FAR = (1_000, 5_000)  # miles; the JSON has 10,000 too


def part_lines(risks: Sequence[PartRisk], units: str, full: bool = False, of_car: str = "") -> list[str]:
    """What the evidence says about parts, the most urgent first; then what distance alone says of others."""
    from obdwatch.explanations.part_names import part_name

    told = [one for one in risks if full or is_suspected(one)]
    by_age = [one for one in risks if one not in told and one.degraded >= LIKELY_BY_AGE]
    lines = [
        f"Parts{of_car}, the most urgent first; what was seen and the distance run are weighed together:"
        if told
        else f"Parts{of_car}: nothing that was seen points to a worn one."
    ]
    for one in told if full else told[:SHOWN]:
        lines += _one(one, part_name(one.part), units, full)
    left = [] if full else [*(part_name(one.part) for one in told[SHOWN:])]
    lines += [f"  Also suspected: {', '.join(left)}."] if left else []
    if by_age:
        names = ", ".join(f"{part_name(one.part)} ({percent(one.degraded)})" for one in by_age)
        lines.append(f"  Not seen, but likely worn by the distance alone: {names}.")
    return [*lines, *_remarks(risks, units)]


def _one(risk: PartRisk, name: str, units: str, full: bool) -> list[str]:
    soon, later = (percent(risk.failure_within_miles[miles]) for miles in NEAR_AND_FAR)
    near, far = (distance_text(miles * KM_PER_MILE, units) for miles in NEAR_AND_FAR)
    lines = [
        f"  {name[0].upper()}{name[1:]}: {percent(risk.degraded)} likely to be at fault"
        f" ({percent(risk.prior)} by distance alone). Fails within {near}: {soon}; within {far}: {later}."
    ]
    shown = risk.reasons if full else risk.reasons[:REASONS_SHOWN]
    lines += [f"    {'For' if one.likelihood_ratio > 1.0 else 'Against'}: {one.reason}" for one in shown]
    lines += [f"    What would decide: {risk.decided_by}"] if risk.decided_by else []
    return lines


def _remarks(risks: Sequence[PartRisk], units: str) -> list[str]:
    if risks and all(one.since_new_km is None for one in risks):
        from obdwatch.parts.risk import ASSUMED_KM

        assumed = distance_text(ASSUMED_KM, units)
        return [
            f"  No odometer reading is known: every part is taken to have run {assumed}. 'obdwatch log odometer' or"
            " --odometer while recording tells better."
        ]
    if any(not one.age_known for one in risks):
        return [
            "  A part of unknown age is taken to be as old as the car; 'obdwatch log repair' or the car's profile says"
            " otherwise."
        ]
    return []
