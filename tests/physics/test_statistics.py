"""Trend statistics against published worked examples, reference libraries, and counting every case by hand."""

from __future__ import annotations

import itertools
import json
import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from obdwatch.physics import statistics, statistics_shift
from tests.shared_data import shared


@pytest.fixture(scope="module")
def examples() -> Any:
    return json.loads(shared("reference/trend_examples.json").read_text())


def test_mann_kendall_and_slope_of_a_series_worked_by_hand(examples: Any) -> None:
    # College of the Holy Cross, "Mann-Kendall by hand"; slope and interval from two statistics libraries.
    known = examples["mann_kendall_hand"]
    values = np.array(known["x"])
    found = statistics.mann_kendall(values)
    assert (found.score, found.variance) == (known["S"], pytest.approx(known["var_S"]))
    assert found.normal == pytest.approx(known["Z"], abs=1e-6)
    assert found.probability == pytest.approx(known["p_two_sided"], abs=1e-6)
    line = statistics.theil_sen(np.arange(len(values), dtype=float), values)
    assert line is not None
    assert line.slope == pytest.approx(known["sen_slope"], abs=1e-6)
    assert line.intercept == pytest.approx(known["sen_intercept"], abs=1e-6)
    assert (line.low, line.high) == pytest.approx(tuple(known["sen_ci95"]), abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("count", [4, 9, 30])
def test_slopes_agree_with_scipy_with_ties_and_uneven_steps(seed: int, count: int) -> None:
    generator = np.random.default_rng(seed)
    at, values = np.sort(generator.integers(0, 40, count)).astype(float), generator.integers(0, 9, count).astype(float)
    line = statistics.theil_sen(at, values)
    reference = stats.theilslopes(values, at, 0.95)
    assert line is not None
    assert (line.slope, line.low, line.high) == pytest.approx((reference[0], reference[2], reference[3]))


@pytest.mark.parametrize("seed", range(4))
def test_the_score_is_that_of_looking_at_every_pair(seed: int) -> None:
    values = np.random.default_rng(seed).integers(0, 12, 60).astype(float)
    pairs = itertools.combinations(values.tolist(), 2)
    assert statistics.mann_kendall(values).score == sum((b > a) - (b < a) for a, b in pairs)
    assert statistics.average_ranks(values) == pytest.approx(stats.rankdata(values))


def test_a_slope_of_values_at_one_place_is_none() -> None:
    assert statistics.theil_sen(np.ones(5), np.arange(5.0)) is None


@pytest.mark.parametrize("count", [3, 6, 7])
def test_exact_probabilities_are_those_of_counting_every_order(count: int) -> None:
    scores = [abs(statistics.mann_kendall(np.array(one, dtype=float)).score) for one in _orders(count)]
    for score in set(scores):
        share = sum(other >= score for other in scores) / len(scores) if score else 1.0
        assert statistics.exact_probability(score, count) == pytest.approx(share)


@pytest.mark.parametrize("count", [8, 15, 33])
def test_exact_probabilities_agree_with_scipy(count: int) -> None:
    values = np.random.default_rng(count).normal(size=count) + 0.1 * np.arange(count)
    reference = stats.kendalltau(np.arange(count), values, method="exact").pvalue
    assert statistics.trend_probability(values) == pytest.approx(reference)


def test_the_exact_tail_is_below_the_normal_one_where_many_tests_look() -> None:
    falling = -np.arange(12.0)
    assert statistics.trend_probability(falling) == pytest.approx(2.0 / math.factorial(12))
    assert statistics.mann_kendall(falling).probability > 1e-6


def _orders(count: int) -> list[tuple[int, ...]]:
    return list(itertools.permutations(range(count)))


def test_the_nile_changes_after_1898(examples: Any) -> None:
    # Annual flow at Aswan 1871-1970; change, means and statistics from three libraries.
    known = examples["nile"]
    volume = np.array(known["volume"])
    for found in (statistics_shift.pettitt(volume), statistics_shift.rank_shift(volume)):
        assert 1870 + found.before == known["last_year_before_change"]
        assert volume[: found.before].mean() == pytest.approx(known["mean_before"], abs=0.01)
        assert volume[found.before :].mean() == pytest.approx(known["mean_after"], abs=0.01)
    pettitt = statistics_shift.pettitt(volume)
    assert pettitt.statistic == known["pettitt_K"]
    assert pettitt.probability == pytest.approx(known["pettitt_p"], rel=1e-3)
    assert statistics.mann_kendall(volume).normal == pytest.approx(known["mk_z"], abs=1e-6)
    line = statistics.theil_sen(np.arange(100.0), volume)
    assert line is not None
    assert line.slope == pytest.approx(known["mk_slope"])


def test_the_nist_cusum_example(examples: Any) -> None:
    known = examples["nist_cusum_6323"]
    found = statistics_shift.cusum(np.array(known["x"]), known["target"], known["k"], known["h"])
    assert found.above == pytest.approx(known["S_hi"], abs=1e-9)
    assert found.below == pytest.approx(known["S_lo"], abs=1e-9)
    assert found.signal == known["first_signal_index_1based"] - 1


def test_the_nist_moving_average_example(examples: Any) -> None:
    known = examples["nist_ewma_6324"]
    found = statistics_shift.ewma(np.array(known["x"]), known["lam"], known["ewma0"])
    assert found == pytest.approx(known["ewma"], abs=1e-3)
    low, high = statistics_shift.ewma_limits(known["ewma0"], known["s"], known["lam"])
    assert (low, high) == pytest.approx((known["lcl"], known["ucl"]), abs=1e-3)
    assert np.count_nonzero((found < low) | (found > high)) == known["signals"]


def test_the_misfire_average_of_the_standard(examples: Any) -> None:
    # SAE J1979 service 06, test 0B: 0.1 x current + 0.9 x previous average.
    known = examples["ewma_misfire_j1979"]
    found = statistics_shift.ewma(np.array(known["counts"], dtype=float), 0.1, 0.0)
    assert found == pytest.approx(known["ewma"])


@pytest.mark.parametrize("first", [3, 5, 9])
def test_a_shift_has_the_probability_of_the_rank_sum_test(first: int) -> None:
    generator = np.random.default_rng(first)
    values = np.concatenate([generator.normal(size=first), generator.normal(size=15 - first) + 2.5])
    found = statistics_shift.rank_shift(values)
    one = stats.mannwhitneyu(values[: found.before], values[found.before :], method="exact").pvalue
    assert found.probability == pytest.approx(min(1.0, one * (15 - 5)))


@pytest.mark.parametrize("count", [12, 25])
def test_shifts_by_chance_are_no_more_frequent_than_said(count: int) -> None:
    generator = np.random.default_rng(7)
    found = [statistics_shift.rank_shift(row).probability for row in generator.normal(size=(2000, count))]
    assert np.mean(np.array(found) <= 0.05) <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / 2000)


def test_neighbours_that_resemble_each_other_count_for_less() -> None:
    generator = np.random.default_rng(5)
    at = np.arange(30.0)
    alike = np.zeros(30)
    inflation = []
    for _ in range(400):
        alike[0] = generator.normal()
        for place in range(1, 30):
            alike[place] = 0.6 * alike[place - 1] + math.sqrt(1.0 - 0.36) * generator.normal()
        line = statistics.theil_sen(at, alike)
        assert line is not None
        inflation.append(statistics.variance_inflation(at, alike, line.slope))
    assert np.median(inflation) == pytest.approx((1.0 + 0.6) / (1.0 - 0.6), rel=0.3)  # first-order process, by formula
    free = [statistics.variance_inflation(at, row, 0.0) for row in generator.normal(size=(200, 30))]
    assert np.median(free) < 1.3


@pytest.mark.parametrize("seed", range(5))
def test_many_tests_at_once_agree_with_scipy_and_the_definition(seed: int) -> None:
    found = np.random.default_rng(seed).uniform(0.0, 0.2, 12)
    assert statistics.benjamini_hochberg(found) == pytest.approx(stats.false_discovery_control(found))
    order = np.sort(found)
    by_hand = [min(1.0, max((12 - k) * order[k] for k in range(place + 1))) for place in range(12)]
    assert np.sort(statistics.holm(found)) == pytest.approx(by_hand)
    assert np.argsort(statistics.holm(found), kind="stable")[0] == np.argmin(found)


@pytest.mark.parametrize("values", [[], [1.0], [2.0] * 7], ids=["none", "one", "all the same"])
def test_series_without_a_trend_to_find_say_so(values: list[float]) -> None:
    series = np.array(values)
    assert statistics.trend_probability(series) == 1.0
    assert statistics_shift.pettitt(series).probability == 1.0
    assert statistics_shift.rank_shift(series).probability == 1.0
    assert statistics.partial_trend(series, series)[1] == 1.0


def test_a_partial_trend_is_the_partial_correlation_of_scipy_and_least_squares() -> None:
    generator = np.random.default_rng(2)
    order, outside = np.arange(25.0), generator.normal(size=25)
    scores = stats.norm.ppf(np.arange(1, 26) / 26.0)
    values = scores[generator.permutation(25)] + 0.0
    table = np.column_stack([np.ones(25), outside, order])
    solved, left, _, _ = np.linalg.lstsq(table, values, rcond=None)
    error = math.sqrt(float(left[0]) / 22.0 * np.linalg.inv(table.T @ table)[2, 2])
    t, probability = statistics.partial_trend(values, outside)
    assert t == pytest.approx(solved[2] / error)
    assert probability == pytest.approx(2.0 * stats.t.sf(abs(t), 22))


def test_a_partial_trend_claims_no_weather_as_one_and_finds_what_lies_beside_it() -> None:
    generator = np.random.default_rng(3)
    weather = drifting = 0
    for _ in range(400):
        outside = np.linspace(20.0, -5.0, 25) + generator.normal(0.0, 5.0, 25)
        values = 0.3 * outside + generator.normal(0.0, 2.0, 25)
        weather += statistics.partial_trend(values, outside)[1] < 0.01
        drifting += statistics.partial_trend(values - 0.8 * np.arange(25.0), outside)[1] < 0.01
    assert weather <= 12
    assert drifting > 380


@pytest.mark.parametrize("inflation", [1.5, 3.0])
def test_an_inflated_probability_is_that_of_the_smaller_score(inflation: float) -> None:
    found = statistics.inflated_probability(2.0 * stats.norm.sf(5.0), inflation)
    assert found == pytest.approx(2.0 * stats.norm.sf(5.0 / math.sqrt(inflation)))
    assert statistics.inflated_probability(0.0, inflation) < 1e-30
