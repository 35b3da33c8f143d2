"""Pictures as data: ticks, gaps, and that both renderers put a value where it belongs."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from matplotlib.ticker import MaxNLocator

from obdwatch.records import Signal
from obdwatch.reporting.plots import (
    MOST_TICKS,
    Band,
    Curve,
    Plot,
    Stroke,
    date_axis,
    days_of,
    minutes_axis,
    number_axis,
    percent_axis,
)
from obdwatch.reporting.svg import HEIGHT, LEFT, RIGHT, TOP, WIDE, svg
from obdwatch.reporting.thinning import thinned


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e6))
def test_ticks_are_those_a_general_plotting_library_would_choose(low: float, span: float) -> None:
    """The locator of matplotlib with the steps 1, 2, 5, 10: never more ticks than it may have, each a round number."""
    assume(span > 1e-5 * abs(low))  # nearer together neither adds up to the same last digits
    axis = number_axis("x", low, low + span)
    places = [at for at, _ in axis.ticks]
    expected = MaxNLocator(MOST_TICKS, steps=[1, 2, 5, 10]).tick_values(low, low + span)
    inside = [at for at in expected if low - 1e-9 * span <= at <= low + span * (1 + 1e-9)]
    np.testing.assert_allclose(places, inside, rtol=1e-9, atol=1e-9 * span)


def test_ticks_are_written_as_read() -> None:
    assert [text for _, text in number_axis("V", 11.9, 12.6).ticks] == ["12.0", "12.2", "12.4", "12.6"]
    assert [text for _, text in number_axis("x", -10.0, 10.0).ticks] == ["−10", "−5", "0", "5", "10"]
    assert number_axis("km", 163_000, 176_000).ticks[0] == (165_000, "165,000")
    assert [text for _, text in percent_axis("p").ticks] == ["0%", "25%", "50%", "75%", "100%"]


def test_equal_values_still_make_an_axis() -> None:
    for axis in (number_axis("x", 5.0, 5.0), number_axis("x", 0.0, 0.0), date_axis(20_000.0, 20_000.0)):
        assert axis.low < axis.high
        assert axis.ticks


def test_time_is_told_in_minutes_or_in_seconds() -> None:
    assert minutes_axis(0.0, 1800.0).ticks[1] == (300.0, "5")
    assert minutes_axis(0.0, 30.0).ticks[1] == (5.0, "5")


@pytest.mark.parametrize("days", [3, 40, 200, 900, 4000, 20_000])
def test_dates_are_few_and_at_the_beginning_of_days_or_months(days: int) -> None:
    first = datetime(2026, 1, 20, 7, 30, tzinfo=UTC)
    axis = date_axis(days_of(first), days_of(first + timedelta(days=days)))
    assert 2 <= len(axis.ticks) <= MOST_TICKS + 1
    for at, text in axis.ticks:
        day = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=at)
        assert day.hour == 0
        assert text == (f"{day:%b %Y}" if days > 60 else f"{day.day} {day:%b}")
        assert day.day == 1 or days <= 60


def drive(seconds: int = 6000) -> Signal:
    times = np.arange(seconds, dtype=np.float64)
    times[3000:] += 100.0  # nothing recorded from 2999 to 3100 s
    values = np.sin(times / 50.0)
    values[1234], values[4321] = 9.0, -9.0
    return Signal("x", "V", times, values)


def test_thinning_keeps_extremes_ends_and_holes() -> None:
    times, values = thinned(drive(), 0.0, 1e9)
    assert len(times) < 1100
    assert (np.nanmax(values), np.nanmin(values)) == (9.0, -9.0)
    assert (times[0], times[-1]) == (0.0, 6099.0)
    (hole,) = np.flatnonzero(np.isnan(values))
    assert (times[hole - 1], times[hole + 1]) == (2999.0, 3100.0)
    assert np.all(np.diff(times) >= 0)


def test_thinning_cuts_and_breaks_at_what_is_known_of_interruptions() -> None:
    times, values = thinned(drive(), 10.0, 60.0)
    assert (times[0], times[-1], len(times)) == (10.0, 60.0, 51)
    sparse = Signal("x", "V", np.arange(0.0, 400.0, 4.0), np.ones(100))
    assert not np.isnan(thinned(sparse, 0.0, 400.0)[1]).any()
    times, values = thinned(sparse, 0.0, 400.0, [(201.0, 203.0)])
    (hole,) = np.flatnonzero(np.isnan(values))
    assert (times[hole - 1], times[hole + 1]) == (200.0, 204.0)


@pytest.mark.parametrize("size", [0, 1, 2])
def test_thinning_of_next_to_nothing(size: int) -> None:
    times, values = thinned(Signal("x", "V", np.arange(size, dtype=float), np.ones(size)), 0.0, 10.0)
    assert len(times) == len(values) == size


def plot() -> Plot:
    x, y = number_axis("x", 0.0, 100.0), number_axis("y", 0.0, 10.0)
    curve = Curve(np.array([0.0, 50.0, np.nan, 100.0]), np.array([0.0, 5.0, np.nan, 10.0]))
    dots = Curve(np.array([25.0]), np.array([10.0]), Stroke.POINTS)
    return Plot("t", "w", x, y, (curve, dots), (Band(50.0, 75.0, "there"), Band(99.99, 99.995, "")))


def test_values_stand_where_the_axes_say() -> None:
    text = svg(plot())
    left, right, bottom = LEFT, WIDE - RIGHT, HEIGHT - 46
    path = re.search(r'class="curve" d="([^"]+)"', text)
    assert path is not None
    middle_x, middle_y = (left + right) / 2, (TOP + bottom) / 2
    begin, end = f"M{left:.1f} {bottom:.1f}h0", f"M{right:.1f} {TOP:.1f}h0"
    assert path[1] == f"{begin}L{middle_x:.1f} {middle_y:.1f}{end}", "a gap is no line"
    dot = re.search(r'class="dot" cx="([\d.]+)" cy="([\d.]+)"', text)
    assert dot is not None
    assert (float(dot[1]), float(dot[2])) == pytest.approx((left + (right - left) / 4, TOP), abs=0.06)
    bands = re.findall(r'class="band" x="([\d.]+)" y="\d+" width="([\d.]+)"', text)
    assert float(bands[0][0]) == pytest.approx(middle_x, abs=0.06)
    assert float(bands[0][1]) == pytest.approx((right - left) / 4, abs=0.06)
    assert float(bands[1][1]) >= 2.0, "a place nobody could see is drawn wider"


def test_a_narrow_picture_has_room_for_its_words() -> None:
    axis = number_axis("odometer, km", 160_000.0, 172_000.0)
    wide = svg(Plot("t", "w", axis, number_axis("y", 0.0, 1.0), ()))
    narrow = svg(Plot("t", "w", axis, number_axis("y", 0.0, 1.0), ()), wide=False)
    ticks = re.compile(r'<line class="tick" x1="([\d.]+)"')
    places = [float(at) for at in ticks.findall(narrow)]
    assert len(places) < len(ticks.findall(wide))
    assert min(np.diff(places)) >= len("160,000") * 6.0
