"""The choice of visits as an integer programme, solved exactly; numbers in, numbers out.

Each job is done in one visit or in none. A shared item (an opened step, something bought once per visit, the visit
itself) is paid once in every visit in which some job needs it. With x[j,v] = 1 where job j is done in visit v (v = V:
in none) and y[i,v] = 1 where item i is paid in visit v:

    minimise    sum cost[j,v] x[j,v] + sum item_cost[i] y[i,v]
    such that   sum over v of x[j,v] = 1                                  for every job
                y[i,v] >= x[j,v]                                          for every item i that job j needs
                sum money[j] x[j,v] + sum item_money[i] y[i,v] <= budget  for every visit, and the same for hours
                x[j,v] = 0                                                where it is not allowed

Whole x make y whole by themselves; the solver is told that y is whole all the same, because it then proves sooner.
Where one item is needed by every job (the visit itself), the limits are put as budget * y[that item, v], which says the
same for whole numbers and more for the rest; what the solver then calls optimal is added up anew, and where the sums
differ, the plain limits are solved instead.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from obdwatch.errors import InputError
from obdwatch.planning.shared_items import asked_for, groups_of, summed
from obdwatch.records import BoolArray, FloatArray

OPTIMAL, INFEASIBLE = 0, 2  # of scipy.optimize.milp
MOST_SECONDS = 20.0  # a plan that is not proven best by then is given as what it is
GAP = 1e-9  # what the solver's own arithmetic leaves of a gap of zero
PRECISION = 0.005  # of the smallest limit, in money or hours


@dataclass(frozen=True, slots=True)
class Programme:
    """The numbers of a plan for J jobs, V visits and I shared items.

    `cost` (J, V + 1), the last column for "in no visit"; `allowed` (J, V + 1); `money` and `hours` (J,) of a job by
    itself; `needs` (J, I); `item_cost`, `item_money`, `item_hours` (I,); `most_money` and `most_hours` per visit, None
    for no limit.
    """

    cost: FloatArray
    allowed: BoolArray
    money: FloatArray
    hours: FloatArray
    needs: BoolArray
    item_cost: FloatArray
    item_money: FloatArray
    item_hours: FloatArray
    most_money: float | None = None
    most_hours: float | None = None


@dataclass(frozen=True, slots=True)
class Solution:
    """The visit of each job (V: in none), what it all costs, and whether nothing cheaper exists."""

    visit_of: tuple[int, ...]
    cost: float
    proven: bool


def total(programme: Programme, visit_of: tuple[int, ...]) -> float:
    """Return what a choice costs, summed up directly."""
    own = sum(float(programme.cost[job, visit]) for job, visit in enumerate(visit_of))
    visits = programme.cost.shape[1] - 1
    return own + sum(float(paid(programme, visit_of, visit) @ programme.item_cost) for visit in range(visits))


def paid(programme: Programme, visit_of: tuple[int, ...], visit: int) -> BoolArray:
    """Return which shared items (I,) are paid in a visit."""
    jobs = [job for job, chosen in enumerate(visit_of) if chosen == visit]
    return np.asarray(programme.needs[jobs].any(axis=0))


def solve(programme: Programme) -> Solution | None:
    """Return the cheapest choice, None where the limits allow none.

    After `MOST_SECONDS` the best one found until then, not proven; raises InputError where there is none yet.
    """
    if len(programme.cost) == 0:
        return Solution((), 0.0, True)
    if not programme.allowed.any(axis=1).all():
        return None
    terse = _terse(programme)
    common = _common_item(terse)
    sharp = _solve(terse, common)
    if sharp is not None and not sharp.proven and common is not None:
        return _solve(terse, None) or sharp
    return sharp


def _terse(programme: Programme) -> Programme:
    """The same programme with items of the same users made one."""
    groups = groups_of(programme.needs)
    return replace(
        programme,
        needs=programme.needs[:, [group[0] for group in groups]],
        item_cost=summed(programme.item_cost, groups),
        item_money=summed(programme.item_money, groups),
        item_hours=summed(programme.item_hours, groups),
    )


def _common_item(programme: Programme) -> int | None:
    """An item that every job needs, None where there is none."""
    common = np.flatnonzero(programme.needs.all(axis=0))
    return int(common[0]) if len(common) else None


def _solve(programme: Programme, common: int | None) -> Solution | None:
    jobs, choices = programme.cost.shape
    visits, items = choices - 1, len(programme.item_cost)
    found = milp(
        np.concatenate([programme.cost.ravel(), np.repeat(programme.item_cost, visits)]),
        integrality=np.ones(jobs * choices + items * visits),
        bounds=Bounds(0.0, np.concatenate([programme.allowed.ravel().astype(float), np.ones(items * visits)])),
        constraints=_constraints(programme, common),
        options={"mip_rel_gap": 0.0, "time_limit": MOST_SECONDS},
    )
    if found.status == INFEASIBLE:
        return None
    if found.x is None:
        raise InputError(f"no plan was found in {MOST_SECONDS:g} seconds; take fewer visits, or relax a limit")
    whole = found.x[: jobs * choices].reshape(jobs, choices)
    visit_of = tuple(int(visit) for visit in whole.argmax(axis=1))
    gap = abs(total(programme, visit_of) - found.mip_dual_bound)
    proven = found.status == OPTIMAL and gap <= GAP * max(1.0, abs(found.fun)) + 1e-6  # the solver's absolute tolerance
    return Solution(visit_of, total(programme, visit_of), proven)


def least(programme: Programme, what: Literal["money", "hours"]) -> float | None:
    """Return the smallest limit of money or hours per visit that allows some choice, None where none does.

    Found by halving, to a hundredth; costs play no part in whether there is a choice.
    """
    costless = replace(programme, cost=np.zeros_like(programme.cost), item_cost=np.zeros_like(programme.item_cost))
    if solve(limited(costless, what, None)) is None:
        return None
    money = what == "money"
    own, shared = (programme.money, programme.item_money) if money else (programme.hours, programme.item_hours)
    low, high = 0.0, float(own.sum() + shared.sum())
    while high - low > PRECISION:
        middle = (low + high) / 2.0
        if solve(limited(costless, what, middle)) is None:
            low = middle
        else:
            high = middle
    return high


def limited(programme: Programme, what: Literal["money", "hours"], most: float | None) -> Programme:
    """Return the programme with another limit per visit, None for no limit."""
    return replace(programme, most_money=most) if what == "money" else replace(programme, most_hours=most)


def _constraints(programme: Programme, common: int | None) -> list[LinearConstraint]:
    jobs, choices = programme.cost.shape
    visits, items = choices - 1, len(programme.item_cost)
    width = jobs * choices + items * visits
    job_at = np.arange(jobs * choices).reshape(jobs, choices)
    item_at = jobs * choices + np.arange(items * visits).reshape(items, visits)
    once = _rows([(job_at[job], np.ones(choices)) for job in range(jobs)], width)
    found = [LinearConstraint(once, 1.0, 1.0)]
    by_job, by_item = asked_for(programme.needs)
    pairs = [(item_at[item], job_at[job]) for job, item in by_job]
    pairs += [(item_at[other], item_at[item]) for item, other in by_item]
    opening = [
        (np.array([paid_at[visit], asking_at[visit]]), np.array([1.0, -1.0]))
        for paid_at, asking_at in pairs
        for visit in range(visits)
    ]
    if opening:
        found.append(LinearConstraint(_rows(opening, width), 0.0, np.inf))
    limits = (
        (programme.most_money, programme.money, programme.item_money),
        (programme.most_hours, programme.hours, programme.item_hours),
    )
    for most, own, shared in limits:
        if most is not None:
            in_visit = np.zeros(items) if common is None else most * (np.arange(items) == common)
            weights = np.concatenate([own, shared - in_visit])
            rows = [(np.concatenate([job_at[:, visit], item_at[:, visit]]), weights) for visit in range(visits)]
            found.append(LinearConstraint(_rows(rows, width), -np.inf, most if common is None else 0.0))
    return found


def _rows(entries: list[tuple[np.ndarray, np.ndarray]], width: int) -> coo_array:
    columns = np.concatenate([places for places, _ in entries])
    values = np.concatenate([weights for _, weights in entries])
    rows = np.repeat(np.arange(len(entries)), [len(places) for places, _ in entries])
    return coo_array((values, (rows, columns)), shape=(len(entries), width))
