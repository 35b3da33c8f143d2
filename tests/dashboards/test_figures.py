"""The picture as Plotly gets it: traces, gaps, marks, words that stay words, sizes."""

from __future__ import annotations

import base64
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from dashboards.downsampling import trace_of
from dashboards.drawing import Band, Flag, Picture, Screen, Window, axis_time, axis_times, packed, plain
from dashboards.figures import drive_figure, height_of, lines_in_order, texts
from dashboards.marks import place_labels, shapes
from dashboards.panels import panels_for
from dashboards.pictures import bands_of, flags_of, picture_of
from dashboards.sessions import LoadedDrive
from obdwatch.records import Drive, FloatArray, Mark, MarkKind, Signal, Span
from tests.dashboards.as_plotly import checked
from tests.dashboards.samples import CAR, FAULT, HEALTHY, session, usual_drive

WIDE, NARROW = Screen(1280, "metric"), Screen(390, "metric")


def loaded_from(drive: Drive) -> LoadedDrive:
    traces = {key: trace_of(signal) for key, signal in drive.signals.items()}
    return LoadedDrive(drive, drive.session, CAR, (FAULT, HEALTHY), (), traces)


def picture(drive: Drive | None = None, screen: Screen = WIDE, window: Window | None = None) -> Picture:
    loaded = loaded_from(drive or usual_drive())
    panels = panels_for(loaded.drive.signals, loaded.drive.signals)
    return picture_of(loaded, panels, window or Window(0.0, 1860.0), None, screen)


def unpacked(array: dict[str, str]) -> FloatArray:
    assert array["dtype"] == "f8"
    return np.frombuffer(base64.b64decode(array["bdata"]), "<f8")


def drawn(key_label: str, made: Any) -> FloatArray:
    """Values of the line with this name as Plotly gets them."""
    line = next(t for t in made.to_plotly_json()["data"] if t["name"] == key_label and t["mode"] == "lines")
    return unpacked(line["y"])


def test_time_axis_counts_from_the_start_of_the_drive() -> None:
    assert axis_time(0.0) == "2000-01-01T00:00:00.000"
    assert axis_time(3725.4) == "2000-01-01T01:02:05.400"
    assert axis_times(np.array([0.0, 90000.25])) == ["2000-01-01T00:00:00.000", "2000-01-02T01:00:00.250"]


def test_packed_numbers_come_back_with_their_gaps() -> None:
    values = np.array([1.5, np.nan, -2.0])
    np.testing.assert_array_equal(unpacked(packed(values)), values)


def test_values_are_those_of_the_drive_in_the_units_of_the_reader() -> None:
    coolant = usual_drive().signals["coolant_temperature"].values
    metric = drawn("coolant", checked(drive_figure(picture())))
    us = drawn("coolant", checked(drive_figure(picture(screen=Screen(1280, "us")))))
    assert metric[0] == coolant[0]
    np.testing.assert_allclose(us, metric * 9 / 5 + 32)  # the definition of degrees Fahrenheit, NIST SP 811


def test_gap_is_a_hole_in_the_line() -> None:
    assert np.isnan(drawn("coolant", checked(drive_figure(picture())))).sum() == 1


def test_patch_and_figure_agree_on_the_order_of_traces() -> None:
    made = checked(drive_figure(picture())).to_plotly_json()["data"]
    moved = lines_in_order(picture())
    assert len(moved) == len(made) - 1  # the last trace only carries the upper time axis
    for points, trace in zip(moved, made, strict=False):
        assert points["y"] == trace["y"]


def test_lines_of_a_panel_differ_by_more_than_colour() -> None:
    made = checked(drive_figure(picture())).to_plotly_json()["data"]
    looks = [(t["line"]["color"], t["line"]["dash"]) for t in made if t.get("yaxis") == "y" and t["mode"] == "lines"]
    assert len(looks) == len(set(looks)) == 3


def test_panels_stand_below_each_other_without_touching() -> None:
    for screen in (WIDE, NARROW):
        layout = checked(drive_figure(picture(screen=screen))).to_plotly_json()["layout"]
        domains = [layout[name]["domain"] for name in layout if name.startswith("yaxis")]
        assert all(low < high for low, high in domains)
        assert all(upper[0] > lower[1] for upper, lower in pairwise(domains))
        assert domains[-1][0] == pytest.approx(0.0)
        assert layout["height"] == height_of(picture(screen=screen))


def test_picture_without_panels_is_still_a_picture() -> None:
    empty = replace(picture(), panels=(), views={})
    assert height_of(empty) > 0
    assert checked(drive_figure(empty)).layout.height > 0


def test_states_are_named_on_the_axis_and_drawn_as_steps() -> None:
    t = np.arange(0.0, 10.0)
    lamp = Signal("malfunction_lamp", "", t, np.where(t > 4, 1.0, 0.0))
    made = checked(drive_figure(picture(Drive(session("a"), {lamp.key: lamp})))).to_plotly_json()
    assert made["layout"]["yaxis"]["ticktext"] == ["off", "on"]
    assert made["data"][0]["line"]["shape"] == "hv"


def test_a_drive_longer_than_a_day_counts_days() -> None:
    layout = checked(drive_figure(picture(window=Window(0.0, 100_000.0)))).to_plotly_json()["layout"]
    assert layout["xaxis"]["tickformat"].startswith("day %-j")


def test_places_of_faults_are_bands_and_events_are_lines() -> None:
    made = shapes(picture())
    bands = [s for s in made if s["type"] == "rect"]
    lines = [s for s in made if s["type"] == "line"]
    assert [(b["x0"], b["x1"]) for b in bands] == [(axis_time(1320.0), axis_time(1680.0))]
    assert [line["x0"] for line in lines] == [axis_time(4.0), axis_time(700.0), axis_time(1857.0)]


def test_place_of_a_healthy_finding_is_marked_only_when_asked_for() -> None:
    healthy = replace(HEALTHY, spans=(Span(10.0, 20.0), Span(30.0, 40.0)))
    assert bands_of([healthy], None) == ()
    assert bands_of([healthy], (0, 10)) == (Band(10.0, 20.0, "Charging holds 14.1 V", chosen=True),)


def test_only_the_place_that_was_asked_for_is_brought_out() -> None:
    fault = replace(FAULT, spans=(Span(10.0, 20.0), Span(30.0, 40.0)))
    assert [band.chosen for band in bands_of([fault], (0, 30.0))] == [False, True]


def test_end_of_a_recording_is_no_event() -> None:
    drive = Drive(session("a"), {}, marks=(Mark(9.0, MarkKind.END), Mark(3.0, MarkKind.NOTE, "tunnel", 0.0)))
    assert flags_of(drive) == (Flag(3.0, "tunnel"),)


def test_words_never_cover_each_other() -> None:
    flags = [Flag(float(t), f"something happened at {t}") for t in range(0, 1000, 7)]
    bands = [Band(100.0, 300.0, "a place", chosen=True)]
    for screen in (WIDE, NARROW):
        placed = place_labels(bands, flags, Window(0.0, 1000.0), screen)
        assert placed[0].text == "a place"
        assert max(label.row for label in placed) < screen.lane_rows
        for row in range(screen.lane_rows):
            ends = sorted(_ends(label.t, label.text, label.to_the_left, screen) for label in placed if label.row == row)
            assert all(left[1] <= right[0] for left, right in pairwise(ends))
            assert all(left >= -1 and right <= screen.plot_width + 1 for left, right in ends)


def _ends(t: float, text: str, to_the_left: bool, screen: Screen) -> tuple[float, float]:
    at, size = t / 1000.0 * screen.plot_width, len(text) * 7.0
    return (at - size, at) if to_the_left else (at, at + size)


def test_band_that_begins_before_the_view_keeps_its_words() -> None:
    placed = place_labels([Band(0.0, 500.0, "cold")], [], Window(100.0, 200.0), WIDE)
    assert [(label.t, label.text) for label in placed] == [(100.0, "cold")]
    assert place_labels([Band(0.0, 50.0, "cold")], [], Window(100.0, 200.0), WIDE) == []


@pytest.mark.parametrize("text", ["<b>x</b>", "a & b", "&amp;", "<a href='javascript:alert(1)'>x</a>", "%{y} <br>"])
def test_words_reach_plotly_without_working_markup(text: str) -> None:
    """Plotly's text marks are tags, entities, and %{...} in templates (plotly.js, svg_text_utils)."""
    safe = plain(text)
    assert "<" not in safe
    assert ">" not in safe
    assert "%{" not in safe
    assert "&" not in safe.replace("&lt;", "").replace("&gt;", "").replace("&amp;", "")


def test_hostile_names_are_escaped_everywhere_in_the_figure() -> None:
    evil = "<i>x</i>%{y}"
    drive = Drive(session("a"), {evil: Signal(evil, evil, np.arange(3.0), np.arange(3.0))})
    one = replace(picture(drive), bands=(Band(0.0, 1.0, evil),), flags=(Flag(0.5, evil),))
    made = checked(drive_figure(one)).to_plotly_json()
    words = [t["name"] for t in made["data"] if "name" in t] + [t["text"] for t in texts(one)]
    assert all("<i>" not in word and "%{y}" not in word for word in words)
    assert made["data"][0]["hovertemplate"].count("%{y") == 1


def test_a_large_screen_gets_larger_letters_and_thicker_lines_and_the_same_points() -> None:
    near, far = (drive_figure(picture(screen=Screen(width, "metric"))) for width in (1664, 3840))
    assert far["layout"]["font"]["size"] == pytest.approx(1.6 * near["layout"]["font"]["size"])
    assert far["layout"]["height"] == pytest.approx(height_of(picture(screen=Screen(3840, "metric"))), abs=1.0)
    pairs = list(zip(near["layout"]["annotations"], far["layout"]["annotations"], strict=True))
    assert pairs
    for one, other in pairs:
        assert other["font"]["size"] == pytest.approx(1.6 * one["font"]["size"])
        assert (other["text"], other["x"], other["y"]) == (one["text"], one["x"], one["y"])
    assert far["data"][0]["line"]["width"] == pytest.approx(1.6 * near["data"][0]["line"]["width"])
    assert (far["data"][0]["x"], far["data"][0]["y"]) == (near["data"][0]["x"], near["data"][0]["y"])
    checked(far)
