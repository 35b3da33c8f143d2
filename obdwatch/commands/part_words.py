"""Wear parts as lines on a terminal: a list of all, and one in full."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from obdwatch.units import screen_unit, to_screen

if TYPE_CHECKING:
    from obdwatch.parts.part import Catalogue, Extra, Life, Part
    from obdwatch.planning.jobs import Job
    from obdwatch.records import Car

EACH = {"car": "", "bank": " for each bank", "cylinder": " for each cylinder"}


def list_lines(catalogue: Catalogue, car: Car | None, units: str) -> list[str]:
    """All parts, one line each, and what is to be known of the figures."""
    from obdwatch.planning.jobs import jobs_for

    width = max((len(part.name) for part in catalogue.parts.values()), default=0)
    lines = [f"{'part':{width}}  {'half show signs by':>18}  {'price':>8}  {'work':>7}  {'access':>7}"]
    for job in jobs_for(catalogue, car).values():
        signs = _distance(reached_by(job.part.onset, 0.5), units)
        lines.append(
            f"{job.part.name:{width}}  {signs:>18}  {job.price:>8,.0f}  {job.hours:>5.2f} h  {job.access_hours:>5.2f} h"
        )
    lines += ["", "All of one part: obdwatch parts NAME, such as: obdwatch parts 'coolant pump'"]
    lines += ["Price and work are those of all pieces this car has."] if car is not None else []
    return [*lines, *catalogue.remarks]


def part_lines(part: Part, catalogue: Catalogue, car: Car | None, units: str) -> list[str]:
    """One part in full."""
    from obdwatch.planning.jobs import job_for

    job = job_for(part, catalogue.steps, car)
    steps = [catalogue.steps[step] for step in job.access]
    cautions = dict.fromkeys([*part.cautions, *(caution for step in steps for caution in step.cautions)])
    lines = [f"{part.name} ({part.id})", f"  {part.fails_by}", f"  If ignored: {part.consequence}"]
    lines += ["  It can take the engine with it."] if part.engine_at_risk else []
    lines += _lives(part, units)
    lines += [f"  A failure on the road costs about {_money(part.breakdown_cost, catalogue)} for the breakdown and, on "
              f"average, {_money(part.damage_cost, catalogue)} for what it damages."]  # fmt: skip
    lines += _costs(job, catalogue)
    lines += _list("Take off first", [f"{step.name} ({_hours(step.hours)})" for step in steps])
    lines += _list("Buy with it", _bought(job.extras, catalogue))
    lines += _list("Perhaps also", _bought((one for one in part.extras if one.optional), catalogue))
    lines += _list("Worth doing with it", [catalogue.parts[other].name for other in part.together_with])
    lines += _list("Quality", [part.quality] if part.quality else [])
    lines += _list("Fitting", list(part.fitting))
    lines += _list("Cautions", list(cautions))
    lines += _list("After fitting", list(part.after_fitting))
    lines += _list("First drive", [part.first_drive_check] if part.first_drive_check else [])
    return [*lines, *_remarks(part, job, catalogue)]


def _remarks(part: Part, job: Job, catalogue: Catalogue) -> list[str]:
    """The general remarks, and those that name this part, a step to it or what is bought with it."""
    names = {entry.name for entries in (catalogue.parts, catalogue.steps) for entry in entries.values()}
    names |= {extra.name for other in catalogue.parts.values() for extra in other.extras}
    own = {part.name, *(catalogue.steps[step].name for step in job.access), *(extra.name for extra in part.extras)}
    return [
        remark
        for remark in catalogue.remarks
        if any(name in remark for name in own) or not any(name in remark for name in names)
    ]


def reached_by(life: Life, share: float) -> float:
    """Return the distance [km] by which a share of lives has ended: scale * (-ln(1 - share)) ** (1 / shape).

    >>> from obdwatch.parts.part import Life
    >>> round(reached_by(Life(1.0, 1000.0, "assumption: example"), 0.5), 1)
    693.1
    """
    return float(life.scale_km * (-math.log1p(-share)) ** (1.0 / life.shape))


def _lives(part: Part, units: str) -> list[str]:
    low, half, high = (_distance(reached_by(part.onset, share), units) for share in (0.1, 0.5, 0.9))
    soon, later = (_distance(reached_by(part.to_failure, share), units) for share in (0.5, 0.9))
    return [
        f"  First signs: of ten parts one by {low}, five by {half}, nine by {high}.",
        f"    Where this is from: {part.onset.origin}.",
        f"  From there to failure: of ten parts five within {soon}, nine within {later}.",
        f"    Where this is from: {part.to_failure.origin}.",
    ]


def _costs(job: Job, catalogue: Catalogue) -> list[str]:
    part, whole = job.part, ""
    if part.per != "car":
        whole = (
            f"; {job.pieces} on this car: {_money(job.price, catalogue)} and {_hours(job.hours)}"
            if not job.unknown
            else "; how many the car has, its profile does not say"
        )
    line = f"  Price {_money(part.price, catalogue)} and {_hours(part.hours)} of work{EACH[part.per]}{whole}."
    return [line, f"  Opening and closing what is in the way: {_hours(job.access_hours)}."]


def _bought(extras: Iterable[Extra], catalogue: Catalogue) -> list[str]:
    return [f"{extra.name} ({_money(extra.price, catalogue)})" for extra in extras]


def _money(amount: float, catalogue: Catalogue) -> str:
    return f"{amount:,.0f} {catalogue.currency}".rstrip()


def _hours(hours: float) -> str:
    return f"{hours * 60:.0f} min" if hours < 1.0 else f"{hours:.1f} h"


def _distance(km: float, units: str) -> str:
    """A distance to two figures: the catalogue knows no more."""
    rounded = float(f"{to_screen(km, 'km', units):.2g}")
    return f"{rounded:,.0f} {screen_unit('km', units).name}"


def _list(heading: str, entries: list[str]) -> list[str]:
    return [f"  {heading}:", *(f"    - {entry}" for entry in entries)] if entries else []
