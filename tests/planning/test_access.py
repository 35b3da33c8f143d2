"""What must be opened for a part: order, union, and refusals; the order is held against Python's own graphlib."""

from __future__ import annotations

import graphlib
from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdwatch.errors import InputError
from obdwatch.parts.part import AccessStep
from obdwatch.planning.access import hours_of, opened_for
from tests.planning.garage import STEPS


@st.composite
def step_tables(draw: st.DrawFn) -> dict[str, AccessStep]:
    """Up to eight steps, each needing some of those before it, so that there is no circle."""
    names = draw(st.permutations("abcdefgh"))[: draw(st.integers(1, 8))]
    return {
        name: AccessStep(name, name, draw(st.integers(0, 8)) / 4, tuple(draw(st.sets(st.sampled_from(names[:at])))))
        if at
        else AccessStep(name, name, 0.5)
        for at, name in enumerate(names)
    }


def reachable(steps: Mapping[str, AccessStep], wanted: set[str]) -> set[str]:
    """Everything the wanted steps need, by growing the set until it stays."""
    found = set(wanted)
    while more := {need for step in found for need in steps[step].needs} - found:
        found |= more
    return found


@given(step_tables(), st.data())
def test_everything_needed_is_opened_once_and_after_what_it_needs(
    steps: dict[str, AccessStep], data: st.DataObject
) -> None:
    wanted = data.draw(st.sets(st.sampled_from(sorted(steps))))
    opened = opened_for(wanted, steps)
    assert sorted(opened) == sorted(reachable(steps, wanted))
    place = {step: at for at, step in enumerate(opened)}
    assert all(place[need] < place[step] for step in opened for need in steps[step].needs)
    # graphlib accepts the same steps as a graph without circles.
    tuple(graphlib.TopologicalSorter({step: steps[step].needs for step in opened}).static_order())
    assert hours_of(opened, steps) == sum(steps[step].hours for step in reachable(steps, wanted))


def test_a_shared_step_counts_once() -> None:
    both = opened_for(["intake_manifold", "engine_cover", "intake_manifold"], STEPS)
    assert hours_of(both, STEPS) == 0.25 + 0.25 + 0.25 + 1.5  # cover, hoses, battery, manifold, added by hand


def test_nothing_wanted_opens_nothing() -> None:
    assert opened_for([], STEPS) == ()
    assert hours_of((), STEPS) == 0.0


@pytest.mark.parametrize(
    ("needs", "said"),
    [
        ({"a": ("b",), "b": ("c",), "c": ("a",)}, "a needs b needs c needs a"),
        ({"a": ("a",)}, "a needs a"),
        ({"a": ("b",), "b": ("c",), "c": ("b",)}, "b needs c needs b"),
        ({"a": ("nowhere",)}, "access step 'a' needs the access step 'nowhere'"),
        ({}, "a part needs the access step 'a'"),
    ],
)
def test_circles_and_unknown_steps_are_named(needs: dict[str, tuple[str, ...]], said: str) -> None:
    steps = {step: AccessStep(step, step, 1.0, before) for step, before in needs.items()}
    with pytest.raises(InputError) as refusal:
        opened_for(["a"], steps)
    assert said in str(refusal.value)
