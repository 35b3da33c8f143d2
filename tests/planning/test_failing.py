"""Failure over distance: through what is known, never falling, and its areas against numerical integration (scipy)."""

from __future__ import annotations

import doctest
import importlib
import itertools
import math
import pkgutil
from types import ModuleType

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

import obdwatch.planning
from obdwatch.planning.failing import FailureCurve, curve_for, curve_through
from obdwatch.units import KM_PER_MILE
from tests.planning.garage import AGEING, part, risk

chances = st.lists(st.floats(0.0, 0.999), min_size=3, max_size=3).map(sorted)
MODULES = [
    importlib.import_module(f"obdwatch.planning.{found.name}")
    for found in pkgutil.iter_modules(obdwatch.planning.__path__)
]


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_the_examples_in_the_docstrings_are_right(module: ModuleType) -> None:
    assert doctest.testmod(module).failed == 0


def curve_of(within: list[float]) -> FailureCurve:
    return curve_through(dict(zip((1000, 5000, 10000), within, strict=True)))


@given(chances)
def test_it_goes_through_what_is_known_and_never_falls(within: list[float]) -> None:
    curve = curve_of(within)
    for miles, chance in zip((1000, 5000, 10000), within, strict=True):
        assert curve.fails_within(miles) == pytest.approx(chance, abs=1e-9)
    line = [curve.fails_within(miles) for miles in range(0, 30_000, 250)]
    assert line[0] == 0.0
    assert all(0.0 <= a <= b + 1e-12 <= 1.0 + 1e-12 for a, b in itertools.pairwise(line))


@given(chances, st.floats(0, 12_000), st.floats(0, 12_000))
def test_the_distance_covered_is_the_area_under_survival(within: list[float], one: float, other: float) -> None:
    curve, (begin, end) = curve_of(within), sorted((one, other))
    area = quad(lambda miles: 1.0 - curve.fails_within(miles), begin, end, points=(1000, 5000, 10000), limit=200)[0]
    assert curve.running_miles(begin, end) == pytest.approx(area, rel=1e-6, abs=1e-3)


@given(st.floats(1e-5, 1e-3), st.floats(0, 20_000))
def test_a_constant_hazard_leaves_the_same_life_at_any_distance(rate: float, at: float) -> None:
    """The mean of the exponential distribution is 1 / rate and it has no memory (NIST e-Handbook 8.1.6.1)."""
    curve = curve_through({miles: -math.expm1(-rate * miles) for miles in (1000, 5000, 10000)})
    if rate * 10_000 < 15:  # beyond, the probability is too near one to tell the rate
        assert curve.miles_left(at) == pytest.approx(1.0 / rate, rel=1e-4)
        assert curve.fails_between(at, at + 500) == pytest.approx(-math.expm1(-rate * 500), rel=1e-4)


def test_a_part_that_never_fails_has_endless_life_and_a_certain_one_next_to_none() -> None:
    assert curve_of([0.0, 0.0, 0.0]).miles_left(0.0) == math.inf
    assert curve_of([1.0, 1.0, 1.0]).miles_left(0.0) < 60.0
    assert curve_of([1.0, 1.0, 1.0]).fails_within(10_000) == pytest.approx(1.0)


def test_a_probability_that_falls_is_taken_as_level_and_a_false_one_refused() -> None:
    assert curve_of([0.3, 0.2, 0.4]).fails_within(5000) == pytest.approx(0.3)
    for wrong in ([0.1, 0.2, 1.2], [0.1, math.nan, 0.2], [-0.1, 0.2, 0.3]):
        with pytest.raises(ValueError, match="not between 0 and 1"):
            curve_of(wrong)
    with pytest.raises(ValueError, match="above zero"):
        curve_through({})


def test_beyond_what_is_known_the_life_of_the_catalogue_goes_on() -> None:
    """A part that wears out has less life left than one whose hazard stays what it is."""
    one = part("alternator")
    aged = curve_for(one, risk("alternator", AGEING, 0.3))
    level = curve_through(dict(zip((1000, 5000, 10000), AGEING, strict=True)))
    assert aged.fails_within(10_000) == pytest.approx(level.fails_within(10_000))
    assert aged.fails_within(40_000) > level.fails_within(40_000) + 0.05
    assert aged.miles_left(0.0) < level.miles_left(0.0)
    mean = (one.onset.scale_km * math.gamma(1 + 1 / 3) + one.to_failure.scale_km * math.gamma(1.5)) / KM_PER_MILE
    assert aged.miles_left(0.0) < mean
