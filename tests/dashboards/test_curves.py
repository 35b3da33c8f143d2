"""The pictures of measured against expected, their words and tables, without a browser."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest
from dash import dcc, html

from dashboards.app import show_page
from dashboards.comparisons import TwoSides, pairs_of, proof_of, sides_asked
from dashboards.curve_figures import Drawn, curve_figure
from dashboards.curve_tables import rows
from dashboards.curve_words import sentence, spoken
from dashboards.drawing import Screen
from dashboards.pages.compare import pairs_told, proof_told
from dashboards.pages.curve_sections import curve_articles
from dashboards.sessions import SessionShelf
from obdwatch.curves.all_curves import curves_of
from obdwatch.curves.curve import Axis, Curve, Expected, Look, Panel, Series
from obdwatch.detectors import misfire
from obdwatch.errors import LogbookError
from obdwatch.records import Drive, Event, EventKind, Feature, History, Measure
from tests.curves.plain_drives import FOUR, cranked, leaking, misfiring, pulling, warming
from tests.dashboards.as_plotly import checked
from tests.dashboards.samples import HEALTHY, FakeLogbook, session, usual_drive
from tests.dashboards.test_pages import components, text, visit

WIDE, PHONE = Screen(1280, "metric"), Screen(390, "us")
ALL = (
    warming(16.0, 20.0),
    leaking(0.4),
    pulling(92.0, 100.0),
    misfiring({4: 120}),
    cranked(12.6, 180.0, 0.01, 210, 21),
)


def curve_in(drive: Drive, kind: str) -> Curve:
    return next(one for one in curves_of(drive, FOUR, History()) if one.kind == kind)


def numbers(packed: Any) -> np.ndarray:
    return np.frombuffer(base64.b64decode(packed["bdata"]), dtype="<f8")


def named(figure: go.Figure, name: str) -> list[Any]:
    return [trace for trace in figure.data if trace.name == name]


WARM = Curve(
    "warm_up",
    Axis("minutes since the first reading", "min"),
    (
        Panel(
            Axis("Coolant", "degC"),
            (Series("coolant", Look.LINE, np.array([0.0, 10.0, 20.0]), np.array([10.0, 50.0, 60.0])),),
            (
                Expected(
                    "expected of this car",
                    np.array([0.0, 10.0, 10.0, 20.0]),
                    np.array([0.0, 60.0, np.nan, 80.0]),
                    np.array([10.0, 70.0, np.nan, 90.0]),
                    np.array([20.0, 80.0, np.nan, 100.0]),
                ),
            ),
        ),
    ),
    (
        Measure("minutes", 20.0, "min"),
        Measure("colder", 15.0, "min"),
        Measure("furthest", 60.0, "degC", None, (80.0, 100.0)),
        Measure("furthest_at", 20.0, "min"),
    ),
)


def test_the_picture_is_in_the_units_of_the_reader_and_breaks_where_the_band_does() -> None:
    figure = checked(curve_figure([Drawn(WARM)], PHONE))
    (line,) = named(figure, "coolant")
    assert numbers(line.y) == pytest.approx([50.0, 122.0, 140.0])  # degF
    filled = [one for one in named(figure, "expected of this car") if one.fill == "toself"]
    assert len(filled) == 2
    assert numbers(filled[0].y) == pytest.approx([32.0, 140.0, 176.0, 68.0])
    assert figure.layout.yaxis.title.text == "Coolant, °F"
    assert sum(one.showlegend is not False for one in figure.data) == 2


def test_the_sentence_says_how_long_and_how_far() -> None:
    assert sentence(WARM, "metric") == (
        "For 15 of 20 minutes the coolant was colder than this car’s should have been on this drive; furthest after 20"
        " minutes: 60\N{NO-BREAK SPACE}°C, where 80 to 100\N{NO-BREAK SPACE}°C was expected."
    )


def test_two_drives_differ_by_more_than_colour() -> None:
    before, after = (curve_in(misfiring({4: n}), "misfire") for n in (120, 0))
    figure = checked(curve_figure([Drawn(before, "before", earlier=True), Drawn(after, "after")], WIDE))
    (old,), (new,) = named(figure, "before: measured"), named(figure, "after: measured")
    assert old.marker.color == "rgba(0,0,0,0)"
    assert new.marker.color != old.marker.color
    assert old.offset + old.width <= new.offset + 0.03
    assert len(named(figure, "the car's own limit")) == 1
    trims = curve_in(leaking(0.4), "fuel_trims")
    dots = checked(curve_figure([Drawn(trims, "before", earlier=True), Drawn(trims, "after")], WIDE))
    assert named(dots, "before: measured")[0].marker.symbol == "circle-open"
    assert named(dots, "after: measured")[0].marker.symbol == "circle"


def test_names_that_a_car_sends_are_no_markup() -> None:
    hostile = replace(WARM, x=Axis("<b>x</b>", ""), panels=(replace(WARM.panels[0], axis=Axis("<i>y</i>", "")),))
    figure = checked(curve_figure([Drawn(hostile, "<b>after</b>")], WIDE))
    assert "<" not in figure.layout.xaxis.title.text + figure.layout.yaxis.title.text
    assert all("<" not in trace.name for trace in figure.data)


def test_the_table_has_what_the_picture_shows() -> None:
    told = rows(WARM, WARM.panels[0], "metric")
    assert [one.measured for one in told] == [("10",), ("50",), ("60",)]
    assert told[0].expected == "7.5 to 27.5\N{NO-BREAK SPACE}°C"  # a sixteenth of the way: 1.25 minutes
    bars = curve_in(misfiring({4: 120, 1: 30}), "misfire")
    told = rows(bars, bars.panels[0], "metric")
    assert [(one.at, one.measured[0]) for one in told] == [
        ("1", "0.1"), ("3", "0"), ("4", "0.4"), ("2", "0"), ("all", "0.5"),
    ]  # fmt: skip
    assert {one.expected for one in told} == {"up to 1.5%"}


@pytest.mark.parametrize("drive", ALL)
@pytest.mark.parametrize("screen", [WIDE, PHONE])
def test_every_curve_has_a_picture_a_sentence_a_text_alternative_and_a_table(drive: Drive, screen: Screen) -> None:
    curves = curves_of(drive, FOUR, History())
    assert curves
    shown = curve_articles(curves, screen)
    pictures = [one for one in components(shown, html.Div) if getattr(one, "role", None) == "img"]
    assert len(pictures) == len(list(components(shown, dcc.Graph))) == len(curves)
    assert len(list(components(shown, html.Table))) == sum(len(one.panels) for one in curves)
    for curve, picture in zip(curves, pictures, strict=True):
        assert sentence(curve, screen.units) in text(shown)
        assert getattr(picture, "aria-label") == spoken(curve, screen.units)
        assert not any(word in sentence(curve, screen.units) for word in ("nan", "inf", "None", "  "))


def test_a_drive_with_nothing_to_compare_says_so() -> None:
    assert "nothing that could be held against" in text(curve_articles((), WIDE))


def test_a_picture_that_rests_on_a_doubtful_sensor_says_so() -> None:
    curves = curves_of(warming(16.0, 20.0), FOUR, History())
    assert "cannot be right" not in text(curve_articles(curves, WIDE))
    assert "cannot be right" in text(curve_articles(curves, WIDE, {"warm_up"}))


def drives_of_a_coil(folder: Path) -> FakeLogbook:
    """Two drives with a cylinder that misfires, a coil, and two without."""
    book = FakeLogbook(folder, known_cars=(replace(FOUR, id="blue", name="The old blue estate"),))
    for day, count in ((1, 400), (5, 420), (12, 0), (15, 0)):
        drive = replace(misfiring({4: count}), session=session(f"d{day}", day))
        book.add(drive, misfire.detect(drive, FOUR, History()))
    book.log = (Event("blue", datetime(2026, 1, 8, tzinfo=UTC), EventKind.REPAIR, part="ignition_coil:4"),)
    return book


def asked(shelf: SessionShelf, search: str = "") -> TwoSides | None:
    known = shelf.garage.car("blue")
    assert known is not None
    return sides_asked(shelf, known, visit("/compare/blue", search=search))


def ids(sides: Sequence[Any]) -> list[str]:
    return [one.id for one in sides]


def test_without_a_question_the_last_repair_is_meant(tmp_path: Path) -> None:
    shelf = SessionShelf(book := drives_of_a_coil(tmp_path), load=book.load)
    sides = asked(shelf)
    assert sides is not None
    assert (ids(sides.before), ids(sides.after)) == (["d1", "d5"], ["d12", "d15"])
    told = text(proof_told(proof_of(shelf, sides, "metric"), WIDE))
    assert "Proven: what was wrong is in order now (ignition coil 4)." in told
    assert "The share of misfires, cylinder 4" in told
    pairs = pairs_of(shelf, sides)
    assert (pairs.before.id, pairs.after.id) == ("d5", "d12")
    shown = text(pairs_told(pairs, WIDE))
    assert "Cylinder 4 counted 420 of 420 misfires" in shown
    assert "Not one misfire was counted" in shown


def test_the_address_names_two_drives_in_whatever_order(tmp_path: Path) -> None:
    shelf = SessionShelf(book := drives_of_a_coil(tmp_path), load=book.load)
    for search in ("?before=d1&after=d15", "?before=d15&after=d1"):
        sides = asked(shelf, search)
        assert sides is not None
        assert (ids(sides.before), ids(sides.after)) == (["d1"], ["d15"])
        assert sides.repair.parts == ("ignition_coil:4",)
    before_it = asked(shelf, "?before=d1&after=d5")
    assert before_it is not None
    assert before_it.repair.parts == ()


@pytest.mark.parametrize("search", ["?before=d1", "?before=d1&after=d1", "?before=d1&after=../../etc/passwd"])
def test_an_address_that_fits_no_two_drives_is_told(tmp_path: Path, search: str) -> None:
    shelf = SessionShelf(book := drives_of_a_coil(tmp_path), load=book.load)
    with pytest.raises(LogbookError):
        asked(shelf, search)
    assert "drive" in text(show_page(shelf, visit("/compare/blue", search=search)).children)


def test_a_car_without_a_repair_is_told_how_to_get_a_comparison(tmp_path: Path) -> None:
    book = drives_of_a_coil(tmp_path)
    book.log = ()
    shown = text(show_page(SessionShelf(book, load=book.load), visit("/compare/blue")).children)
    assert "knows of no repair yet" in shown
    assert "Compare two other drives" in shown


def test_curves_are_reckoned_once_until_the_car_or_its_history_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked_for = []

    def counted(drive: Drive, car: Any, history: History) -> tuple[Curve, ...]:
        asked_for.append((car, len(history.features)))
        return (WARM,)

    monkeypatch.setattr("dashboards.sessions.curves_of", counted)
    book = FakeLogbook(tmp_path)
    book.add(usual_drive("a"), HEALTHY)
    shelf = SessionShelf(book, load=book.load)
    assert [shelf.curves("a"), shelf.curves("a")] == [(WARM,), (WARM,)]
    assert len(asked_for) == 1
    book.features = (Feature("before", "warm_up", "x", 1.0, ""),)
    shelf.curves("a")
    assert len(asked_for) == 2
    assert book.loads == 1
