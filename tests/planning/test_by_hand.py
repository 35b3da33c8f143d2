"""Plans changed by hand: priced as an independently written model prices them, and told where the money goes."""

from __future__ import annotations

import random
from collections.abc import Mapping

import pytest

from obdwatch.errors import InputError
from obdwatch.parts.part import Catalogue
from obdwatch.planning.by_hand import plan_by_hand
from obdwatch.planning.plan import plan_visits
from obdwatch.planning.plan_records import NOT_AT_ALL
from obdwatch.planning.wishes import Trip, Wishes
from obdwatch.records import PartRisk
from tests.planning.garage import GARAGE, RISKS, STEPS
from tests.planning.independent_model import choice_costs, closure, random_garage

TWO = Wishes(visits_at=(0.0, 5000.0))


def priced(parts: Catalogue, risks: tuple[PartRisk, ...], wishes: Wishes, visit_of: Mapping[str, int]) -> float:
    """What a choice costs by the model that was written a second time; `visit_of` counts from 1, 0 is none."""
    rate = wishes.own_hour if wishes.rate is None else wishes.rate
    total = sum(choice_costs(parts.parts[risk.part], risk, wishes)[visit_of[risk.part] - 1] for risk in risks)
    for visit in range(1, len(wishes.visits_at) + 1):
        here = [parts.parts[part] for part, chosen in visit_of.items() if chosen == visit]
        steps = set().union(*(closure(each) for each in here))
        extras = {extra.id: extra.price for each in here for extra in each.extras if not extra.optional}
        total += sum(STEPS[step].hours for step in steps) * rate + sum(extras.values())
        total += wishes.visit_cost if here else 0.0
    return total


@pytest.mark.parametrize("seed", range(12))
def test_a_moved_plan_is_priced_as_another_model_prices_it(seed: int) -> None:
    parts, risks, wishes = random_garage(seed)
    dice = random.Random(seed)
    moves = {risk.part: dice.randint(0, len(wishes.visits_at)) for risk in dice.sample(risks, 3)}
    try:
        found = plan_by_hand(parts, risks, wishes, moves=moves)
    except InputError:
        with pytest.raises(InputError):
            plan_visits(parts, risks, wishes)
        return
    assert {part: found.visit_of[part] for part in moves} == moves
    expected = priced(parts, risks, wishes, found.visit_of) - priced(parts, risks, wishes, found.best_visit_of)
    # The other model integrates on a grid; its costs are good to a part in a hundred thousand.
    assert found.more == pytest.approx(expected, abs=0.2)
    assert found.plan.costs.total - found.best.costs.total == pytest.approx(found.more)
    assert sum(len(visit.jobs) for visit in found.plan.visits) == sum(at > 0 for at in found.visit_of.values())
    assert found.best == plan_visits(parts, risks, wishes)


def test_what_is_opened_twice_is_the_reason_that_is_named() -> None:
    """By hand: the starter hides behind the manifold (0.25 + 0.25 + 0.25 + 1.5 h) that comes off for the other."""
    both = Wishes(visits_at=(0.0, 5000.0), decided=frozenset({"starter_motor", "crankcase_ventilation"}))
    found = plan_by_hand(GARAGE, RISKS, both, moves={"starter_motor": 2})
    assert found.moved == {"starter_motor"}
    assert "because you take off the intake manifold twice" in found.why[0]
    assert found.why[0].startswith(f"This costs {found.more:,.0f} EUR more than the best plan")
    again = found.plan.costs.labour - found.best.costs.labour
    others = sum(STEPS[step].hours for step in ("engine_cover", "battery_off", "air_hoses", "intake_manifold"))
    assert again == pytest.approx(others * both.own_hour)
    assert found.why[1] == "Bought again: gasket of the intake manifold."
    assert found.broken == ("You had decided to do the starter motor first.",)
    moved = next(visit for visit in found.plan.visits if "starter_motor" in visit.jobs)
    assert moved.why["starter_motor"].startswith("Moved by you; the best plan does it now.")


def test_waiting_costs_what_may_fail_first() -> None:
    found = plan_by_hand(GARAGE, RISKS, TWO, moves={"crankcase_ventilation": NOT_AT_ALL})
    assert "because what waits may fail on the road first" in found.why[0]
    (left,) = [one for one in found.plan.left_alone if one.part == "crankcase_ventilation"]
    assert left.why.startswith("Moved by you; the best plan does it now.")
    assert "limits" not in left.why


def test_no_move_is_the_best_plan_and_says_nothing() -> None:
    best = plan_by_hand(GARAGE, RISKS, TWO)
    same = plan_by_hand(GARAGE, RISKS, TWO, moves={"crankcase_ventilation": 1})
    assert best == same
    assert (best.more, best.why, best.broken, best.moved) == (0.0, (), (), frozenset())
    assert best.plan == plan_visits(GARAGE, RISKS, TWO)


def test_limits_that_a_moved_plan_breaks_are_said() -> None:
    tight = Wishes(visits_at=(0.0, 5000.0), budget=150.0, hours=3.5)
    found = plan_by_hand(GARAGE, RISKS, tight, moves={"alternator": 1})
    assert any("above your limit of 150 EUR" in text for text in found.broken)
    long = plan_by_hand(GARAGE, RISKS, Wishes(hours=3.0), moves={"crankcase_ventilation": 1, "coolant_pump": 1})
    assert any("above your limit of 3 hours" in text for text in long.broken)
    trip = Wishes(visits_at=(0.0, 5000.0), trips=(Trip(1000.0, 1500.0),))
    waits = plan_by_hand(GARAGE, RISKS, trip, moves={"crankcase_ventilation": 2})
    assert any("crankcase ventilation may fail on the trip" in text for text in waits.broken)
    refused = Wishes(visits_at=(0.0, 5000.0), refused=frozenset({"battery"}))
    assert plan_by_hand(GARAGE, RISKS, refused, moves={"battery": 1}).broken == ("You did not want the battery done.",)


@pytest.mark.parametrize("moves", [{"flux_capacitor": 1}, {"battery": 3}, {"battery": -1}])
def test_a_move_that_cannot_be_is_refused_with_what_can(moves: dict[str, int]) -> None:
    with pytest.raises(InputError, match=r"known are crankcase_ventilation|there are 2"):
        plan_by_hand(GARAGE, RISKS, TWO, moves=moves)
