"""Least squares with priors against closed forms and scipy's own optimiser."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import multivariate_normal

from obdwatch.physics.estimation import Prior, fit, probabilities
from obdwatch.records import FloatArray

X = np.linspace(0.0, 2.0, 30)


def line(table: FloatArray) -> FloatArray:
    return table[:, :1] + table[:, 1:2] * X


def bend(table: FloatArray) -> FloatArray:
    return np.exp(table[:, :1]) * (1.0 - np.exp(-np.exp(table[:, 1:2]) * X))


WIDE = Prior(np.array([0.5, -0.3]), np.diag([4.0, 1.0]))


def noisy(curve: FloatArray, seed: int = 0) -> FloatArray:
    return np.asarray(curve + np.random.default_rng(seed).normal(0.0, 0.1, len(X)))


def test_a_straight_line_gives_the_closed_form_of_bayesian_regression() -> None:
    observed = noisy(line(np.array([[1.0, 2.0]]))[0])
    done = fit(line, observed, np.full(len(X), 10.0), WIDE, WIDE.mean)
    design = np.column_stack([np.ones(len(X)), X])
    precision = np.linalg.inv(WIDE.covariance)
    covariance = np.linalg.inv(precision + 100.0 * design.T @ design)
    mean = covariance @ (precision @ WIDE.mean + 100.0 * design.T @ observed)
    np.testing.assert_allclose(done.parameters, mean, rtol=1e-3)
    np.testing.assert_allclose(done.covariance, covariance, rtol=1e-3)


def test_the_evidence_of_a_line_is_the_density_of_the_data() -> None:
    """For a linear model Laplace's form is exact: compare with the marginal normal density, scipy.stats."""
    design = np.column_stack([np.ones(len(X)), X])
    spread = design @ WIDE.covariance @ design.T + 0.01 * np.eye(len(X))
    marginal = multivariate_normal(design @ WIDE.mean, spread)
    noise = multivariate_normal(np.zeros(len(X)), 0.01 * np.eye(len(X)))
    observed = noisy(line(np.array([[1.0, 2.0]]))[0])
    done = fit(line, observed, np.full(len(X), 10.0), WIDE, WIDE.mean)
    assert done.log_evidence == pytest.approx(marginal.logpdf(observed) - noise.logpdf(np.zeros(len(X))), abs=0.02)


def test_a_bent_curve_gives_what_scipy_finds() -> None:
    observed = noisy(bend(np.array([[1.0, 0.5]]))[0], 3)
    done = fit(bend, observed, np.full(len(X), 10.0), WIDE, WIDE.mean)

    def residuals(at: FloatArray) -> FloatArray:
        return np.append(10.0 * (bend(at[None, :])[0] - observed), (at - WIDE.mean) / WIDE.spread())

    np.testing.assert_allclose(done.parameters, least_squares(residuals, WIDE.mean).x, atol=2e-3)


def test_points_without_weight_are_left_out() -> None:
    observed = noisy(line(np.array([[1.0, 2.0]]))[0])
    spoilt = np.where(X > 1.0, 99.0, observed)
    weight = np.where(X > 1.0, 0.0, 10.0)
    np.testing.assert_allclose(
        fit(line, spoilt, weight, WIDE, WIDE.mean).parameters, fit(line, observed, weight, WIDE, WIDE.mean).parameters
    )


def test_without_data_the_prior_stays() -> None:
    done = fit(line, np.zeros(len(X)), np.zeros(len(X)), WIDE, WIDE.mean)
    np.testing.assert_allclose(done.parameters, WIDE.mean)
    np.testing.assert_allclose(done.covariance, WIDE.covariance)
    assert done.log_evidence == pytest.approx(0.0, abs=1e-9)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """1.96 standard deviations hold 95 % of a normal distribution; here over 200 noisy lines drawn from the prior."""
    generator = np.random.default_rng(8)
    inside = 0
    for seed in range(200):
        truth = WIDE.draw(1, generator)
        done = fit(line, noisy(line(truth)[0], seed), np.full(len(X), 10.0), WIDE, WIDE.mean)
        inside += abs(done.parameters[1] - truth[0, 1]) < 1.96 * done.deviation(np.array([0.0, 1.0]))
    assert 180 <= inside <= 199  # binomial, 200 trials at 0.95: 190 +- 3 x 3.1


def test_a_needless_parameter_costs_evidence() -> None:
    observed = noisy(np.full(len(X), 1.0), 5)
    flat = Prior(np.array([0.5, 0.0]), np.diag([4.0, 1e-8]))
    assert (
        fit(line, observed, np.full(len(X), 10.0), flat, flat.mean).log_evidence
        > fit(line, observed, np.full(len(X), 10.0), WIDE, WIDE.mean).log_evidence
    )


def test_draws_have_the_mean_and_spread_of_the_prior() -> None:
    prior = Prior(np.array([1.0, -2.0]), np.array([[2.0, 0.8], [0.8, 1.0]]))
    drawn = prior.draw(20_000, np.random.default_rng(1))
    np.testing.assert_allclose(drawn.mean(axis=0), prior.mean, atol=0.05)
    np.testing.assert_allclose(np.cov(drawn.T), prior.covariance, atol=0.06)


def test_an_observation_of_a_difference_ties_two_parameters() -> None:
    tied = WIDE.given(np.array([1.0, -1.0]), 0.2, 0.01)
    assert tied.mean[0] - tied.mean[1] == pytest.approx(0.2, abs=1e-3)
    row = np.array([1.0, -1.0])
    assert row @ tied.covariance @ row == pytest.approx(1e-4, rel=0.01)
    assert tied.spread()[0] > 0.5  # the sum stays as unknown as it was


def test_probabilities_add_to_one_and_stand_extreme_evidence() -> None:
    share = probabilities(np.array([-1e4, 0.0, -800.0]), np.array([0.9, 0.06, 0.04]))
    assert share.sum() == pytest.approx(1.0)
    assert share[1] == pytest.approx(1.0)
