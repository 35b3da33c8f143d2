"""Median and quantiles of short rows against numpy's."""

from __future__ import annotations

import numpy as np
import pytest

from obdwatch.physics.order_statistics import median, quantiles

SHARES = (0.0, 0.025, 0.2, 0.5, 0.75, 0.975, 1.0)


@pytest.mark.parametrize("count", [1, 2, 3, 10, 41, 300])
def test_quantiles_are_those_of_numpy(count: int) -> None:
    values = np.random.default_rng(count).normal(size=count).round(1)
    assert quantiles(values, SHARES) == pytest.approx(np.quantile(values, SHARES))
    assert median(values) == pytest.approx(float(np.median(values)))


def test_what_is_unknown_stays_unknown() -> None:
    assert np.isnan(median(np.empty(0)))
    assert np.isnan(quantiles(np.array([np.nan, 1.0, 2.0]), SHARES)).all()
