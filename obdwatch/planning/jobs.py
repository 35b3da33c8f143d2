"""A job: one wear part replaced, as many pieces as the car has of it, with what it costs and what must be opened."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from obdwatch.parts.part import AccessStep, Catalogue, Extra, Part
from obdwatch.planning.access import hours_of, known, opened_for
from obdwatch.records import Car


@dataclass(frozen=True, slots=True)
class Job:
    """Replacing one part.

    `price` is that of all `pieces`, `hours` [h] the work at the part itself, `access` the ids of all steps to open, in
    order, `access_hours` [h] theirs. `extras` are bought with it, optional ones left out. `unknown` says what the
    catalogue or the car's profile leaves open, in clauses of a sentence.
    """

    part: Part
    pieces: int
    price: float
    hours: float
    access: tuple[str, ...]
    access_hours: float
    extras: tuple[Extra, ...]
    unknown: tuple[str, ...]


def job_for(part: Part, steps: Mapping[str, AccessStep], car: Car | None = None) -> Job:
    """Return the job of replacing a part of this car. Raises InputError where its access steps cannot be followed."""
    pieces = _pieces(part, car)
    access = opened_for(part.access, steps)
    extras = tuple(extra for extra in part.extras if not extra.optional)
    return Job(
        part=part,
        pieces=pieces or 1,
        price=(known(part.price) or 0.0) * (pieces or 1),
        hours=(known(part.hours) or 0.0) * (pieces or 1),
        access=access,
        access_hours=hours_of(access, steps),
        extras=extras,
        unknown=_unknown(part, pieces, [steps[step] for step in access], extras),
    )


def jobs_for(catalogue: Catalogue, car: Car | None = None) -> dict[str, Job]:
    """Return the job of every part of the catalogue by part id."""
    return {id_: job_for(part, catalogue.steps, car) for id_, part in catalogue.parts.items()}


def _pieces(part: Part, car: Car | None) -> int | None:
    """How many of a part the car has, None where its profile does not say."""
    if part.per == "car":
        return 1
    if car is None:
        return None
    if part.per == "bank":
        if car.bank_cylinders is not None:
            return len(car.bank_cylinders)
        return {"inline": 1, "vee": 2, "flat": 2}.get(car.layout or "")
    return car.cylinders or (sum(map(len, car.bank_cylinders)) if car.bank_cylinders else None)


def _unknown(part: Part, pieces: int | None, steps: list[AccessStep], extras: tuple[Extra, ...]) -> tuple[str, ...]:
    """What is not known of a job, as clauses of a sentence."""
    nothing = "not known and counted as nothing"
    said = []
    if pieces is None:
        said.append(f"how many the car has is not known (one per {part.per}); one is counted")
    if known(part.price) is None:
        said.append(f"its price is {nothing}")
    if known(part.hours) is None:
        said.append(f"the hours at the part are {nothing}")
    said += [f"the hours for '{step.name}' are {nothing}" for step in steps if known(step.hours) is None]
    said += [f"the price of '{extra.name}' is {nothing}" for extra in extras if known(extra.price) is None]
    return tuple(said)
