"""Misfire as a share of firings, over the revolutions that regulations judge, and whether a count stands out.

Counters are read seldom, so a worst window is known only between two bounds. Misfires come in bursts: their counts vary
more than Poisson's, and `dispersion` (variance over mean) says by how much. References: 40 CFR 86.010-18(h)(2) for the
windows and percentages; the negative binomial as a Poisson count whose rate is gamma-distributed (textbook).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

from obdwatch.physics.air import Quantity
from obdwatch.physics.order_statistics import median
from obdwatch.records import FloatArray

Places = NDArray[np.intp]

CATALYST_WINDOW, CATALYST_PERCENT = 200.0, 5.0
"""Revolutions over which misfire that ruins the catalyst is judged, and the lowest threshold [%] (86.010-18(h)(2))."""

EMISSION_WINDOW, EMISSION_PERCENT = 1000.0, 1.0
"""Revolutions over which misfire that raises emissions is judged, and the lowest threshold [%] (86.010-18(h)(2))."""


@dataclass(frozen=True, slots=True)
class Worst:
    """Misfire in the worst window [%]: `value` as a mean over the shortest spans between readings, never below `low`,
    what some window must have held; `high` is what one may have held, since misfires between two readings can lie
    anywhere. `seen` [revolutions] is the length of that span.
    """

    value: float
    low: float
    high: float
    seen: float


def firings(revolutions: Quantity, cylinders: int) -> Quantity:
    """Firings of a four-stroke engine in a number of revolutions [-].

    Reference: each cylinder fires once in two revolutions.

    >>> firings(1000.0, 4)
    2000.0
    """
    return revolutions * (cylinders / 2.0)


def misfire_percent(count: Quantity, revolutions: Quantity, cylinders: int) -> Quantity:
    """Misfires as a share of the firings of all cylinders [%].

    Parameters: count of misfires; revolutions [-]; cylinders [-]. Valid: four-stroke engine, revolutions > 0.
    Reference: 40 CFR 86.010-18(h)(2).

    >>> misfire_percent(20, 1000.0, 4), misfire_percent(20, 200.0, 4), misfire_percent(60, 1000.0, 6)
    (1.0, 5.0, 2.0)
    """
    return 100.0 * count / firings(revolutions, cylinders)


def revolutions_of(engine_speed: Quantity, seconds: Quantity) -> Quantity:
    """Revolutions at a constant speed [-]; engine_speed [1/min], seconds [s]. Reference: units.

    >>> revolutions_of(750.0, 60.0)
    750.0
    """
    return engine_speed * seconds / 60.0


def worst_window(revolutions: FloatArray, counts: FloatArray, window: float, cylinders: int) -> Worst | None:
    """Misfire in the worst `window` revolutions of counter readings [%], None where less than one window was seen.

    Parameters: revolutions [n] and counts [n], both cumulative and not falling, at the times the counters were read.
    Valid: any spacing; `low` is what some window must have held (inside one span, or by sharing a longer span out),
    `high` what one window may have held at most. Reference: the windows of 40 CFR 86.010-18(h)(2).

    >>> worst_window(np.array([0.0, 200.0, 400.0, 600.0]), np.array([0.0, 0.0, 20.0, 20.0]), 200.0, 4)
    Worst(value=5.0, low=5.0, high=5.0, seen=200.0)
    >>> worst_window(np.array([0.0, 800.0]), np.array([0.0, 16.0]), 200.0, 4)
    Worst(value=1.0, low=1.0, high=4.0, seen=800.0)
    """
    if len(revolutions) < 2 or revolutions[-1] - revolutions[0] < window:
        return None
    whole = firings(window, cylinders)
    first, last = _spans(revolutions, window)
    length, inside = revolutions[last] - revolutions[first], counts[last] - counts[first]
    mean = 100.0 * inside * window / (length * whole)
    best = int(np.argmax(mean))
    shared = inside / np.ceil(length / window * (1.0 - 1e-12))
    end = np.searchsorted(revolutions, revolutions + window, side="right") - 1
    least = max(float(np.max(shared)), float(np.max(counts[end] - counts)))
    # A window that begins within step i, at its very end at the latest, may reach into every step up to its own end.
    reach = np.searchsorted(revolutions, revolutions[1:] + window * (1.0 - 1e-12), side="left")
    most = float(np.max(counts[np.minimum(reach, len(counts) - 1)] - counts[:-1]))
    low = 100.0 * min(least, whole) / whole
    high = 100.0 * min(most, whole) / whole
    value = max(float(mean[best]), low)
    return Worst(value, low, max(high, value), float(length[best]))


def _spans(revolutions: FloatArray, window: float) -> tuple[Places, Places]:
    """Shortest spans of readings that hold at least a window: from each reading on, and up to each reading."""
    near = window * (1.0 - 1e-12)
    after = np.searchsorted(revolutions, revolutions + near, side="left")
    start = np.flatnonzero(after < len(revolutions))
    before = np.searchsorted(revolutions, revolutions - near, side="right") - 1
    end = np.flatnonzero(before >= 0)
    return np.concatenate([start, before[end]]), np.concatenate([after[start], end])


def chance_of_excess(count: float, exposure: float, others: float, other_exposure: float, dispersion: float) -> float:
    """Probability that a count so high comes from the same rate as `others`, whose rate is itself uncertain [-].

    Parameters: count in `exposure` firings; others, the count in `other_exposure` firings; dispersion >= 1 by which
    both counts are shrunk to independent events. Valid: exposures > 0. Reference: predictive negative binomial of a
    gamma-distributed rate with Jeffreys' prior (textbook).

    >>> round(chance_of_excess(5, 1.0, 15, 3.0, 1.0), 2), chance_of_excess(95, 1.0, 3, 3.0, 3.0) < 1e-9
    (0.56, True)
    """
    if count <= 0.0:
        return 1.0
    return float(betainc(count / dispersion, others / dispersion + 0.5, exposure / (exposure + other_exposure)))


def dispersion_of(counts: FloatArray, exposure: FloatArray) -> FloatArray:
    """Variance over mean of counts at one rate in unequal steps [cylinders]; 1 for Poisson, NaN where nothing counted.

    Parameters: counts [steps, cylinders]; exposure [steps], in revolutions. Valid: two steps at least.
    Reference: Pearson's chi squared over its degrees of freedom (textbook on generalised linear models).

    >>> dispersion_of(np.array([[4.0], [0.0], [8.0], [0.0]]), np.ones(4)).round(2).tolist()
    [4.89]
    """
    kept = exposure > 0.0
    share = exposure[kept] / exposure[kept].sum()
    expected = share[:, None] * counts[kept].sum(axis=0)
    off = (counts[kept] - expected) ** 2
    chi = np.divide(off, expected, out=np.zeros_like(off), where=expected > 0.0).sum(axis=0)
    found: FloatArray = np.where(counts.sum(axis=0) > 0.0, chi / max(int(kept.sum()) - 1, 1), np.nan)
    return found


def rates_by_condition(exposure: FloatArray, counts: FloatArray, rounds: int = 60) -> FloatArray:
    """Misfires per revolution in each condition [conditions], from counts over steps in which conditions mix.

    Parameters: exposure [steps, conditions] in revolutions; counts [steps]. Valid: each condition has its own constant
    rate; one that was never met comes out as NaN. Reference: maximum likelihood of a sum of Poisson counts by
    expectation and maximisation (Shepp and Vardi 1982).

    >>> seen = np.array([[100.0, 0.0], [50.0, 50.0], [0.0, 100.0]])
    >>> rates_by_condition(seen, np.array([0.0, 5.0, 10.0])).round(3).tolist()
    [0.0, 0.1]
    """
    total = exposure.sum(axis=0)
    met = total > 0.0
    rates = np.where(met, counts.sum() / max(float(total.sum()), 1e-12), np.nan)
    if not met.any():
        return rates
    hit = counts > 0.0  # the other steps speak by their exposure alone, which `total` holds
    seen, hits, share = exposure[:, met][hit], counts[hit], np.asarray(rates[met])
    turned, of_met, ratio = seen.T, total[met], np.zeros(len(hits))
    for _ in range(rounds if len(hits) else 0):
        expected = seen @ share
        ratio.fill(0.0)
        np.divide(hits, expected, out=ratio, where=expected > 0.0)
        share = share * (turned @ ratio) / of_met
    rates[met] = share
    return rates


def speed_dip(work: float, inertia: float, engine_speed: float) -> float:
    """Drop of engine speed when one firing fails [1/min].

    Parameters: work that the firing should have done [J]; inertia of crank drive and flywheel [kg m2]; engine_speed
    [1/min]. Valid: small drop, clutch open, no control action within the firing. Reference: energy of a flywheel,
    half J omega squared (textbook).

    >>> round(speed_dip(75.0, 0.2, 700.0), 1)
    48.9
    """
    omega = engine_speed * np.pi / 30.0
    return float(work / (inertia * omega) * 30.0 / np.pi)


def scatter_of_differences(values: FloatArray) -> float:
    """Standard deviation of fast scatter, from differences of successive values; slow drift cancels [unit of values].

    Valid: at least three values, NaN otherwise. Reference: von Neumann's mean square successive difference, here with
    the median absolute difference (0.6745 of a normal standard deviation), which a few steps cannot lift.

    >>> round(scatter_of_differences(np.array([700.0, 710.0, 700.0, 710.0])), 2)
    10.48
    """
    if len(values) < 3:
        return float("nan")
    return float(median(np.abs(values[1:] - values[:-1])) / 0.6745 / np.sqrt(2.0))
