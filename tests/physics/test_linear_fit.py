"""Least squares with errors that hang together: against textbook formulae, a reference library, and by simulation."""

from __future__ import annotations

import numpy as np
import pytest

from obdwatch.physics.linear_fit import fit_shapes, serial_correlation
from obdwatch.records import FloatArray


def autoregression(generator: np.random.Generator, count: int, alike: float, scatter: float) -> FloatArray:
    errors = np.empty(count)
    last = generator.normal(0.0, scatter)
    for i in range(count):
        errors[i] = last
        last = alike * last + generator.normal(0.0, scatter * np.sqrt(1.0 - alike**2))
    return errors


def test_ridge_agrees_with_the_closed_form() -> None:
    # Bayesian linear regression with known noise: (X'X/s2 + P)^-1 X'y/s2 (Gelman et al., chapter 14).
    generator = np.random.default_rng(1)
    shapes = generator.normal(size=(400, 3))
    truth = np.array([1.0, -2.0, 0.5])
    observed = shapes @ truth + generator.normal(0.0, 0.5, 400)
    prior = np.array([5.0, 5.0, 5.0])
    fit = fit_shapes(shapes, observed, prior, np.arange(400.0), 0.5, 2.0)
    closed = np.linalg.solve(shapes.T @ shapes / 0.25 + np.diag(prior**-2.0), shapes.T @ observed / 0.25)
    assert fit.sizes == pytest.approx(closed, abs=0.02)


def test_the_likeness_of_neighbours_is_found() -> None:
    generator = np.random.default_rng(2)
    errors = autoregression(generator, 20000, 0.7, 1.0)
    assert serial_correlation(np.arange(20000.0), errors, 2.0) == pytest.approx(0.7, abs=0.03)
    assert serial_correlation(np.arange(20000.0) * 10.0, errors, 2.0) == 0.0  # no neighbours
    assert serial_correlation(np.arange(5.0), np.ones(5), 2.0) == 0.0


@pytest.mark.parametrize("alike", [0.0, 0.6, 0.85])
def test_the_errors_told_are_the_errors_made(alike: float) -> None:
    # 95 % intervals must hold the truth about 95 times in 100, however alike neighbouring errors are.
    generator = np.random.default_rng(3)
    hits, times = 0, np.arange(400.0)
    shapes = np.stack([np.ones(400), (times > 200.0).astype(np.float64)], axis=1)
    for _ in range(150):
        observed = shapes @ np.array([3.0, 2.0]) + autoregression(generator, 400, alike, 1.0)
        fit = fit_shapes(shapes, observed, np.array([50.0, 50.0]), times, 0.1, 2.0)
        value, sigma = fit.at(np.array([0.0, 1.0]))
        hits += abs(value - 2.0) <= 1.96 * sigma
    assert hits >= 130


def test_outliers_hardly_move_it() -> None:
    generator = np.random.default_rng(4)
    observed = 5.0 + generator.normal(0.0, 1.0, 300)
    observed[::15] = 60.0
    fit = fit_shapes(np.ones((300, 1)), observed, np.array([50.0]), np.arange(300.0), 0.1, 2.0)
    assert fit.sizes[0] == pytest.approx(5.0, abs=0.5)


def test_the_right_shape_has_the_higher_evidence() -> None:
    generator = np.random.default_rng(5)
    x = generator.uniform(0.2, 1.0, 300)
    observed = 10.0 * x + generator.normal(0.0, 0.5, 300)
    right, wrong = (
        fit_shapes(
            np.stack([np.ones(300), shape], axis=1), observed, np.array([20.0, 20.0]), np.arange(300.0), 0.5, 2.0
        )
        for shape in (x, x**3)
    )
    assert right.log_evidence > wrong.log_evidence + 5.0
