"""A followed number in a report: where its drives, repairs, limits and its forecast are drawn, and in which unit."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from obdwatch.detectors.trends_followed import Followed, followed
from obdwatch.records import Event, EventKind, Feature, Finding, FloatArray, History, Measure, Session, Verdict
from obdwatch.reporting.followed_numbers import followed_plot
from obdwatch.reporting.plots import Plot, Stroke, days_of
from obdwatch.reporting.svg import svg

BEGAN = datetime(2024, 1, 5, tzinfo=UTC)
EVERY = timedelta(days=30)
KM, KM_APART = 160_000.0, 900.0
LIMITS = 13.2, 15.0  # V; below the battery is not charged, above it gasses (common practice)
SCATTER = np.random.default_rng(3).normal(0.0, 0.02, 24)


def track(values: FloatArray, by_date: bool = False, repair_after: int | None = None) -> Followed:
    """A charging voltage over drives of every 30 days and 900 km, at changing outside temperatures."""

    def place(n: int) -> tuple[datetime, float | None]:
        return BEGAN + n * EVERY, None if by_date else KM + n * KM_APART

    features = [
        Feature(f"s{n}", "charging", name, value, unit, None, *place(n))
        for n, volts in enumerate(values[:-1])
        for name, value, unit in (
            ("charging_voltage", float(volts), "V"),
            ("outside_air", 15.0 + 8.0 * float(np.sin(n)), "degC"),
        )
    ]
    last = len(values) - 1
    at, km = place(last)
    measures = (Measure("charging_voltage", float(values[-1]), "V", None, LIMITS), Measure("outside_air", 12.0, "degC"))
    found = Finding("charging", Verdict.HEALTHY, measures=measures)
    events: tuple[Event, ...] = ()
    if repair_after is not None:
        when, odometer = place(repair_after)
        half = odometer + KM_APART / 2.0 if odometer is not None else None
        events = (Event("car", when + EVERY / 2, EventKind.REPAIR, half, "alternator"),)
    known = followed(Session(f"s{last}", at, "car", km), History(tuple(features), events), (found,))
    return next(one for one in known if one.series.name == "charging_voltage")


def curve(plot: Plot, stroke: Stroke) -> tuple[FloatArray, FloatArray]:
    one = next(curve for curve in plot.curves if curve.stroke is stroke)
    return one.xs, one.ys


def test_a_drift_is_drawn_to_where_it_may_be_next() -> None:
    values = 14.4 - 0.03 * np.arange(24) + SCATTER
    plot = followed_plot(track(values), "metric")
    xs, ys = curve(plot, Stroke.POINTS)
    np.testing.assert_allclose(xs, KM + KM_APART * np.arange(24))
    np.testing.assert_allclose(ys, values)
    (ahead,) = plot.areas
    slope, level = np.polyfit(xs, values, 1)  # least squares of numpy: another way than the detector's
    assert ahead.xs[0] == xs[-1]
    assert ahead.xs[-1] == pytest.approx(xs[-1] + (xs[-1] - xs[0]) / 2.0)
    assert np.all(ahead.lows - 0.03 <= slope * ahead.xs + level)
    assert np.all(slope * ahead.xs + level <= ahead.highs + 0.03)
    assert [(mark.at, mark.text) for mark in plot.levels] == [(13.2, "limit 13.2\xa0V"), (15.0, "limit 15.0\xa0V")]
    assert plot.y.low < 13.2 < 15.0 < plot.y.high


def test_a_jump_is_two_levels_and_no_forecast() -> None:
    values = np.where(np.arange(24) < 12, 14.4, 13.6) + SCATTER
    plot = followed_plot(track(values), "metric")
    xs, ys = curve(plot, Stroke.LINE)
    assert plot.areas == ()
    assert (ys[0], ys[-1]) == pytest.approx((14.4, 13.6), abs=0.03)
    assert xs[1] == xs[2]
    assert KM + 11 * KM_APART <= xs[1] <= KM + 12 * KM_APART


def test_what_was_before_a_repair_is_drawn_apart() -> None:
    plot = followed_plot(track(14.3 + SCATTER, repair_after=9), "us")
    before, after = curve(plot, Stroke.HOLLOW)[0], curve(plot, Stroke.POINTS)[0]
    assert (len(before), len(after)) == (10, 14)
    (repair,) = plot.places
    miles = 1.609344  # km; NIST Special Publication 811
    assert before[-1] < repair.at < after[0]
    assert repair.at == pytest.approx((KM + 9.5 * KM_APART) / miles)
    assert plot.x.label == "odometer, miles"


def test_without_odometer_it_is_drawn_over_dates() -> None:
    plot = followed_plot(track(14.4 - 0.03 * np.arange(24) + SCATTER, by_date=True), "metric")
    assert plot.x.label == "date"
    xs = curve(plot, Stroke.POINTS)[0]
    assert (xs[0], xs[-1]) == pytest.approx((days_of(BEGAN), days_of(BEGAN + 23 * EVERY)))
    assert ("Jul 2024") in {text for _, text in plot.x.ticks}
    assert plot.x.low < xs[0]


def test_what_is_drawn_stays_inside_the_picture() -> None:
    for values in (14.4 - 0.03 * np.arange(24) + SCATTER, np.full(24, 14.3), 13.0 + SCATTER):
        plot = followed_plot(track(values), "us")
        heights = [plot.curves[0].ys, *(a.lows for a in plot.areas), *(a.highs for a in plot.areas)]
        assert plot.y.low <= min(map(np.min, heights))
        assert max(map(np.max, heights)) <= plot.y.high
        assert all(plot.x.low <= one.xs.min() and one.xs.max() <= plot.x.high for one in (*plot.curves, *plot.areas))
        assert "nan" not in svg(plot)
