"""Least squares with prior knowledge: fits a curve, says how sure it is, and how well a rival explains the same data.

A model maps a table of parameter vectors to a table of curves, so that its derivatives cost one batch. Priors are
normal in the parameters as given (take logarithms of positive quantities). Reference: A. Gelman et al., Bayesian
Data Analysis, chapter 4 (Laplace approximation); D. J. C. MacKay, Information Theory, Inference and Learning
Algorithms, chapter 28 (evidence) (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass

import numpy as np

from obdwatch.records import FloatArray

Model = Callable[[FloatArray], FloatArray]
"""Curves [members, points] from parameters [members, parameters]."""

ITERATIONS = 25
"""Most steps of one fit; it converges in about ten or will not."""

TOLERANCE = 1e-2
"""A step that lowers the cost by less is the last: each gains a fraction of the one before, and the evidence is read to
about 0.1."""

DIFFERENCE = 0.02
"""Step of the numerical derivative, in prior standard deviations: far above rounding, well within curvature."""


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known before the drive: `mean` [parameters] and `covariance` [parameters, parameters]."""

    mean: FloatArray
    covariance: FloatArray

    def spread(self) -> FloatArray:
        """Return the standard deviation of each parameter."""
        return np.sqrt(np.diag(self.covariance))

    def draw(self, count: int, generator: np.random.Generator) -> FloatArray:
        """Return `count` parameter vectors [count, parameters]."""
        factor = np.linalg.cholesky(self.covariance)
        return self.mean + generator.standard_normal((count, len(self.mean))) @ factor.T

    def given(self, row: FloatArray, value: float, deviation: float) -> Prior:
        """Return the prior after one more observation: `row` @ parameters = `value` +- `deviation`.

        >>> narrower = Prior(np.zeros(1), np.eye(1)).given(np.ones(1), 1.0, 1.0)
        >>> float(narrower.mean[0]), float(narrower.covariance[0, 0])
        (0.5, 0.5)
        """
        gain = self.covariance @ row / (row @ self.covariance @ row + deviation**2)
        mean = self.mean + gain * (value - row @ self.mean)
        covariance = self.covariance - np.outer(gain, row @ self.covariance)
        return Prior(mean, (covariance + covariance.T) / 2.0)


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted model: most likely `parameters`, their `covariance`, the fitted `curve`, `log_evidence` of the model."""

    parameters: FloatArray
    covariance: FloatArray
    curve: FloatArray
    log_evidence: float

    def deviation(self, row: FloatArray) -> float:
        """Return the standard deviation of `row` @ parameters."""
        return float(np.sqrt(row @ self.covariance @ row))


@dataclass(frozen=True, slots=True)
class Problem:
    """What `fit` needs besides the model: `observed` and `weight` [points], the `prior`, and where to `start`."""

    observed: FloatArray
    weight: FloatArray
    prior: Prior
    start: FloatArray


def fit(model: Model, observed: FloatArray, weight: FloatArray, prior: Prior, start: FloatArray) -> Fit:
    """Fit `model` to `observed` [points] by damped least squares with a prior (Levenberg-Marquardt).

    Parameters: weight [points] multiplies each residual (one over its standard deviation; 0 leaves a point out);
    start [parameters]. Valid: one maximum near `start`, close to quadratic there.

    >>> line = lambda table: table[:, :1] * np.array([[1.0, 2.0, 3.0]])
    >>> known = Prior(np.zeros(1), np.eye(1) * 100.0)
    >>> done = fit(line, np.array([2.0, 4.0, 6.0]), np.ones(3), known, np.zeros(1))
    >>> float(done.parameters[0].round(2)), round(done.deviation(np.ones(1)), 2)
    (2.0, 0.27)
    """
    return fit_together(model, [Problem(observed, weight, prior, start)])[0]


def fit_together(model: Model, problems: Sequence[Problem]) -> list[Fit]:
    """Fit several problems side by side, so that each step of all of them costs one call of the model.

    The same points for all. Each is fitted as `fit` would fit it alone; where it has fewer parameters than another, the
    rest of its rows is NaN.

    >>> line = lambda table: table[:, :1] * np.array([[1.0, 2.0]])
    >>> known = Prior(np.zeros(1), np.eye(1) * 100.0)
    >>> both = [Problem(np.array([y, 2.0 * y]), np.ones(2), known, np.zeros(1)) for y in (1.0, 3.0)]
    >>> [float(done.parameters[0].round(1)) for done in fit_together(line, both)]
    [1.0, 3.0]
    """
    return fit_beside(model, problems, np.empty((0, 1)))[0]


def fit_beside(model: Model, problems: Sequence[Problem], table: FloatArray) -> tuple[list[Fit], FloatArray]:
    """Fit as `fit_together`, and return the curves of a `table` [members, parameters] too, from the same first call.

    >>> known = Prior(np.zeros(1), np.eye(1) * 100.0)
    >>> one = Problem(np.array([2.0, 4.0]), np.ones(2), known, np.zeros(1))
    >>> fit_beside(lambda table: table[:, :1] * np.array([[1.0, 2.0]]), [one], np.ones((1, 1)))[1].tolist()
    [[1.0, 2.0]]
    """
    fitting = [_fitting(problem) for problem in problems]
    asked = {number: next(one) for number, one in enumerate(fitting)}
    done: dict[int, Fit] = {}
    beside, drawn = [table], table
    while asked:
        tables = [*asked.values(), *beside]
        rows = np.split(model(_stacked(tables)), np.cumsum([len(one) for one in tables])[:-1])
        if beside:
            drawn, beside = rows.pop(), []
        for number, answer in zip(list(asked), rows, strict=True):
            try:
                asked[number] = fitting[number].send(answer)
            except StopIteration as end:
                done[number] = end.value
                del asked[number]
    return [done[number] for number in range(len(problems))], drawn


def _stacked(tables: Sequence[FloatArray]) -> FloatArray:
    widest = max(table.shape[1] for table in tables)
    padding = [np.full((len(table), widest - table.shape[1]), np.nan) for table in tables]
    return np.vstack([np.hstack(pair) for pair in zip(tables, padding, strict=True)])


_Evaluation = Generator[FloatArray, FloatArray, tuple[FloatArray, FloatArray]]


def _fitting(problem: Problem) -> Generator[FloatArray, FloatArray, Fit]:
    """Fit one problem; yields tables of parameters, is sent their curves, and returns the fit."""
    observed, weight, prior = problem.observed, problem.weight, problem.prior
    precision = _inverse(prior.covariance)
    step = DIFFERENCE * prior.spread()
    best, damping = problem.start, 1e-2
    curve, jacobian = yield from _linearised(best, step)
    cost = _cost(curve, observed, weight, best, prior, precision)
    for _ in range(ITERATIONS):
        hessian = (jacobian * weight[:, None] ** 2).T @ jacobian + precision
        gradient = jacobian.T @ (weight**2 * (observed - curve)) - precision @ (best - prior.mean)
        trial = best + np.linalg.solve(hessian + damping * precision, gradient)
        trial_curve, trial_jacobian = yield from _linearised(trial, step)
        trial_cost = _cost(trial_curve, observed, weight, trial, prior, precision)
        if trial_cost >= cost:
            damping *= 10.0
            if damping > 1e6:
                break
            continue
        gained, damping = cost - trial_cost, damping / 5.0
        best, curve, jacobian, cost = trial, trial_curve, trial_jacobian, trial_cost
        if gained < TOLERANCE:
            break
    covariance = _inverse((jacobian * weight[:, None] ** 2).T @ jacobian + precision)
    evidence = -cost + 0.5 * (np.linalg.slogdet(covariance)[1] - np.linalg.slogdet(prior.covariance)[1])
    return Fit(best, covariance, curve, float(evidence))


def _inverse(matrix: FloatArray) -> FloatArray:
    return np.linalg.inv(matrix).astype(np.float64)


def _linearised(at: FloatArray, step: FloatArray) -> _Evaluation:
    curves = yield np.vstack([at, at + np.diag(step), at - np.diag(step)])
    count = len(at)
    slopes = (curves[1 : count + 1] - curves[count + 1 :]) / (2.0 * step[:, None])
    return curves[0], slopes.T


def _cost(
    curve: FloatArray, observed: FloatArray, weight: FloatArray, at: FloatArray, prior: Prior, precision: FloatArray
) -> float:
    off = at - prior.mean
    return float(0.5 * np.sum((weight * (observed - curve)) ** 2) + 0.5 * off @ precision @ off)


def probabilities(log_evidence: FloatArray, prior_probability: FloatArray) -> FloatArray:
    """Return the probability of each rival model [models], given its evidence and its probability beforehand.

    >>> probabilities(np.array([0.0, np.log(3.0)]), np.array([0.5, 0.5])).round(2).tolist()
    [0.25, 0.75]
    """
    score = log_evidence + np.log(prior_probability)
    share: FloatArray = np.exp(score - score.max())
    share /= share.sum()
    return share
