"""Median and quantiles of short rows against numpy's."""

from __future__ import annotations

import numpy as np
import pytest

from obdwatch.physics.order_statistics import median, quantiles

SHARES = (0.0, 0.025, 0.2, 0.5, 0.75, 0.975, 1.0)


@pytest.mark.parametrize("count", [1, 2, 3, 10, 41, 300, 7000])
def test_quantiles_are_those_of_numpy(count: int) -> None:
    values = np.random.default_rng(count).normal(size=count).round(1)
    kept = values.copy()
    assert quantiles(values, SHARES) == np.quantile(values, SHARES).tolist()
    assert quantiles(values, (0.025, 0.9)) == np.percentile(values, (2.5, 90.0)).tolist()
    assert median(values) == pytest.approx(float(np.median(values)), rel=1e-15)
    assert median(values.tolist()) == median(values)
    assert np.array_equal(values, kept)


def test_a_median_may_be_without_end() -> None:
    assert median([1.0, np.inf, np.inf]) == np.inf
    assert median([1.0, np.inf]) == np.inf


def test_what_is_unknown_stays_unknown() -> None:
    assert np.isnan(median(np.empty(0)))
    assert np.isnan(median(np.array([np.nan, 1.0, 2.0])))
    assert np.isnan(quantiles(np.array([np.nan, 1.0, 2.0]), SHARES)).all()
