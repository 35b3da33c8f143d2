"""What a course of action is expected to cost, taken apart, and what sharing a visit saves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.planning.case import VISIT, Candidate, Case
from obdwatch.planning.plan_records import Comparison, Costs
from obdwatch.planning.programme import paid
from obdwatch.planning.wishes import hour_price
from obdwatch.records import BoolArray

Choice = tuple[int, ...]  # the visit of each candidate, in their order; the number of visits stands for none


@dataclass(frozen=True, slots=True)
class Bill:
    """What one visit takes: `hours` [h], of them `access_hours`; what is bought; and what is to be paid in all."""

    hours: float
    access_hours: float
    bought: float
    to_pay: float


def expected(case: Case, choice: Choice) -> Costs:
    """Return what a choice is expected to cost, jobs of one visit sharing what they open and buy."""
    visits = range(len(case.wishes.visits_at))
    return _costs(case, choice, [paid(case.programme, choice, visit) for visit in visits])


def apart(case: Case, choice: Choice) -> Costs:
    """Return what the same jobs at the same times cost, each in a visit of its own."""
    none = len(case.wishes.visits_at)
    return _costs(case, choice, [case.programme.needs[job] for job, visit in enumerate(choice) if visit < none])


def _costs(case: Case, choice: Choice, opened: list[BoolArray]) -> Costs:
    none = len(case.wishes.visits_at)
    done = [candidate for candidate, visit in zip(case.candidates, choice, strict=True) if visit < none]
    shared = np.sum(opened, axis=0) if opened else np.zeros(len(case.items))
    kinds = np.array([kind for kind, _ in case.items])
    item_cost = shared * case.programme.item_cost
    hours = sum(candidate.job.hours for candidate in done) + float(shared @ case.programme.item_hours)
    parts = sum(candidate.job.price for candidate in done) + float(item_cost[kinds == "extra"].sum())
    labour = hours * hour_price(case.wishes)
    trouble = float(item_cost[kinds == VISIT].sum())
    failures = sum(float(c.failures[visit]) for c, visit in zip(case.candidates, choice, strict=True))
    later = sum(float(c.later[visit]) for c, visit in zip(case.candidates, choice, strict=True))
    total = parts + labour + trouble + failures + later
    return Costs(parts, labour, trouble, failures, later, total, hours)


def compared(case: Case, choice: Choice) -> Comparison:
    """Return what the planned jobs one by one, all parts now, and waiting cost; limits are not asked there."""
    none = len(case.wishes.visits_at)
    everything = tuple(none if candidate.job.part.id in case.wishes.refused else 0 for candidate in case.candidates)
    return Comparison(
        one_by_one=apart(case, choice),
        everything_now=expected(case, everything),
        nothing=expected(case, (none,) * len(choice)),
    )


def bill(case: Case, choice: Choice, visit: int) -> Bill:
    """Return what one visit takes."""
    jobs = np.array([chosen == visit for chosen in choice])
    shared = paid(case.programme, choice, visit)
    access = float(shared @ case.programme.item_hours)
    work = float(jobs @ case.programme.hours)
    extras = sum(case.programme.item_cost[i] for i, (kind, _) in enumerate(case.items) if kind == "extra" and shared[i])
    prices = sum(c.job.price for c, here in zip(case.candidates, jobs, strict=True) if here)
    money = float(jobs @ case.programme.money + shared @ case.programme.item_money)
    return Bill(work + access, access, float(prices + extras), money)


def gain_alone(candidate: Candidate, visit: int) -> float:
    """Return how much a job is worth in a visit of its own, against waiting for the failure; below zero: nothing."""
    waiting = float(candidate.failures[-1] + candidate.later[-1])
    return waiting - candidate.alone - float(candidate.failures[visit] + candidate.later[visit])


def gain_with(case: Case, before: list[int], job: int, visit: int) -> float:
    """Return how much a job is worth beside the jobs `before` of the same visit, against leaving it alone."""
    candidate = case.candidates[job]
    added = case.programme.needs[job] & ~case.programme.needs[before].any(axis=0)
    waiting = float(candidate.failures[-1] + candidate.later[-1])
    doing = candidate.own + float(added @ case.programme.item_cost)
    return waiting - doing - float(candidate.failures[visit] + candidate.later[visit])


def by_weight(case: Case, choice: Choice, visit: int) -> list[int]:
    """Return the candidates of a visit by what they would be worth alone: those that call for the visit come first."""
    here = [job for job, chosen in enumerate(choice) if chosen == visit]
    return sorted(here, key=lambda job: -gain_alone(case.candidates[job], visit))


def added_hours(case: Case, before: list[int], job: int) -> float:
    """Return the access hours that a job adds to a visit in which the jobs `before` are done anyway [h]."""
    opened = case.programme.needs[before].any(axis=0)
    return float((case.programme.needs[job] & ~opened) @ case.programme.item_hours)
