"""The page of a car and the page of a part, over a real logbook with findings written by hand."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from dash import dcc

from dashboards.app import show_page
from dashboards.beginning import Beginning
from dashboards.changes import Changed, changes
from dashboards.drawing import LARGE_SCREENS, Screen
from dashboards.growth_figure import growth_figure
from dashboards.sessions import SessionShelf
from obdwatch.errors import LogbookError
from obdwatch.inspecting import note_answer
from obdwatch.logbook.logbook import Logbook
from obdwatch.records import Event, EventKind, Finding, Span, Urgency, Verdict
from tests.dashboards.as_plotly import checked
from tests.dashboards.samples import CAR, session
from tests.dashboards.test_pages import components, text, visit
from tests.dashboards.test_with_the_logbook import written

STUCK = Finding(
    "warm_up",
    Verdict.FAULT,
    "stuck_open",
    Urgency.NEXT_SERVICE,
    0.95,
    parts=("thermostat", "coolant_temperature_sensor"),
    spans=(Span(600.0, 900.0, "settled"),),
)
WELL = Finding("warm_up", Verdict.HEALTHY, confidence=0.95)
OPEN = Finding("warm_up", Verdict.NOT_ENOUGH_DATA, drive_to_get="Drive from cold for 20 minutes.")
CHARGES = Finding("charging", Verdict.HEALTHY, confidence=0.9)


@pytest.fixture
def logbook(tmp_path: Path) -> Logbook:
    made = Logbook(tmp_path / "logbook")
    made.add_car(replace(CAR, cylinders=6, coolant_pump="electric"))
    for day, findings in ((2, (WELL, CHARGES)), (10, (STUCK, CHARGES)), (20, (STUCK, CHARGES))):
        told = replace(session(f"day-{day}", day), odometer_km=170_000.0 + 100.0 * day)
        made.add_session(written(made.sessions_folder, told))
        made.save_analysis(told.id, findings, [])
    return made


def page(logbook: Logbook, path: str, **view: str) -> str:
    return text(show_page(SessionShelf(logbook), visit(path, **view)).children)


def test_the_car_is_told_in_one_sentence_with_what_to_do(logbook: Logbook) -> None:
    shown = page(logbook, "/")
    assert "The old blue estate" in shown
    assert "As of the drive of Tuesday 20 January 2026" in shown
    assert re.search(r"Thermostat\s+[5-9]\d%", shown)
    assert "Fails within 8,000 km" in shown
    assert "Fails within 5,000 miles" in page(logbook, "/", units="us")
    assert "in your own currency" in shown
    assert re.search(r"Mend : [a-z ]+", shown)
    assert "The same was found as in the drive before." in shown


def test_a_walk_round_the_car_is_not_asked_for_as_if_it_had_not_been_made(logbook: Logbook) -> None:
    def look() -> str:
        return " ".join(page(logbook, "/").split()).partition("Look : ")[2]

    assert look().startswith("a short walk round the car, for what no recording shows. Begin")
    now = datetime.now(UTC)
    note_answer(logbook, CAR.id, "heater_lukewarm", "no", now - timedelta(days=40))
    assert "The last one was on" in look()
    note_answer(logbook, CAR.id, "pump_trace", "no", now - timedelta(minutes=5))
    assert look().startswith("1 question of this walk round the car answered.")


def test_what_was_learnt_after_the_last_drive_is_in_the_picture_of_a_part(logbook: Logbook) -> None:
    def readings() -> list[float]:
        shown = show_page(SessionShelf(logbook), visit(f"/part/{CAR.id}/coolant_pump")).children
        (graph,) = components(shown, dcc.Graph)
        return list(graph.figure["data"][0]["y"])

    before = readings()
    note_answer(logbook, CAR.id, "pump_trace", "yes", datetime.now(UTC))
    after = readings()
    assert len(after) == len(before) + 1
    assert after[-1] > before[-1]


def test_what_changed_is_new_gone_not_shown_or_renewed() -> None:
    earlier, at = session("a", 2), datetime(2026, 1, 3, tzinfo=UTC)
    new = replace(STUCK, headline="It runs cold")
    told = changes([new], [WELL], [], earlier)
    assert told == (Changed("New", "It runs cold"),)
    assert changes([WELL], [new], [], earlier) == (Changed("No longer seen", "It runs cold"),)
    assert changes([OPEN], [new], [], earlier) == (Changed("Could not be seen on this drive", "It runs cold"),)
    assert changes([new], [new], [], earlier) == ()
    log = [
        Event(CAR.id, at, EventKind.REPAIR, part="ignition_coil:3"),
        Event(CAR.id, at - timedelta(days=9), EventKind.REPAIR, part="battery"),
        Event(CAR.id, at, EventKind.NOTE, note="x"),
    ]
    assert changes([WELL], [WELL], log, earlier) == (Changed("Renewed", "ignition coil"),)


def test_a_part_says_why_since_when_and_what_with_it(logbook: Logbook) -> None:
    children = show_page(SessionShelf(logbook), visit("/part/blue/thermostat")).children
    shown = text(children)
    assert "Why, the weightiest first" in shown
    assert "For:" in shown
    links = [link.href for link in components(children, dcc.Link)]
    assert "/drive/day-20?from=555.0&to=945.0" in links  # 300 s of the finding, and 15 % on either side
    assert "/part/blue/coolant_temperature_sensor" in links
    assert "When it is done" in shown
    assert "Take care" in shown
    (graph,) = components(children, dcc.Graph)
    heights = list(checked(graph.figure).data[0].y)
    assert len(heights) == 3
    assert heights[0] < heights[1] <= heights[2]  # healthy, then suspected


def test_a_repair_takes_the_suspicion_away(logbook: Logbook) -> None:
    shelf = SessionShelf(logbook)
    before = text(show_page(shelf, visit("/part/blue/thermostat")).children)
    logbook.add_event(
        Event(CAR.id, datetime(2026, 1, 21, tzinfo=UTC), EventKind.REPAIR, 172_100.0, "thermostat", note="new")
    )
    after = text(show_page(shelf, visit("/part/blue/thermostat")).children)
    assert re.search(r"The chance that it is worn is [5-9]\d%", before)
    assert re.search(r"The chance that it is worn is (under 1|\d)%", after)


@pytest.mark.parametrize("path", ["/part/blue/flux_capacitor", "/part/nobody/thermostat", "/part/blue/", "/car/nobody"])
def test_what_is_not_there_is_said(logbook: Logbook, path: str) -> None:
    shown = page(logbook, path)
    assert "no such part" in shown or "no car with that name" in shown


def test_parts_the_car_does_not_have_are_not_there(logbook: Logbook) -> None:
    logbook.save_car(replace(CAR, intake_flaps=False))
    assert "no such part" in page(logbook, "/part/blue/intake_flap_actuator")


def test_an_empty_logbook_and_a_car_without_drives_say_how_to_begin(tmp_path: Path) -> None:
    made = Logbook(tmp_path / "empty")
    assert "Show me the invented car" in page(made, "/")
    made.add_car(CAR)
    assert "No drive of this car has been recorded yet." in page(made, "/")
    made.add_session(written(made.sessions_folder, session("new")))
    assert "obdwatch analyse --all" in page(made, "/")


def test_a_growth_without_odometer_is_drawn_over_dates() -> None:
    at = datetime(2026, 1, 1, tzinfo=UTC)
    later, screen = at + timedelta(days=30), Screen(900, "us")
    over_dates = checked(growth_figure([(at, None, 0.1), (later, 1000.0, 0.9)], [(at, None)], screen))
    assert over_dates.layout.xaxis.type == "date"
    assert list(over_dates.data[0].y) == [10.0, 90.0]
    over_miles = checked(growth_figure([(at, 1609.344, 0.1), (at, 3218.688, 0.9)], [(at, 2000.0)], screen))
    assert list(over_miles.data[0].x) == pytest.approx([1000.0, 2000.0])


def test_a_large_screen_gets_larger_letters_and_points_and_the_same_numbers() -> None:
    at = datetime(2026, 1, 1, tzinfo=UTC)
    readings = [(at, 1000.0, 0.1), (at, 2000.0, 0.9)]
    near, far = (growth_figure(readings, [], Screen(width, "metric")) for width in (1400, 3840))
    assert far["layout"]["font"]["size"] == pytest.approx(1.6 * near["layout"]["font"]["size"])
    assert far["layout"]["height"] == pytest.approx(1.6 * near["layout"]["height"])
    assert far["data"][0]["marker"]["size"] > near["data"][0]["marker"]["size"]
    assert (far["data"][0]["x"], far["data"][0]["y"]) == (near["data"][0]["x"], near["data"][0]["y"])


def test_the_large_screens_of_pictures_are_those_of_the_style_sheet() -> None:
    style = (Path(__file__).parents[2] / "dashboards" / "assets" / "style.css").read_text()
    for width, scale in LARGE_SCREENS:
        assert f"@media (min-width: {width}px) {{ html {{ font-size: {scale:.0%}; }} }}" in style


def test_the_invented_car_comes_in_at_a_click(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = Logbook(tmp_path / "empty")
    looked_at: list[str] = []

    def look(logbook: Logbook, session_id: str) -> None:
        looked_at.append(session_id)
        logbook.save_analysis(session_id, [WELL], [])

    monkeypatch.setattr("obdwatch.analysis.analyse_stored", look)  # what it finds is the demo's own test
    beginning = Beginning(made)
    beginning.begin()
    beginning.begin()
    beginning.wait(60.0)
    assert beginning.done
    assert looked_at == sorted(one.id for one in made.sessions("old-fern"))
    assert len(looked_at) == 12
    assert "Old Fern" in page(made, "/")


def test_a_story_that_cannot_be_brought_in_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise LogbookError("the disk is full")

    monkeypatch.setattr("obdwatch.demo.bring_in", refuse)
    beginning = Beginning(Logbook(tmp_path / "empty"))
    beginning.begin()
    beginning.wait(60.0)
    assert not beginning.done
    assert beginning.told == "That did not work: the disk is full"
