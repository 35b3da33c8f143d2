"""Everything one plan is made from, put into the numbers of the integer programme.

What a job costs in a visit, with C the price of doing it in a visit of its own, c that of the part and the work at it
alone, F(d) the probability that it fails before d miles, L its mean life, H the horizon, and K how far the car is
kept:

- c, whether it is done in the visit or has failed before and is done then;
- F(d) times (breakdown + damage + C - c): the failure before the visit at d, with the forced repair by itself;
- C times the share of the new part's life that is used up at H: a part replaced early has used more of it by then,
  which is the life that was thrown away with the old one.

In no visit: F(H) times (breakdown + damage + C), and C times the probability F(K) - F(H) that the present part has to
be replaced while the car is still kept, with the life of the one fitted after a failure as above. A part that
evidence, not its distance alone, has shown to be worn counts as due while the car is kept: nobody leaves a known fault
for good. The probability shown is that which evidence has added: (degraded - prior) / (1 - prior). What would only be
due after that is nobody's bill: a part that is old but likely to outlast the car's keeping is not replaced for its age.
From H to K no breakdown is charged, because the plan is made anew before then, from newer drives. A new part does not
fail as long as the car is kept; what is opened and bought in a visit is counted in full even where a part of it
may have failed before.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from obdwatch.errors import InputError
from obdwatch.parts.part import Catalogue, Life
from obdwatch.planning.access import known
from obdwatch.planning.failing import FailureCurve, curve_for
from obdwatch.planning.jobs import Job, jobs_for
from obdwatch.planning.programme import Programme
from obdwatch.planning.wishes import HORIZON_MILES, Trip, Wishes, check_wishes, hour_price
from obdwatch.records import BoolArray, Car, FloatArray, PartRisk
from obdwatch.units import KM_PER_MILE

VISIT = "visit"  # the shared item that stands for going to work at all


@dataclass(frozen=True, slots=True)
class Candidate:
    """A job that may be done, the risk behind it, its failures over distance, and its costs per choice.

    `own` is the price of the part and the work at it, `alone` that of a visit for it only (what `alone_hours` cost
    included), `life_miles` the mean life of a new part. `failures` and `later` (V + 1,) as in `Costs`, the last
    entry for no visit.
    """

    job: Job
    risk: PartRisk
    curve: FailureCurve
    life_miles: float
    own: float
    alone: float
    alone_hours: float
    failure_cost: float
    failures: FloatArray
    later: FloatArray


@dataclass(frozen=True, slots=True)
class Case:
    """The candidates, the wishes and the programme; `items` names its shared items: (kind, id)."""

    catalogue: Catalogue
    wishes: Wishes
    candidates: tuple[Candidate, ...]
    items: tuple[tuple[str, str], ...]
    programme: Programme
    ignored: tuple[str, ...]  # part ids of the catalogue of whose risk nothing is known


def case_for(catalogue: Catalogue, risks: Iterable[PartRisk], wishes: Wishes, car: Car | None = None) -> Case:
    """Return the case. Raises InputError for wishes or a catalogue that cannot be followed."""
    check_wishes(wishes)
    _check_names(catalogue, wishes)
    jobs = jobs_for(catalogue, car)
    by_part: dict[str, PartRisk] = {}
    for risk in risks:
        part = risk.part.partition(":")[0]  # a place, such as the cylinder of a coil, does not make another job
        worst = by_part.get(part)
        if part in jobs and (worst is None or risk.degraded > worst.degraded):
            by_part[part] = risk
    candidates = tuple(_candidate(jobs[part], by_part[part], wishes) for part in jobs if part in by_part)
    items = _items(candidates)
    programme = _programme(catalogue, candidates, items, wishes)
    return Case(catalogue, wishes, candidates, items, programme, tuple(part for part in jobs if part not in by_part))


def _check_names(catalogue: Catalogue, wishes: Wishes) -> None:
    for part in sorted(wishes.decided | wishes.refused):
        if part not in catalogue.parts:
            raise InputError(f"this car has no part '{part}'; it has {', '.join(catalogue.parts)}")


def mean_miles(life: Life) -> float:
    """Return the mean of a Weibull life [mile], scale * Gamma(1 + 1 / shape) (NIST e-Handbook 1.3.6.6.8)."""
    return life.scale_km * math.gamma(1.0 + 1.0 / life.shape) / KM_PER_MILE


def _candidate(job: Job, risk: PartRisk, wishes: Wishes) -> Candidate:
    rate = hour_price(wishes)
    try:
        curve = curve_for(job.part, risk)
    except ValueError as error:
        raise InputError(f"part '{risk.part}': {error}") from error
    life = mean_miles(job.part.onset) + mean_miles(job.part.to_failure)
    extras = sum(known(extra.price) or 0.0 for extra in job.extras)
    own = job.price + job.hours * rate
    alone = own + job.access_hours * rate + extras + wishes.visit_cost
    failure = (known(job.part.breakdown_cost) or 0.0) + (known(job.part.damage_cost) or 0.0) + alone
    shown = max(0.0, risk.degraded - risk.prior) / (1.0 - risk.prior) if risk.prior < 1.0 else 0.0
    failures = [curve.fails_within(at) * (failure - own) for at in wishes.visits_at]
    failures.append(curve.fails_within(HORIZON_MILES) * failure)
    return Candidate(
        job=job,
        risk=risk,
        curve=curve,
        life_miles=life,
        own=own,
        alone=alone,
        alone_hours=job.hours + job.access_hours,
        failure_cost=failure,
        failures=np.array(failures),
        later=alone
        * np.array([due_later(curve, life, at, wishes.kept_miles, shown) for at in (*wishes.visits_at, None)]),
    )


def due_later(curve: FailureCurve, life_miles: float, at: float | None, kept_miles: float, shown: float = 0.0) -> float:
    """Return the share of a replacement that is still to be paid after the horizon, if done `at` miles (None: never).

    That is the life a new part has used up at the horizon (one that fails before is new from there on, whatever was
    planned) and, where the present one stays, the chance that it fails between the horizon and `kept_miles`;
    with the probability `shown` that evidence has shown it to be worn, it is due in any case.
    """
    end = HORIZON_MILES if at is None else at
    new_since = HORIZON_MILES - curve.running_miles(0.0, end)  # expected, and the planned one is new from `end` on
    if at is not None:
        return min(1.0, new_since / life_miles)
    fails = curve.fails_within(kept_miles) - curve.fails_within(HORIZON_MILES)
    lasts = 1.0 - curve.fails_within(HORIZON_MILES)
    return min(1.0, new_since / life_miles + shown * lasts + (1.0 - shown) * fails)


def _items(candidates: tuple[Candidate, ...]) -> tuple[tuple[str, str], ...]:
    found: dict[tuple[str, str], None] = {(VISIT, ""): None}
    for candidate in candidates:
        found |= dict.fromkeys(("step", step) for step in candidate.job.access)
        found |= dict.fromkeys(("extra", extra.id) for extra in candidate.job.extras)
    return tuple(found)


def _programme(
    catalogue: Catalogue, candidates: tuple[Candidate, ...], items: tuple[tuple[str, str], ...], wishes: Wishes
) -> Programme:
    rate, paid_rate = hour_price(wishes), wishes.rate or 0.0
    visits = len(wishes.visits_at)
    bought: dict[str, float] = {}
    for candidate in candidates:
        for extra in candidate.job.extras:
            bought[extra.id] = max(bought.get(extra.id, 0.0), known(extra.price) or 0.0)
    item_hours = np.array(
        [(known(catalogue.steps[id_].hours) or 0.0) if kind == "step" else 0.0 for kind, id_ in items]
    )
    prices = np.array([bought[id_] if kind == "extra" else 0.0 for kind, id_ in items])
    trouble = np.array([wishes.visit_cost if kind == VISIT else 0.0 for kind, _ in items])
    hours = np.array([candidate.job.hours for candidate in candidates])
    own = np.array([[candidate.own] * visits + [0.0] for candidate in candidates]).reshape(-1, visits + 1)
    expected = np.array([candidate.failures + candidate.later for candidate in candidates]).reshape(-1, visits + 1)
    return Programme(
        cost=own + expected,
        allowed=np.array([_allowed(candidate, wishes) for candidate in candidates], bool).reshape(-1, visits + 1),
        money=np.array([candidate.job.price for candidate in candidates]) + hours * paid_rate,
        hours=hours,
        needs=np.array([_needs(candidate.job, items) for candidate in candidates], bool).reshape(-1, len(items)),
        item_cost=item_hours * rate + prices + trouble,
        item_money=item_hours * paid_rate + prices,
        item_hours=item_hours,
        most_money=wishes.budget,
        most_hours=wishes.hours,
    )


def _needs(job: Job, items: tuple[tuple[str, str], ...]) -> list[bool]:
    wanted = {(VISIT, ""), *(("step", step) for step in job.access), *(("extra", extra.id) for extra in job.extras)}
    return [item in wanted for item in items]


def _allowed(candidate: Candidate, wishes: Wishes) -> BoolArray:
    visits = len(wishes.visits_at)
    allowed = np.ones(visits + 1, bool)
    part = candidate.job.part.id
    if part in wishes.decided:
        allowed[1:] = False
    if part in wishes.refused:
        allowed[:visits] = False
    for trip in wishes.trips:
        if trip_risk(candidate, trip) > trip.most_risk:
            allowed[:visits] &= np.array(wishes.visits_at) <= trip.at_miles
            allowed[visits] = False
    return allowed


def trip_risk(candidate: Candidate, trip: Trip) -> float:
    """Return the probability that the present part, if it has lasted until then, fails on the trip."""
    return candidate.curve.fails_between(trip.at_miles, trip.at_miles + trip.length_miles)
