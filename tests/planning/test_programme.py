"""The integer programme against trying every choice, on random small cases."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.planning.programme import Programme, least, solve, total
from obdwatch.planning.shared_items import asked_for, groups_of

CENT = 0.01


@st.composite
def programmes(draw: st.DrawFn) -> Programme:
    """Up to five jobs, three visits and four shared items, in whole cents; limits that bind now and then."""
    jobs, visits, items = draw(st.integers(1, 5)), draw(st.integers(1, 3)), draw(st.integers(1, 4))

    def amounts(*shape: int) -> np.ndarray:  # type: ignore[type-arg]
        count = int(np.prod(shape))
        values = draw(st.lists(st.integers(0, 50_000), min_size=count, max_size=count))
        return np.array(values, float).reshape(shape) * CENT

    flags = draw(st.lists(st.booleans(), min_size=jobs * items, max_size=jobs * items))
    allowed = draw(st.lists(st.sampled_from([True, True, True, False]), min_size=jobs * visits, max_size=jobs * visits))
    last = draw(st.lists(st.sampled_from([True, True, False]), min_size=jobs, max_size=jobs))
    return Programme(
        cost=amounts(jobs, visits + 1) * 2,
        allowed=np.column_stack([np.array(allowed, bool).reshape(jobs, visits), np.array(last, bool)]),
        money=amounts(jobs),
        hours=amounts(jobs) / 100,
        needs=np.array(flags, bool).reshape(jobs, items),
        item_cost=amounts(items),
        item_money=amounts(items),
        item_hours=amounts(items) / 100,
        most_money=draw(st.none() | st.integers(0, 100_000).map(lambda cents: cents * CENT)),
        most_hours=draw(st.none() | st.integers(0, 100_000).map(lambda cents: cents * CENT / 100)),
    )


def by_hand(p: Programme, choice: tuple[int, ...]) -> float | None:
    """The cost of a choice in plain loops, None where it breaks a rule."""
    none = p.cost.shape[1] - 1
    cost = 0.0
    for job, visit in enumerate(choice):
        if not p.allowed[job][visit]:
            return None
        cost += p.cost[job][visit]
    for visit in range(none):
        here = [job for job, chosen in enumerate(choice) if chosen == visit]
        shared = {item for job in here for item in range(len(p.item_cost)) if p.needs[job][item]}
        cost += sum(p.item_cost[item] for item in shared)
        money = sum(p.money[job] for job in here) + sum(p.item_money[item] for item in shared)
        hours = sum(p.hours[job] for job in here) + sum(p.item_hours[item] for item in shared)
        if p.most_money is not None and money > p.most_money + 1e-7:
            return None
        if p.most_hours is not None and hours > p.most_hours + 1e-7:
            return None
    return cost


def every_choice(p: Programme) -> dict[tuple[int, ...], float]:
    jobs, choices = p.cost.shape
    costs = {choice: by_hand(p, choice) for choice in itertools.product(range(choices), repeat=jobs)}
    return {choice: cost for choice, cost in costs.items() if cost is not None}


@settings(max_examples=120, deadline=None)
@given(programmes())
def test_nothing_is_cheaper_than_what_it_finds(p: Programme) -> None:
    possible = every_choice(p)
    found = solve(p)
    if not possible:
        assert found is None
        return
    assert found is not None
    assert found.proven
    assert found.visit_of in possible
    # Whole cents: two sums that differ at all differ by a cent, so this is equality.
    assert abs(found.cost - min(possible.values())) < CENT / 2
    assert total(p, found.visit_of) == pytest.approx(possible[found.visit_of], abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(programmes())
def test_the_least_limit_is_the_least_that_leaves_a_choice(p: Programme) -> None:
    from obdwatch.planning.programme import limited

    needed = least(p, "money")
    if needed is None:
        assert every_choice(limited(p, "money", None)) == {}
        return
    assert every_choice(limited(p, "money", needed + CENT / 10))
    if needed > CENT:
        assert not every_choice(limited(p, "money", needed - CENT))


def test_without_jobs_there_is_nothing_to_do() -> None:
    nothing = np.zeros(0)
    found = solve(
        Programme(np.zeros((0, 3)), np.zeros((0, 3), bool), nothing, nothing, np.zeros((0, 1), bool), *[np.ones(1)] * 3)
    )
    assert found is not None
    assert (found.visit_of, found.cost, found.proven) == ((), 0.0, True)


@given(st.integers(1, 6), st.integers(1, 6), st.data())
def test_the_terse_items_ask_for_all_that_is_needed(jobs: int, items: int, data: st.DataObject) -> None:
    flags = data.draw(st.lists(st.booleans(), min_size=jobs * items, max_size=jobs * items))
    needs = np.array(flags, bool).reshape(jobs, items)
    groups = groups_of(needs)
    assert sorted(item for group in groups for item in group) == list(range(items))
    terse = needs[:, [group[0] for group in groups]]
    by_job, by_item = asked_for(terse)
    for job in range(jobs):
        reached = {item for asking, item in by_job if asking == job}
        while more := {other for item, other in by_item if item in reached} - reached:
            reached |= more
        assert reached == set(np.flatnonzero(terse[job]))
