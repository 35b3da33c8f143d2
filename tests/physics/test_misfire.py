"""Misfire as a share of firings, worst windows and counts that stand out, against regulation and libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from obdwatch.physics import misfire
from obdwatch.physics.misfire import Worst


@pytest.mark.parametrize(
    ("count", "turns", "cylinders", "percent"),
    [(20, 1000.0, 4, 1.0), (20, 200.0, 4, 5.0), (60, 1000.0, 6, 2.0), (30, 1000.0, 6, 1.0), (500, 1000.0, 4, 25.0)],
)
def test_percent_of_the_firings(count: int, turns: float, cylinders: int, percent: float) -> None:
    """100 n / (turns x cylinders / 2): 40 CFR 86.010-18(h)(2); one dead cylinder of four is 25 %."""
    assert misfire.misfire_percent(count, turns, cylinders) == pytest.approx(percent)


def test_the_floors_are_those_of_the_regulation() -> None:
    """40 CFR 86.010-18(h)(2): 5 % over 200 revolutions, 1 % over 1,000."""
    assert (misfire.CATALYST_WINDOW, misfire.CATALYST_PERCENT) == (200.0, 5.0)
    assert (misfire.EMISSION_WINDOW, misfire.EMISSION_PERCENT) == (1000.0, 1.0)


def test_a_dead_cylinder_is_twenty_five_percent_in_every_window() -> None:
    turns = np.arange(0.0, 5000.0, 50.0)
    worst = misfire.worst_window(turns, turns / 2.0, 200.0, 4)
    assert worst is not None
    assert worst.value == pytest.approx(25.0)
    assert worst.low == pytest.approx(25.0)


def test_less_than_a_window_is_no_window() -> None:
    assert misfire.worst_window(np.array([0.0, 150.0]), np.array([0.0, 9.0]), 200.0, 4) is None
    assert misfire.worst_window(np.empty(0), np.empty(0), 200.0, 4) is None


@pytest.mark.parametrize("seed", range(20))
def test_the_true_worst_window_lies_between_the_bounds(seed: int) -> None:
    """Misfires at known turns, in bursts; the counters are read only now and then."""
    generator = np.random.default_rng(seed)
    bursts = generator.uniform(0.0, 9000.0, 12)
    at = np.sort(np.concatenate([b + generator.uniform(0.0, 120.0, generator.integers(1, 15)) for b in bursts]))
    read = np.concatenate([[0.0], np.cumsum(generator.uniform(40.0, 900.0, 25))])
    counts = np.searchsorted(at, read, side="right").astype(float)
    at = at[at <= read[-1]]
    for window in (200.0, 1000.0):
        inside = np.searchsorted(at, at + window, side="left") - np.arange(len(at))
        true = 100.0 * inside.max() / (window * 2.0)
        worst = misfire.worst_window(read, counts, window, 4)
        assert isinstance(worst, Worst)
        assert worst.low <= true + 1e-9
        assert true <= worst.high + 1e-9
        assert worst.low <= worst.value <= worst.high


def test_dispersion_of_drawn_counts() -> None:
    """Poisson has 1; the negative binomial drawn by numpy has variance over mean 1 / p."""
    generator = np.random.default_rng(6)
    turns = np.full(3000, 500.0)
    poisson, bursty = generator.poisson(4.0, 3000), generator.negative_binomial(4.0 / 3.0, 0.25, 3000)
    drawn = np.stack([poisson, bursty, np.zeros(3000)], axis=1).astype(float)
    found = misfire.dispersion_of(drawn, turns)
    assert found[:2] == pytest.approx([1.0, 4.0], rel=0.1)
    assert np.isnan(found[2])


def test_predictive_tail_against_scipy() -> None:
    """Gamma rate after 15 counts in 3 exposures (Jeffreys), predictive in one more: negative binomial (scipy)."""
    expected = stats.nbinom.sf(11, 15.5, 3.0 / 4.0)
    assert misfire.chance_of_excess(12.0, 1.0, 15.0, 3.0, 1.0) == pytest.approx(expected, rel=1e-9)


def test_false_alarms_of_bursty_counts_stay_rare() -> None:
    """Four equal cylinders whose counts have three times Poisson's variance (negative binomial drawn by numpy)."""
    generator = np.random.default_rng(4)
    drawn = generator.negative_binomial(12.0 / 2.0, 1.0 / 3.0, (4000, 4)).astype(float)
    assert drawn.var() / drawn.mean() == pytest.approx(3.0, rel=0.1)
    alarms = sum(
        misfire.chance_of_excess(float(row.max()), 1.0, float(row.sum() - row.max()), 3.0, 3.0) < 1e-3 for row in drawn
    )
    assert alarms / len(drawn) < 0.005


def test_rates_by_condition_recover_what_was_drawn() -> None:
    generator = np.random.default_rng(7)
    exposure = generator.uniform(0.0, 400.0, (80, 3))
    true = np.array([0.002, 0.0, 0.05])
    counts = generator.poisson(exposure @ true).astype(float)
    assert misfire.rates_by_condition(exposure, counts) == pytest.approx(true, rel=0.2, abs=0.003)


def test_a_condition_never_met_stays_unknown() -> None:
    rates = misfire.rates_by_condition(np.array([[100.0, 0.0], [200.0, 0.0]]), np.array([1.0, 2.0]))
    assert rates[0] == pytest.approx(0.01)
    assert np.isnan(rates[1])


def test_the_speed_dip_takes_the_energy_of_one_firing() -> None:
    """Energy of a flywheel before and after, half J omega squared."""
    dip = misfire.speed_dip(20.0, 0.25, 800.0)
    before, after = 800.0 * np.pi / 30.0, (800.0 - dip) * np.pi / 30.0
    assert 0.5 * 0.25 * (before**2 - after**2) == pytest.approx(20.0, rel=0.05)


def test_scatter_ignores_drift_and_measures_noise() -> None:
    generator = np.random.default_rng(3)
    noise = generator.normal(0.0, 8.0, 4000)
    drift = 700.0 + 60.0 * np.sin(np.arange(4000) / 200.0)
    assert misfire.scatter_of_differences(noise + drift) == pytest.approx(8.0, rel=0.06)
    assert np.isnan(misfire.scatter_of_differences(np.array([1.0, 2.0])))
