"""A plan that its keeper has changed by hand: jobs moved to other visits, and what that costs against the best plan.

Pure: the best plan is made as always, the moves are put into its choice, and both are priced alike. A moved plan may
break a limit; it is then said which, and the plan is shown all the same, because the limits are the keeper's own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from obdwatch.errors import InputError
from obdwatch.parts.part import Catalogue
from obdwatch.planning.by_hand_words import limits_broken, place, why_dearer
from obdwatch.planning.case import Case, case_for
from obdwatch.planning.plan import Solved, plan_of, solved
from obdwatch.planning.plan_records import NOT_AT_ALL, ByHand, LeftAlone, Moves, Plan
from obdwatch.planning.spending import Choice, expected
from obdwatch.planning.wishes import Wishes
from obdwatch.records import Car, PartRisk, Visit


def plan_by_hand(
    catalogue: Catalogue,
    risks: Iterable[PartRisk],
    wishes: Wishes | None = None,
    car: Car | None = None,
    moves: Moves | None = None,
) -> ByHand:
    """Return the best plan with `moves` put into it, both priced.

    Raises InputError as `plan_visits` does, and for a move of an unknown part or to a visit that is none.
    """
    best = solved(case_for(catalogue, risks, wishes or Wishes(), car))
    choice = _moved(best, moves or {})
    if choice == best.choice:
        plan = plan_of(best)
        return ByHand(plan, plan, _numbers(best.case, choice), _numbers(best.case, choice), 0.0, (), ())
    by_hand = replace(best, choice=choice, free=choice, proven=False)
    more = expected(best.case, choice).total - expected(best.case, best.choice).total
    return ByHand(
        plan=_told(plan_of(by_hand), best, choice),
        best=plan_of(best),
        visit_of=_numbers(best.case, choice),
        best_visit_of=_numbers(best.case, best.choice),
        more=more,
        why=why_dearer(best.case, best.choice, choice),
        broken=limits_broken(best.case, choice),
    )


def _moved(best: Solved, moves: Moves) -> Choice:
    parts = [candidate.job.part.id for candidate in best.case.candidates]
    visits = len(best.case.wishes.visits_at)
    choice = list(best.choice)
    for part, visit in moves.items():
        if part not in parts:
            raise InputError(f"nothing is known of a part '{part}' of this car; known are {', '.join(parts)}")
        if not NOT_AT_ALL <= visit <= visits:
            name = best.case.catalogue.parts[part].name
            raise InputError(f"the {name} cannot go into visit {visit}; there are {visits}")
        choice[parts.index(part)] = visit - 1 if visit else visits
    return tuple(choice)


def _numbers(case: Case, choice: Choice) -> Mapping[str, int]:
    none = len(case.wishes.visits_at)
    return {
        candidate.job.part.id: visit + 1 if visit < none else NOT_AT_ALL
        for candidate, visit in zip(case.candidates, choice, strict=True)
    }


def _told(plan: Plan, best: Solved, choice: Choice) -> Plan:
    """The plan with a word on each job that was moved."""
    said = {
        candidate.job.part.id: f"Moved by you; the best plan {place(best.case, planned)}."
        for candidate, planned, now in zip(best.case.candidates, best.choice, choice, strict=True)
        if planned != now
    }

    def visit_told(visit: Visit) -> Visit:
        why = {part: " ".join(filter(None, (said.get(part), text))) for part, text in visit.why.items()}
        return replace(visit, why=why)

    def left_told(left: LeftAlone) -> LeftAlone:
        return replace(left, why=" ".join(filter(None, (said.get(left.part), left.why))))

    return replace(
        plan,
        visits=tuple(visit_told(visit) for visit in plan.visits),
        left_alone=tuple(left_told(left) for left in plan.left_alone),
    )
