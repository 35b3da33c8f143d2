"""What becomes of a plan where only one of its jobs is done: the cost, the risk that is left, what is paid again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from obdwatch.errors import InputError
from obdwatch.planning.case import Case
from obdwatch.planning.plan_records import OnlyThis
from obdwatch.planning.spending import Choice, bill, expected
from obdwatch.planning.wishes import HORIZON_MILES
from obdwatch.planning.words import chance, distance, listed, money, sentence, working_time
from obdwatch.records import BoolArray

WORTH_SAYING = 0.5  # in the user's currency; a smaller difference is none


def only_this(case: Case, choice: Choice, part: str) -> OnlyThis:
    """Return what becomes of the plan where only this part is replaced, now. Raises InputError for an unknown part."""
    parts = [candidate.job.part.id for candidate in case.candidates]
    if part not in parts:
        raise InputError(f"nothing is known of a part '{part}' of this car; known are {', '.join(parts)}")
    none, job = len(case.wishes.visits_at), parts.index(part)
    alone = tuple(0 if other == job else none for other in range(len(choice)))
    planned = [other for other, visit in enumerate(choice) if visit < none and other != job]
    to_pay, hours = bill(case, alone, 0).to_pay, bill(case, alone, 0).hours
    again = case.programme.needs[job] & case.programme.needs[planned].any(axis=0)
    again_hours = float(again @ case.programme.item_hours)
    lasting = float(np.prod([1.0 - case.candidates[other].curve.fails_within(HORIZON_MILES) for other in planned]))
    costs, plan = expected(case, alone), expected(case, choice)
    only = OnlyThis(
        part=part,
        cost=to_pay,
        hours=hours,
        another_fails=1.0 - lasting,
        failures_left=costs.failures,
        again_hours=again_hours,
        again_cost=float(again @ case.programme.item_cost),
        more_than_plan=costs.total - plan.total,
        sentences=(),
    )
    return _said(case, only, planned, _twice(case, again))


def _twice(case: Case, again: BoolArray) -> tuple[str, ...]:
    """The names of what is opened or bought a second time."""
    steps = [case.catalogue.steps[id_].name for i, (kind, id_) in enumerate(case.items) if again[i] and kind == "step"]
    names = {extra.id: extra.name for candidate in case.candidates for extra in candidate.job.extras}
    return (*steps, *(names[id_] for i, (kind, id_) in enumerate(case.items) if again[i] and kind == "extra"))


def _said(case: Case, only: OnlyThis, planned: list[int], twice: tuple[str, ...]) -> OnlyThis:
    currency, units = case.catalogue.currency, case.wishes.units
    name = next(c.job.part.name for c in case.candidates if c.job.part.id == only.part)
    said = [f"only the {name}, now: {money(only.cost, currency)} to pay and {working_time(only.hours)} of work"]
    if planned:
        others = listed([f"the {case.candidates[other].job.part.name}" for other in planned])
        said.append(
            f"of what the plan would also do ({others}), at least one fails within "
            f"{distance(HORIZON_MILES, units)} with a chance of {chance(only.another_fails)}"
        )
    said.append(f"expected for failures on the road: {money(only.failures_left, currency)}")
    if twice:
        said.append(
            f"when the others follow, this is opened or bought again: {'; '.join(twice)} "
            f"({working_time(only.again_hours)}, {money(only.again_cost, currency)} in all)"
        )
    if only.more_than_plan > WORTH_SAYING:
        said.append(f"all in all that is expected to cost {money(only.more_than_plan, currency)} more than the plan")
    elif only.more_than_plan < -WORTH_SAYING:
        said.append(
            f"it is expected to cost {money(-only.more_than_plan, currency)} less than the plan, which keeps to your "
            "limits and decisions"
        )
    else:
        said.append("it is expected to cost as much as the plan")
    return replace(only, sentences=tuple(sentence(text) for text in said))
