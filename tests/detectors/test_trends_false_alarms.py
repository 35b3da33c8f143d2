"""How often a healthy car ever gets a trend claimed: many drawn cars, judged anew after every drive.

The drives are drawn here: numbers that scatter, and numbers whose drives resemble the ones before. The long versions
(two thousand cars) run with `--nightly`. Seeds are used by no other test, and the rates were not tuned on them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors.trends_confirmed import FEWEST_CONFIRMED, LEVEL, confirmed
from obdwatch.detectors.trends_judgement import BUDGET, FEWEST, movement
from obdwatch.detectors.trends_series import Axis, Series
from obdwatch.detectors.trends_table import Harm
from obdwatch.records import FloatArray
from tests.detectors.many_drives import DAYS_BETWEEN, KM_BETWEEN, alike, rule, weather

DRIVES, NUMBERS = 30, 40
LIMIT = 4.0
"""Standard deviations at which the limits of a detector lie that knows its car (`OWN_SIGMAS` of the fuel trims)."""

PREFILTER = 1.5  # deviations of Kendall's score below which neither a drift nor a shift so rare is possible


def series(
    values: FloatArray,
    limit: float = 6.0,
    outside: FloatArray | None = None,
    judged: bool = False,
    harm: Harm = Harm.BOTH,
) -> Series:
    count = len(values)
    at = 160_000.0 + KM_BETWEEN * np.arange(count)
    days = DAYS_BETWEEN * (count - 1)
    return Series("probe", "n", "degC", rule(harm), Axis.DISTANCE, at, values, outside, days, (-limit, limit), judged)


def gets_a_claim(values: FloatArray, outside: FloatArray) -> bool:
    """Whether a car is ever told of a harmful movement, over all its numbers and drives."""
    signs = np.sign(values[None, :, :] - values[:, None, :])
    for count in range(FEWEST, len(values) + 1):
        rows, columns = np.triu_indices(count, 1)
        score = np.abs(signs[rows, columns].sum(axis=0)) / np.sqrt(count * (count - 1) * (2 * count + 5) / 18.0)
        for number in np.flatnonzero(score > PREFILTER):
            moved = movement(series(values[:count, number], outside=outside[:count]), values.shape[1])
            if moved is not None and moved.harmful and not moved.season:
                return True
    return False


def upper(found: int, of: int) -> float:
    """Return the upper end of the 95 % interval of a share (Wilson 1927)."""
    z, share = 1.96, found / of
    return (share + z**2 / (2 * of) + z * np.sqrt(share * (1 - share) / of + z**2 / (4 * of**2))) / (1 + z**2 / of)


def count_claims(cars: int, correlation: float, seed: int) -> int:
    generator = np.random.default_rng(seed)
    found = 0
    for _ in range(cars):
        outside = weather(DRIVES, generator, generator.uniform(0.0, 365.0))
        found += gets_a_claim(alike(DRIVES, NUMBERS, correlation, generator), outside)
    return found


def count_confirmed(cars: int, correlation: float, seed: int, limit: float = LIMIT) -> int:
    """Cars that get a confirmed claim though every drive is judged faulty by the number's own detector: the worst."""
    generator = np.random.default_rng(seed)
    found = 0
    for _ in range(cars):
        values = alike(DRIVES, NUMBERS, correlation, generator)
        over = np.sign(values) * (np.abs(values) > limit)
        twice = np.argwhere((over[1:] == over[:-1]) & (over[1:] != 0.0))
        found += any(confirmed(series(values[: row + 2, n], limit, judged=True)) for row, n in twice)
    return found


@pytest.mark.nightly
@pytest.mark.parametrize(("correlation", "seed"), [(0.0, 71_203_001), (0.5, 71_203_012)])
def test_two_thousand_healthy_cars_keep_to_the_budget(correlation: float, seed: int) -> None:
    assert upper(count_claims(2000, correlation, seed), 2000) <= 1.5 * BUDGET  # at most 3 cars in 100, as promised


@pytest.mark.parametrize("correlation", [0.0, 0.5])
def test_some_healthy_cars_keep_to_the_budget(correlation: float) -> None:
    assert count_claims(20, correlation, 71_203_003) <= 1


@pytest.mark.nightly
@pytest.mark.parametrize(("correlation", "seed"), [(0.0, 71_203_004), (0.5, 71_203_005), (0.8, 71_203_006)])
def test_two_thousand_cars_with_a_detector_that_always_objects_keep_to_the_budget(
    correlation: float, seed: int
) -> None:
    assert upper(count_confirmed(2000, correlation, seed), 2000) <= BUDGET


def test_a_detector_that_always_objects_confirms_next_to_nothing_in_a_sound_car() -> None:
    assert count_confirmed(200, 0.5, 71_203_007) <= 1


GROWING = np.array([1.95, 1.95, 1.59, 1.66, 5.08, 4.91, 8.39, 10.87, 13.28])
"""Fuel correction at idle [%] of nine drives of an invented car whose crankcase ventilation tears; the limit was 9."""


def test_what_grew_beyond_its_limit_is_told_once_its_own_detector_objects() -> None:
    assert movement(series(GROWING, 9.0), 21) is None  # the order of nine drives alone is no proof among 21 numbers
    moved = movement(series(GROWING, 9.0, judged=True), 21)
    assert moved is not None
    assert moved.harmful
    assert moved.forecast is not None
    assert moved.forecast.distance == 0.0
    assert (moved.first, moved.now) == (1.95, 13.28)  # as measured, not the ends of a line through a bend
    assert moved.interval[0] < moved.now < moved.interval[1]


@pytest.mark.parametrize(
    "changed",
    [
        {"values": GROWING[::-1].copy()},  # it came down again
        {"values": np.append(GROWING[:-1], 8.0)},  # the newest drive is within
        {"values": np.append(np.zeros(8), 13.0)},  # one strange drive
        {"rule": rule(Harm.FALL)},  # the harmless way
        {"limits": (None, None)},
    ],
)
def test_nothing_is_confirmed_without_two_drives_beyond_in_order(changed: dict[str, object]) -> None:
    told = replace(series(GROWING, 9.0, judged=True), **changed)  # type: ignore[arg-type]
    assert not confirmed(told)


def test_five_drives_in_order_are_the_fewest() -> None:
    """One order of 5! = 120 rises all the way: 0.0083 in the direction of the limit; of 4! it is 0.042."""
    rising = np.array([1.0, 3.0, 6.0, 10.0, 12.0])
    assert 1.0 / 120.0 <= LEVEL < 1.0 / 24.0
    assert len(rising) == FEWEST_CONFIRMED
    assert confirmed(series(rising, 9.0, judged=True))
    assert not confirmed(series(rising[1:], 9.0, judged=True))
    assert not confirmed(series(rising[[1, 0, 2, 3, 4]], 9.0, judged=True))


def test_a_movement_that_the_weather_explains_is_not_confirmed() -> None:
    outside = np.array([0.0, 5.0, 2.0, 13.0, 9.0, 20.0, 16.0, 33.0, 24.0, 28.0])
    values = 0.4 * outside + np.array([0.3, -0.3, 0.2, 0.1, -0.2, 0.2, -0.3, 0.1, 0.2, -0.2])
    assert confirmed(series(values, 8.0, judged=True))
    assert not confirmed(series(values, 8.0, outside, judged=True))
    mild = np.sort(outside)[[3, 8, 1, 6, 0, 9, 4, 2, 7, 5]]  # the same weather in another order explains nothing
    assert confirmed(series(values, 8.0, mild, judged=True))
