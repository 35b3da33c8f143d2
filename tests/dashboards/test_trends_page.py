"""The page of what changes from drive to drive, and its picture, without a browser."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from dash import dcc

from dashboards.app import show_page
from dashboards.drawing import Screen
from dashboards.garage import Garage
from dashboards.sessions import SessionShelf
from dashboards.trend_figures import trend_figure
from obdwatch.records import Finding, Measure, Verdict
from tests.dashboards.as_plotly import checked
from tests.dashboards.samples import CAR, FakeLogbook, aged, session, usual_drive
from tests.dashboards.test_pages import components, text, visit

LIMITS = 13.2, 15.0
CHARGING = Finding("charging", Verdict.HEALTHY, measures=(Measure("charging_voltage", 14.3, "V", expected=LIMITS),))
CATALYST = Finding("catalyst", Verdict.HEALTHY, measures=(Measure("survives_bank_1", 0.17, "ratio"),))


@pytest.fixture
def book(tmp_path: Path) -> FakeLogbook:
    book = FakeLogbook(tmp_path)
    book.add(usual_drive(), CHARGING, CATALYST)
    aged(book, usual_drive().session)
    return book


def test_what_wears_is_shown_first_with_its_forecast(book: FakeLogbook) -> None:
    page = show_page(SessionShelf(book, load=book.load), visit("/trends"))
    shown = text(page.children)
    assert "2 numbers followed over up to 31 drives. 1 number moving towards harm." in shown
    # 0.17 now, 0.003 more every 450 km: the limit is ten steps away.
    assert "It went from 0.08 to 0.17 within 14,000 km." in shown
    assert "it meets its limit of 0.20 in 4," in shown
    assert len(list(components(page.children, dcc.Graph))) == 1


def test_the_address_chooses_the_number(book: FakeLogbook) -> None:
    asked = visit("/trends/blue", search="?show=charging/charging_voltage", units="us")
    shown = text(show_page(SessionShelf(book, load=book.load), asked).children)
    assert "14.3\N{NO-BREAK SPACE}V now, in 16 drives since the last repair; no trend proven." in shown
    assert "Back to what moves most" in shown


def test_the_picture_keeps_what_was_before_a_repair_apart_and_marks_it(book: FakeLogbook) -> None:
    garage = Garage(book)
    known = garage.car("blue")
    assert known is not None
    track = next(one for one in garage.trends(known).tracks if one.series.detector == "charging")
    for units, factor in (("metric", 1.0), ("us", 1 / 1.609344)):
        figure = checked(trend_figure(track, Screen(1000, units)))
        points = {trace.name: trace for trace in figure.data if trace.mode == "markers"}
        assert len(points["before the repair"].x) == 15
        assert len(points["drives"].x) == 16
        (repair,) = [shape for shape in figure.layout.shapes if shape.x0 == shape.x1]
        assert repair.x0 == pytest.approx(track.repairs[0] * factor)
        assert max(points["before the repair"].x) < repair.x0 < min(points["drives"].x)
        assert {shape.y0 for shape in figure.layout.shapes if shape.y0 == shape.y1} == set(LIMITS)


def test_a_forecast_ends_at_the_limit(book: FakeLogbook) -> None:
    garage = Garage(book)
    known = garage.car(None)
    assert known is not None
    track = garage.trends(known).tracks[0]
    figure = checked(trend_figure(track, Screen(1000, "metric")))
    assert track.movement is not None
    assert track.movement.forecast is not None
    ends = [(trace.x[-1], trace.y[-1]) for trace in figure.data if trace.mode == "lines"]
    assert (track.series.at[-1] + track.movement.forecast.distance, pytest.approx(0.2)) in ends


def test_cars_without_drives_or_findings_are_told_what_to_do(tmp_path: Path) -> None:
    book = FakeLogbook(tmp_path)
    shelf = SessionShelf(book, load=book.load)
    assert "No drive of this car has been recorded yet." in text(show_page(shelf, visit("/trends")).children)
    book.known_cars = ()
    assert "Show me the invented car" in text(show_page(shelf, visit("/trends")).children)
    assert "no car with that name" in text(show_page(shelf, visit("/trends/nobody")).children)


def test_several_cars_are_a_click_away_and_the_one_driven_last_comes_first(book: FakeLogbook) -> None:
    other = replace(session("other", 27), car_id="green")
    book.add(replace(usual_drive(), session=other), CHARGING)
    garage = Garage(book)
    assert [one.id for one in garage.cars()] == ["green", "blue"]
    shown = show_page(SessionShelf(book, load=book.load), visit("/trends")).children
    assert "Other cars:  The old blue estate" in text(shown)
    assert any(link.href == f"/trends/{CAR.id}" for link in components(shown, dcc.Link))
