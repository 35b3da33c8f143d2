"""Differences between two groups against general statistics (scipy) and a published worked example."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from obdwatch.physics.two_samples import (
    Level,
    compare_rates,
    difference,
    error_of_mean,
    level_of,
    levels_alike,
    shares_differ,
)

RNG = np.random.default_rng(8)


@pytest.mark.parametrize(("before", "after"), [(2, 2), (3, 7), (12, 5), (40, 40)])
def test_without_an_assumption_the_test_is_welchs(before: int, after: int) -> None:
    one, other = RNG.normal(5.0, 1.0, before), RNG.normal(6.0, 3.0, after)
    found, reference = difference(level_of(one), level_of(other)), stats.ttest_ind(other, one, equal_var=False)
    interval = reference.confidence_interval(0.95)
    assert found.t == pytest.approx(reference.statistic)
    assert found.freedom == pytest.approx(reference.df)
    assert found.probability == pytest.approx(reference.pvalue)
    assert found.interval == pytest.approx((interval.low, interval.high))


def test_the_two_sample_example_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.3, fuel economy of two groups of cars; means, deviations and t from memory."""
    one = Level(20.14458, 6.41470 / math.sqrt(249), 248.0, 249)
    other = Level(30.48101, 6.10771 / math.sqrt(79), 78.0, 79)
    found = difference(one, other)
    assert found.t == pytest.approx(12.9463, abs=5e-4)
    assert found.freedom == pytest.approx(136.875, abs=0.01)


def test_one_drive_alone_is_worth_what_is_assumed_and_many_are_worth_themselves() -> None:
    alone = level_of(np.array([3.0]), scatter=2.0, scatter_freedom=4.0)
    assert (alone.error, alone.freedom) == (2.0, 4.0)
    assert alone.interval() == pytest.approx(tuple(3.0 + 2.0 * stats.t.ppf([0.025, 0.975], 4)))
    values = RNG.normal(0.0, 1.0, 4000)
    assert level_of(values, 20.0, 4.0).error == pytest.approx(level_of(values).error, rel=0.25)


def test_one_drive_without_an_assumption_tells_nothing() -> None:
    found = difference(level_of(np.array([3.0])), level_of(np.array([9.0])), 0.95)
    assert found.probability in (0.0, 1.0)
    assert level_of(np.array([3.0])).interval() == (-math.inf, math.inf)


def test_the_moderated_interval_holds_its_level_where_the_assumption_is_true() -> None:
    """Scatters drawn as the moderated variance supposes (scaled inverse chi squared with 4 degrees of freedom)."""
    inside, rounds = 0, 3000
    for _ in range(rounds):
        scatter = math.sqrt(4.0 * 1.5**2 / RNG.chisquare(4))
        low, high = level_of(RNG.normal(10.0, scatter, 2), 1.5, 4.0).interval()
        inside += low <= 10.0 <= high
    assert inside / rounds == pytest.approx(0.95, abs=0.015)


@pytest.mark.parametrize(
    ("before", "after", "longer"), [(20, 5, 1.0), (3, 0, 1.0), (0, 4, 2.0), (7, 7, 0.5), (120, 90, 1.3), (1, 0, 3.0)]
)
def test_rates_are_compared_as_the_exact_binomial_does(before: int, after: int, longer: float) -> None:
    found = compare_rates(before, 1000.0, after, 1000.0 * longer)
    share = longer / (1.0 + longer)
    total = before + after
    low, high = stats.binomtest(after, total, share).proportion_ci(0.95, "exact")
    assert found.interval[0] == pytest.approx(low / (1.0 - low) / longer)
    assert found.interval[1] == (pytest.approx(high / (1.0 - high) / longer) if high < 1.0 else math.inf)
    tails = stats.binom.cdf(after, total, share), stats.binom.sf(after - 1, total, share)
    assert found.probability == pytest.approx(min(1.0, 2.0 * min(tails)))


def test_the_exact_comparison_of_rates_agrees_with_the_e_test_where_counts_are_large() -> None:
    found = compare_rates(180, 1000.0, 140, 1000.0)
    reference = stats.poisson_means_test(180, 1000.0, 140, 1000.0)
    assert found.probability == pytest.approx(reference.pvalue, rel=0.25)


def test_exchanging_the_sides_inverts_the_ratio_and_keeps_the_probability() -> None:
    one, other = compare_rates(20, 1000.0, 5, 1400.0), compare_rates(5, 1400.0, 20, 1000.0)
    assert one.probability == pytest.approx(other.probability)
    assert one.ratio == pytest.approx(1.0 / other.ratio)
    assert one.interval == pytest.approx((1.0 / other.interval[1], 1.0 / other.interval[0]))


@pytest.mark.parametrize(("before", "after"), [((3, 3), (0, 3)), ((4, 4), (0, 4)), ((2, 5), (1, 6)), ((0, 3), (0, 2))])
def test_shares_are_compared_by_fishers_tails(before: tuple[int, int], after: tuple[int, int]) -> None:
    table = [[before[0], before[1] - before[0]], [after[0], after[1] - after[0]]]
    tails = [stats.fisher_exact(table, alternative=side).pvalue for side in ("less", "greater")]
    assert shares_differ(*before, *after) == pytest.approx(min(1.0, 2.0 * min(tails)))


def test_the_error_of_a_mean_of_neighbours_that_resemble_each_other_is_that_of_a_block_bootstrap() -> None:
    noise = RNG.normal(0.0, 1.0, 4000)
    values = np.convolve(noise, np.ones(10) / 10.0, mode="same")  # remembers ten readings
    blocks = np.floor(np.arange(4000.0) / 100.0)
    parts = values.reshape(40, 100)
    means = [parts[RNG.integers(0, 40, 40)].mean() for _ in range(4000)]
    assert error_of_mean(values, blocks) == pytest.approx(float(np.std(means)), rel=0.05)
    assert error_of_mean(values, blocks) > 2.0 * float(np.std(values)) / math.sqrt(4000)
    assert math.isnan(error_of_mean(values, np.zeros(4000)))


def test_levels_on_like_conditions_are_those_of_the_drives_and_not_of_the_road() -> None:
    drive, cell = np.array([0.0, 2.0, -1.0]), np.array([0.0, 10.0, 20.0, 30.0])
    values = drive[:, None] + cell[None, :]
    values[0, 3] = values[1, 0] = values[2, 1] = np.nan  # each drive lacks another road
    weights = np.where(np.isfinite(values), RNG.uniform(1.0, 9.0, values.shape), 0.0)
    levels = levels_alike(values, weights)
    assert levels - levels[0] == pytest.approx(drive)
    assert abs(np.nanmean(values[1]) - np.nanmean(values[0]) - 2.0) > 5.0  # plain means would be misled


def test_a_drive_that_shares_no_condition_with_the_others_has_no_level() -> None:
    values = np.array([[1.0, np.nan], [2.0, np.nan], [np.nan, 9.0]])
    levels = levels_alike(values, np.where(np.isfinite(values), 1.0, 0.0))
    assert levels[:2] == pytest.approx([1.0, 2.0])
    assert math.isnan(levels[2])
