"""The last value holds until it is too old; nothing is carried beyond that, nothing comes from the future."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdwatch.records import FloatArray
from obdwatch.signals.alignment import align, grid, hold, span
from tests.signals.recordings import drive_of

DRIVE = drive_of({"a": ([1, 2, 10], [5, 6, 7]), "b": ([0], [1])})


def at(*times: float) -> FloatArray:
    return np.array(times, dtype=np.float64)


def test_a_value_holds_until_its_age_and_not_longer() -> None:
    aligned = align(DRIVE, ["a"], at(0.9, 1.0, 1.9, 2.0, 5.0, 5.1, 10.0), max_age=3.0)
    np.testing.assert_array_equal(aligned, [[np.nan, 5, 5, 6, 6, np.nan, 7]])


def test_each_key_may_have_its_own_age() -> None:
    aligned = align(DRIVE, ["a", "b"], at(2.0), max_age=[1.0, 1.0])
    np.testing.assert_array_equal(aligned, [[6], [np.nan]])
    aligned = align(DRIVE, ["a", "b"], at(2.0), max_age=[1.0, 2.0])
    np.testing.assert_array_equal(aligned, [[6], [1]])
    with pytest.raises(ValueError, match="shorter"):
        align(DRIVE, ["a", "b"], at(2.0), max_age=[1.0])


def test_a_signal_that_is_not_there_is_missing_everywhere() -> None:
    assert np.isnan(align(DRIVE, ["nothing"], at(1, 2, 3), max_age=10)).all()


def test_shapes_hold_for_no_times_and_no_keys() -> None:
    assert align(DRIVE, ["a", "b"], at(), 1.0).shape == (2, 0)
    assert align(DRIVE, [], at(1, 2), 1.0).shape == (0, 2)


def test_the_drive_is_not_changed() -> None:
    before = DRIVE.signals["a"].values.copy()
    align(DRIVE, ["a"], at(1, 2, 3), 0.1)
    np.testing.assert_array_equal(DRIVE.signals["a"].values, before)


times = st.lists(st.floats(0, 100, allow_nan=False), min_size=1, max_size=30, unique=True).map(sorted)


@given(times, times, st.floats(0, 50))
def test_every_held_value_is_the_newest_one_and_young_enough(
    samples: list[float], grid_: list[float], age: float
) -> None:
    signal = drive_of({"a": (samples, samples)}).signals["a"]
    for now, value in zip(grid_, hold(signal, np.array(grid_), age), strict=True):
        past = [t for t in samples if t <= now]
        assert (value == past[-1]) if past and now - past[-1] <= age else np.isnan(value)


def test_the_span_and_the_grid_cover_all_signals() -> None:
    assert span(DRIVE) == (0.0, 10.0)
    np.testing.assert_allclose(grid(DRIVE, 2.5), [0, 2.5, 5, 7.5, 10])
    assert span(drive_of({})) is None
    assert grid(drive_of({}), 1.0).shape == (0,)
