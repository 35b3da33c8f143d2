"""The plan of a car: which parts to replace in which visit, so that the whole is expected to cost least.

Pure: from the catalogue, the risks and the wishes to frozen records. What is minimised stands in `case`, how in
`programme`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from obdwatch.parts.part import Catalogue
from obdwatch.parts.risk import ASSUMED_KM
from obdwatch.planning.access import opened_for
from obdwatch.planning.case import Case, case_for
from obdwatch.planning.explaining import left_alone, why_done
from obdwatch.planning.limits import check_choices, infeasible
from obdwatch.planning.only_this import only_this
from obdwatch.planning.plan_records import LeftAlone, OnlyThis, Plan
from obdwatch.planning.programme import MOST_SECONDS, limited, solve
from obdwatch.planning.spending import Choice, bill, compared, expected
from obdwatch.planning.wishes import HORIZON_MILES, Wishes
from obdwatch.planning.words import chance, distance, listed, money, sentence
from obdwatch.records import Car, PartRisk, Visit
from obdwatch.units import KM_PER_MILE

MOST_NAMED = 6  # parts in one sentence
LOOK_UP = "what the service book or a bill says of them can take jobs off this plan"


@dataclass(frozen=True, slots=True)
class Solved:
    """A case with a choice of visits; `free` is the choice that is best without limits on money and hours."""

    case: Case
    choice: Choice
    free: Choice
    proven: bool


def plan_visits(
    catalogue: Catalogue, risks: Iterable[PartRisk], wishes: Wishes | None = None, car: Car | None = None
) -> Plan:
    """Return the plan that is expected to cost least within the horizon.

    `catalogue` holds the parts this car has, `risks` what is known of them, `car` says how many pieces of a part it
    has. Raises InputError where wishes contradict each other, where no plan can keep the limits (naming the one to
    relax), or where the access steps cannot be followed.
    """
    return plan_of(solved(case_for(catalogue, risks, wishes or Wishes(), car)))


def plan_of(solved: Solved) -> Plan:
    """Return what a choice of visits is, costs, and why."""
    case, choice = solved.case, solved.choice
    return Plan(
        visits=tuple(_visit(solved, number) for number in range(len(case.wishes.visits_at)) if number in choice),
        left_alone=(*left_alone(case, choice, solved.free), *_unjudged(case)),
        costs=expected(case, choice),
        comparison=compared(case, choice),
        horizon_miles=HORIZON_MILES,
        proven=solved.proven,
        assumptions=_assumptions(case, solved.proven),
        unknown=_unknown(case),
        currency=case.catalogue.currency,
    )


def what_if_only(
    part: str,
    catalogue: Catalogue,
    risks: Iterable[PartRisk],
    wishes: Wishes | None = None,
    car: Car | None = None,
) -> OnlyThis:
    """Return what becomes of the plan where only one part is replaced, now. Raises InputError as `plan_visits` does."""
    best = solved(case_for(catalogue, risks, wishes or Wishes(), car))
    return only_this(best.case, best.choice, part)


def solved(case: Case) -> Solved:
    """Return the best choice of a case. Raises InputError where no choice keeps its limits."""
    check_choices(case)
    found = solve(case.programme)
    if found is None:
        raise infeasible(case)
    free = found.visit_of
    if case.wishes.budget is not None or case.wishes.hours is not None:
        unlimited = solve(limited(limited(case.programme, "money", None), "hours", None))
        free = unlimited.visit_of if unlimited is not None else free
    return Solved(case, found.visit_of, free, found.proven)


def _visit(solved: Solved, number: int) -> Visit:
    case, choice = solved.case, solved.choice
    why = why_done(case, choice, solved.free, number)
    steps = case.catalogue.steps
    opened = opened_for([step for part in why for step in case.catalogue.parts[part].access], steps)
    taken = bill(case, choice, number)
    return Visit(case.wishes.visits_at[number], tuple(why), opened, taken.hours, taken.to_pay, why)


def _unjudged(case: Case) -> tuple[LeftAlone, ...]:
    """Parts of whose risk nothing is known; no probability is made up for them."""
    return tuple(LeftAlone(part, None, "Nothing is known of its risk, so it is in no visit.") for part in case.ignored)


def _assumptions(case: Case, proven: bool) -> tuple[str, ...]:
    wishes, currency = case.wishes, case.catalogue.currency
    horizon, kept = (distance(miles, wishes.units) for miles in (HORIZON_MILES, wishes.kept_miles))
    said = [
        f"your own hour is weighed with {money(wishes.own_hour, currency)} and not counted as money to pay"
        if wishes.rate is None
        else f"a workshop's hour costs {money(wishes.rate, currency)}",
        f"each visit costs {money(wishes.visit_cost, currency)} of trouble beyond parts and work",
        "between the distances for which the risk is known, each stretch of road is taken to be as risky as the next",
        f"a part that fails on the road is repaired by itself, and a new part does not fail within {kept}",
        "a fault that a drive or a look has shown is paid for in any case, wear by distance alone only if it fails",
        f"you keep the car for {kept} more: a part that fails between {horizon} and then is charged with what "
        "replacing it by itself costs, a new part with the share of its life that it has used up",
    ]
    if not currency:
        said.insert(0, "money is in your own currency, which your own file of parts can name")
    said += [
        f"ready for the trip means that no part fails on it with a chance above {chance(trip.most_risk)}"
        for trip in wishes.trips
    ]
    if not proven:
        said.insert(0, f"this is the best plan found in {MOST_SECONDS:g} seconds; a cheaper one may exist")
    if case.candidates and all(candidate.risk.since_new_km is None for candidate in case.candidates):
        taken = distance(ASSUMED_KM / KM_PER_MILE, wishes.units)
        said.append(f"no odometer reading is known: every part is taken to have run {taken}; note what the clock says")
        return tuple(sentence(text) for text in said)
    unsure = [candidate.job.part.name for candidate in case.candidates if not candidate.risk.age_known]
    if len(unsure) > MOST_NAMED:
        said.append(
            f"{len(unsure)} of {len(case.candidates)} parts are of unknown age, and taken to be as old as the car; "
            f"{LOOK_UP}"
        )
    elif unsure:
        said.append(f"of unknown age, and taken to be as old as the car: {listed(unsure)}; {LOOK_UP}")
    return tuple(sentence(text) for text in said)


def _unknown(case: Case) -> tuple[str, ...]:
    said = [
        sentence(f"{candidate.job.part.name}: {'; '.join(candidate.job.unknown)}")
        for candidate in case.candidates
        if candidate.job.unknown
    ]
    return (*said, *case.catalogue.remarks)
