"""Plans against an independently written model of the same question, solved by CBC (through PuLP)."""

from __future__ import annotations

import pytest

from obdwatch.errors import InputError
from obdwatch.planning.plan import plan_visits
from tests.planning.independent_model import cheapest, random_garage


@pytest.mark.parametrize("seed", range(12))
def test_another_model_and_another_solver_find_no_cheaper_plan(seed: int) -> None:
    parts, risks, wishes = random_garage(seed)
    expected = cheapest(parts, risks, wishes)
    if expected is None:
        with pytest.raises(InputError):
            plan_visits(parts, risks, wishes)
        return
    plan = plan_visits(parts, risks, wishes)
    assert plan.proven
    # The other model integrates on a grid; its costs are good to a part in a hundred thousand.
    assert plan.costs.total == pytest.approx(expected, rel=2e-5)


def test_the_random_garages_are_of_every_kind() -> None:
    """Some cannot be planned, some visits lie later, some parts are left alone: the comparison is not of one case."""
    kinds = set()
    for seed in range(12):
        parts, risks, wishes = random_garage(seed)
        try:
            plan = plan_visits(parts, risks, wishes)
        except InputError:
            kinds.add("impossible")
            continue
        kinds |= {"later"} if any(visit.miles_from_now > 0 for visit in plan.visits) else set()
        kinds |= {"shared"} if any(len(visit.jobs) > 2 for visit in plan.visits) else set()
        kinds |= {"left"} if plan.left_alone else set()
    assert kinds == {"impossible", "later", "shared", "left"}
