"""The same question asked a second time: written anew from the words of the model, with PuLP and its CBC solver.

It shares with the product only the records. Costs come from the risk by numerical integration on a fine grid, and the
programme is put differently: opened steps are whole numbers, tied to their jobs in one sum per step and visit.
"""

from __future__ import annotations

import itertools
import math
import random
import warnings

import numpy as np
import pulp

from obdwatch.parts.part import Catalogue, Extra, Life, Part
from obdwatch.planning.wishes import Trip, Wishes
from obdwatch.records import PartRisk
from tests.planning.garage import COOLANT, GASKET, STEPS, catalogue, part

HORIZON = 10_000.0
GRID = np.linspace(0.0, HORIZON, 20_001)


def closure(part_: Part) -> set[str]:
    """All steps a part needs, with what they need."""
    found: set[str] = set()
    waiting = list(part_.access)
    while waiting:
        step = waiting.pop()
        if step not in found:
            found.add(step)
            waiting += STEPS[step].needs
    return found


def surviving(risk: PartRisk, miles: np.ndarray) -> np.ndarray:  # type: ignore[type-arg]
    """The share still running, with a hazard that is constant between what is known and goes on beyond."""
    knots = [0.0, *sorted(risk.failure_within_miles)]
    logs = [0.0] + [math.log(1.0 - risk.failure_within_miles[int(at)]) for at in knots[1:]]
    slope = (logs[-1] - logs[-2]) / (knots[-1] - knots[-2])
    inside = np.interp(miles, knots, logs)
    return np.asarray(np.exp(np.where(miles > knots[-1], logs[-1] + slope * (miles - knots[-1]), inside)))


def mean_of(life: Life) -> float:
    """The mean of a Weibull life in miles, by integrating its survival."""
    return float(np.trapezoid(np.exp(-((GRID / 1000.0) ** life.shape)), GRID / 1000.0)) * life.scale_km / 1.609344


def choice_costs(each: Part, risk: PartRisk, wishes: Wishes) -> list[float]:
    """What one part is expected to cost for each visit and, last, for none; what is shared left out of the visits."""
    rate = wishes.own_hour if wishes.rate is None else wishes.rate
    fitting = each.price + each.hours * rate
    whole = fitting + sum(STEPS[step].hours for step in closure(each)) * rate
    whole += sum(extra.price for extra in each.extras if not extra.optional) + wishes.visit_cost
    life = mean_of(each.onset) + mean_of(each.to_failure)
    running = surviving(risk, GRID)
    costs = []
    for at in wishes.visits_at:
        chance = 1.0 - float(surviving(risk, np.array([at]))[0])
        until = (GRID - at) < 1e-9
        covered = float(np.trapezoid(running[until], GRID[until]))
        planned = fitting + chance * (each.breakdown_cost + each.damage_cost + whole - fitting)
        costs.append(planned + whole * min(1.0, (HORIZON - covered) / life))
    end = float(running[-1])
    kept = float(surviving(risk, np.array([wishes.kept_miles]))[0])
    seen = max(0.0, 1.0 - (1.0 - risk.degraded) / (1.0 - risk.prior))  # what evidence took of the chance to be sound
    due = (HORIZON - float(np.trapezoid(running, GRID))) / life + end - (1.0 - seen) * kept
    costs.append((1.0 - end) * (each.breakdown_cost + each.damage_cost + whole) + whole * min(1.0, due))
    return costs


def _demanded(part_id: str, risk: PartRisk, wishes: Wishes) -> list[list[int | str]]:
    """Sets of visits, in one of which a part must be done."""
    demanded: list[list[int | str]] = [[0]] if part_id in wishes.decided else []
    if part_id in wishes.refused:
        demanded.append(["never"])
    for trip in wishes.trips:
        begin, end = surviving(risk, np.array([trip.at_miles, trip.at_miles + trip.length_miles]))
        if 1.0 - end / begin > trip.most_risk:
            demanded.append([number for number, at in enumerate(wishes.visits_at) if at <= trip.at_miles])
    return demanded


def cheapest(parts: Catalogue, risks: tuple[PartRisk, ...], wishes: Wishes) -> float | None:
    """The least expected cost under the wishes, by CBC; None where nothing keeps them."""
    rate = wishes.own_hour if wishes.rate is None else wishes.rate
    model = pulp.LpProblem("visits", pulp.LpMinimize)
    visits = range(len(wishes.visits_at))
    here = [(parts.parts[risk.part], risk) for risk in risks]
    done = {
        (each.id, visit): model.add_variable(f"done_{each.id}_{visit}", cat="Binary")
        for each, _ in here
        for visit in [*visits, "never"]
    }
    uses: dict[tuple[str, str], list[str]] = {("visit", ""): [each.id for each, _ in here]}
    price: dict[tuple[str, str], tuple[float, float, float]] = {("visit", ""): (wishes.visit_cost, 0.0, 0.0)}
    paid_rate = wishes.rate or 0.0
    for each, _ in here:
        for step in closure(each):
            uses.setdefault(("step", step), []).append(each.id)
            hours = STEPS[step].hours
            price["step", step] = (hours * rate, hours * paid_rate, hours)
        for extra in each.extras:
            if not extra.optional:
                uses.setdefault(("extra", extra.id), []).append(each.id)
                price["extra", extra.id] = (extra.price, extra.price, 0.0)
    opened = {
        (item, visit): model.add_variable(f"open_{number}_{visit}", cat="Binary")
        for (number, item), visit in itertools.product(enumerate(uses), visits)
    }
    objective = [price[item][0] * variable for (item, _), variable in opened.items()]
    for each, risk in here:
        costs = choice_costs(each, risk, wishes)
        objective += [costs[visit] * done[each.id, visit] for visit in visits] + [costs[-1] * done[each.id, "never"]]
        model += pulp.lpSum(done[each.id, visit] for visit in [*visits, "never"]) == 1
        for allowed in _demanded(each.id, risk, wishes):
            model += pulp.lpSum(done[each.id, visit] for visit in allowed) == 1
    for (item, visit), variable in opened.items():
        model += pulp.lpSum(done[user, visit] for user in uses[item]) <= len(uses[item]) * variable
    money = {each.id: each.price + each.hours * paid_rate for each, _ in here}
    hours = {each.id: each.hours for each, _ in here}
    for visit, (most, own, which) in itertools.product(visits, ((wishes.budget, money, 1), (wishes.hours, hours, 2))):
        if most is not None:
            shared = pulp.lpSum(price[item][which] * opened[item, visit] for item in uses)
            model += pulp.lpSum(own[each] * done[each, visit] for each in own) + shared <= most
    model += pulp.lpSum(objective)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # PuLP 4 will want the solver from a package of its own
        solver = pulp.PULP_CBC_CMD(msg=False, gapRel=0.0, gapAbs=0.0)
    status = model.solve(solver)
    return float(pulp.value(model.objective)) if pulp.LpStatus[status] == "Optimal" else None


def random_garage(seed: int) -> tuple[Catalogue, tuple[PartRisk, ...], Wishes]:
    """Five to eight parts that share steps, with risks of every size, and limits that bind now and then."""
    dice = random.Random(seed)
    parts, risks = [], []
    for number in range(dice.randint(5, 8)):
        access = tuple(dice.sample(sorted(STEPS), dice.randint(0, 3)))
        extras: tuple[Extra, ...] = tuple(dice.sample([COOLANT, GASKET], dice.randint(0, 2)))
        parts.append(
            part(
                f"part_{number}",
                price=dice.randint(20, 400),
                hours=dice.randint(0, 8) / 4,
                access=access,
                breakdown_cost=dice.randint(0, 400),
                damage_cost=dice.choice([0, 0, 500, 3000]),
                extras=extras,
            )
        )
        worst = dice.choice([0.02, 0.2, 0.6, 0.95])
        within = sorted(dice.uniform(0.0005, worst) for _ in range(3))
        risks.append(
            PartRisk(
                f"part_{number}",
                0.3,
                (0.9, 0.3, 0.2)[number % 3],
                dict(zip((1000, 5000, 10000), within, strict=True)),
                None,
                False,
            )
        )
    wishes = Wishes(
        visits_at=(0.0, 3000.0, 6000.0)[: dice.randint(1, 3)],
        budget=dice.choice([None, 400.0, 700.0]),
        hours=dice.choice([None, 3.0, 5.0]),
        rate=dice.choice([None, 80.0]),
        trips=dice.choice([(), (Trip(3000.0, 1500.0),)]),
        decided=frozenset(dice.sample(["part_0"], dice.randint(0, 1))),
        refused=frozenset(dice.sample(["part_1"], dice.randint(0, 1))),
    )
    return catalogue(*parts), tuple(risks), wishes
