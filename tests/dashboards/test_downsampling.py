"""Extremes and gaps must survive every reduction, whatever the signal; checked on exact cases and at random."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.downsampling import NEIGHBOURHOOD, POINTS, Trace, trace_of, usual_interval, view_of
from obdwatch.records import FloatArray, Signal


def signal(times: FloatArray, values: FloatArray) -> Signal:
    return Signal("engine_speed", "1/min", times, values)


def regular(samples: int, interval: float = 0.5) -> FloatArray:
    return np.arange(samples) * interval


def test_regular_signal_has_no_gap() -> None:
    assert trace_of(signal(regular(500), regular(500))).breaks.size == 0


def test_one_lost_reply_is_no_gap_and_a_hole_is_one() -> None:
    times = np.delete(regular(400), [100, 200, 201, 202, 203, 204, 205])
    trace = trace_of(signal(times, times))
    assert trace.breaks.tolist() == [198]  # between what was sample 199 and 206
    assert times[198] == 99.5
    assert times[199] == 103.0


def test_jitter_of_a_fast_signal_is_no_gap() -> None:
    """Ten samples a second with one that comes 0.7 s late: five intervals, but shorter than a hole that counts."""
    times = regular(100, 0.1)
    times[50:] += 0.6
    assert trace_of(signal(times, times)).breaks.size == 0


def test_change_to_a_slower_rate_is_no_gap() -> None:
    """As at the end of cranking: 20 samples a second, then one every five seconds."""
    fast = np.arange(0.0, 30.0, 0.05)
    slow = np.arange(30.0, 3000.0, 5.0)
    times = np.concatenate((fast, slow))
    assert trace_of(signal(times, times)).breaks.size == 0


def test_hole_in_the_slow_part_is_found_although_most_samples_are_fast() -> None:
    fast = np.arange(0.0, 300.0, 0.05)
    slow = np.concatenate((np.arange(300.0, 1300.0, 5.0), np.arange(1400.0, 2400.0, 5.0)))
    times = np.concatenate((fast, slow))
    trace = trace_of(signal(times, times))
    assert times[trace.breaks].tolist() == [1295.0]


def test_usual_interval_is_that_of_the_neighbourhood() -> None:
    steps = np.concatenate((np.full(10 * NEIGHBOURHOOD, 0.1), np.full(10 * NEIGHBOURHOOD, 2.0)))
    usual = usual_interval(steps)
    assert usual.size == steps.size
    assert usual[0] == pytest.approx(0.1)
    assert usual[-1] == pytest.approx(2.0)
    assert usual_interval(np.array([3.0])).tolist() == [3.0]


def test_line_is_broken_across_an_interruption() -> None:
    times = regular(100)
    trace = trace_of(signal(times, times), interruptions=[(10.2, 10.2), (20.0, 20.5), (-5.0, -4.0), (900.0, 901.0)])
    assert times[trace.breaks].tolist() == [10.0, 20.0]


def test_missing_values_are_a_gap_and_never_a_point() -> None:
    values = regular(50)
    values[[0, 20, 21, 49]] = np.nan
    trace = trace_of(signal(regular(50), values))
    assert np.isfinite(trace.values).all()
    assert trace.values.size == 46
    assert trace.values[trace.breaks].tolist() == [9.5]  # the sample before the hole


def test_short_signal_is_drawn_as_it_is() -> None:
    view = view_of(trace_of(signal(regular(100), regular(100))), 0.0, 50.0)
    assert view.times.tolist() == regular(100).tolist()
    assert view.lone_times.size == 0


def test_nan_stands_in_the_gap() -> None:
    times = np.concatenate((regular(50), 100.0 + regular(50)))
    view = view_of(trace_of(signal(times, times)), 0.0, 200.0)
    assert view.values.size == 101
    assert np.flatnonzero(np.isnan(view.values)).tolist() == [50]


def test_sample_between_two_gaps_is_drawn_as_a_dot() -> None:
    times = np.concatenate((regular(50), [100.0], 200.0 + regular(50)))
    view = view_of(trace_of(signal(times, times)), 0.0, 300.0)
    assert view.lone_times.tolist() == [100.0]
    assert view.lone_values.tolist() == [100.0]


def test_part_in_view_reaches_to_the_edges() -> None:
    view = view_of(trace_of(signal(regular(1000), regular(1000))), 100.2, 110.2)
    assert view.times[0] == 100.0
    assert view.times[-1] == 110.5


def test_part_without_samples_draws_nothing_false() -> None:
    times = np.concatenate((regular(50), 500.0 + regular(50)))
    view = view_of(trace_of(signal(times, times)), 100.0, 200.0)
    assert np.isnan(view.values).any()  # one sample on either side, and a gap between them


def test_empty_signal_gives_an_empty_view() -> None:
    nothing = np.zeros(0)
    view = view_of(trace_of(signal(nothing, nothing)), 0.0, 10.0)
    assert view.times.size == view.lone_times.size == 0


def test_single_spike_in_a_million_samples_is_kept() -> None:
    times = regular(1_000_000, 0.0144)
    values = np.sin(times)
    values[654_321] = 99.0
    values[123_456] = -99.0
    view = view_of(trace_of(signal(times, values)), 0.0, times[-1])
    assert np.nanmax(view.values) == 99.0
    assert np.nanmin(view.values) == -99.0
    assert view.times.size < 1.1 * POINTS


def test_short_gap_in_a_million_samples_keeps_its_width() -> None:
    times = regular(1_000_000, 0.0144)
    times[500_000:] += 20.0
    trace = trace_of(signal(times, times))
    view = view_of(trace, 0.0, times[-1])
    hole = int(np.flatnonzero(np.isnan(view.values))[0])
    assert view.times[hole - 1] == times[499_999]
    assert view.times[hole + 1] == times[500_000]


@st.composite
def signals(draw: st.DrawFn) -> Signal:
    steps = draw(st.lists(st.sampled_from([0.01, 0.4, 0.5, 2.0, 60.0]), min_size=0, max_size=300))
    times = np.cumsum(np.asarray(steps, dtype=float))
    wild = st.floats(-1e6, 1e6) | st.just(float("nan"))
    values = draw(st.lists(wild, min_size=times.size, max_size=times.size))
    return signal(times, np.asarray(values, dtype=float))


@settings(max_examples=200, deadline=None)
@given(signals(), st.integers(2, 60), st.floats(0, 200), st.floats(0.1, 3000))
def test_every_view_shows_only_samples_with_the_extremes_among_them(
    given_signal: Signal, points: int, start: float, width: float
) -> None:
    trace = trace_of(given_signal)
    view = view_of(trace, start, start + width, points)
    finite = np.isfinite(view.values)
    known = set(zip(trace.times.tolist(), trace.values.tolist(), strict=True))
    assert set(zip(view.times[finite].tolist(), view.values[finite].tolist(), strict=True)) <= known
    inside = (trace.times >= start) & (trace.times <= start + width)
    if inside.any():
        assert np.nanmax(view.values) >= trace.values[inside].max()
        assert np.nanmin(view.values) <= trace.values[inside].min()
    assert (np.diff(view.times) >= 0).all()
    assert finite.sum() <= max(3 * points + 4, inside.sum() + 2)


@settings(max_examples=200, deadline=None)
@given(signals(), st.integers(2, 60))
def test_no_line_ever_crosses_a_gap(given_signal: Signal, points: int) -> None:
    trace = trace_of(given_signal)
    if trace.times.size == 0:
        return
    view = view_of(trace, 0.0, float(trace.times[-1]), points)
    drawn = np.isfinite(view.values)
    pairs = np.flatnonzero(drawn[:-1] & drawn[1:])
    for pair in pairs:
        assert not _between(trace, view.times[pair], view.times[pair + 1])


@settings(max_examples=200, deadline=None)
@given(signals(), st.integers(2, 60), st.floats(0, 200), st.floats(0.1, 3000))
def test_no_sample_in_view_stands_alone_without_a_dot(
    given_signal: Signal, points: int, start: float, width: float
) -> None:
    trace = trace_of(given_signal)
    view = view_of(trace, start, start + width, max(points, 2 * trace.breaks.size))
    if not view.dotted:
        assert not ((view.lone_times >= start) & (view.lone_times <= start + width)).any()


def test_regular_signal_with_wide_gaps_needs_no_dots_and_one_with_more_gaps_than_points_does() -> None:
    three = np.concatenate((regular(50), 100.0 + regular(50), 200.0 + regular(50)))
    many = np.concatenate([50.0 * n + regular(8) for n in range(500)])
    assert not view_of(trace_of(signal(three, three)), 0.0, 300.0).dotted
    assert view_of(trace_of(signal(many, many)), 0.0, 25_000.0).dotted


def _between(trace: Trace, left: float, right: float) -> bool:
    return any(left <= trace.times[i] and trace.times[i + 1] <= right and left < right for i in trace.breaks)
