"""What a known car should show next: against tables, textbook formulas, least squares, and by counting."""

from __future__ import annotations

import numpy as np
import pytest

from obdwatch.physics.prediction import Norm, Prediction, predict


@pytest.mark.parametrize(
    ("freedom", "chance", "quantile"),
    # Student's t, one-sided (NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.2).
    [(5, 0.025, 2.571), (10, 0.05, 1.812), (10, 0.001, 4.144), (30, 0.01, 2.457)],
)
def test_the_limit_is_that_of_the_table(freedom: float, chance: float, quantile: float) -> None:
    assert Prediction(1.0, 2.0, freedom, 3).limit(chance) == pytest.approx(2.0 * quantile, abs=2e-3)


def test_the_middle_is_the_weighted_mean_of_norm_and_readings() -> None:
    """Gelman et al., Bayesian Data Analysis, equation 2.12: weights are reciprocal variances.

    The readings lie so far apart (root mean square 1 about the middle) that they confirm the norm's spread.
    """
    apart = 1.17955
    found = predict(Norm(10.0, 2.0, 1.0), np.zeros(3), np.array([13.5 - apart, 13.5, 13.5 + apart]))
    weights = np.array([1.0 / 2.0**2, 3.0 / 1.0**2])
    assert found.middle == pytest.approx(weights @ [10.0, 13.5] / weights.sum(), abs=1e-3)
    assert found.spread == pytest.approx(np.sqrt(1.0 + 1.0 / weights.sum()), abs=1e-3)


def test_without_a_norm_it_is_least_squares() -> None:
    """The least squares of numpy are the reference: with a flat prior the middle is the line through the readings."""
    generator = np.random.default_rng(3)
    at = generator.uniform(-20.0, 20.0, 30)
    values = 5.0 + 0.3 * at + generator.normal(0.0, 0.5, 30)
    found = predict(Norm(0.0, 1e4, 0.5, 0.0, 1e3), at, values, now=12.0)
    assert found.middle == pytest.approx(np.polyval(np.polyfit(at, values, 1), 12.0), abs=1e-3)
    assert found.freedom == 38.0


def test_far_from_what_was_seen_less_is_known() -> None:
    norm = Norm(level=200.0, between=30.0, within=5.0, slope=1.0, slopes=0.5)
    cold = predict(norm, np.array([-30.0, -28.0]), np.array([150.0, 152.0]), now=0.0)
    same = predict(norm, np.array([0.0, 1.0]), np.array([180.0, 182.0]), now=0.0)
    assert cold.spread > 2.0 * same.spread


@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_sound_cars_are_beyond_the_limit_as_often_as_is_said(count: int) -> None:
    """Counted over cars drawn from the norm, each with a spread of its own as the norm allows."""
    norm, chance, cars = Norm(level=3.0, between=1.5, within=0.5), 0.02, 6000
    generator = np.random.default_rng(count)
    beyond = 0
    for _ in range(cars):
        within = norm.within * np.sqrt(8.0 / generator.chisquare(8.0))
        own = generator.normal(norm.level, norm.between)
        readings = generator.normal(own, within, count + 1)
        found = predict(norm, np.zeros(count), readings[:count])
        beyond += readings[count] > found.middle + found.limit(chance)
    # Five standard errors of the count; a car that is not known at all is given a little more room than it needs.
    assert 0.008 < beyond / cars < 0.028
