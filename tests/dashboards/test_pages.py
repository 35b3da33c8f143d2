"""Pages and callbacks without a browser: what they hold, and that they withstand whatever is sent."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import dash_mantine_components as dmc
import pytest
from dash.development.base_component import Component

from dashboards.app import create_app, show_page
from dashboards.pages.drive import body, in_short
from dashboards.pages.drive_sections import problems
from dashboards.pages.drives import ON_A_PAGE
from dashboards.sessions import SessionShelf
from dashboards.visit import Visit, visit_from
from obdwatch.records import Drive, Mark, MarkKind, Signal, Urgency
from tests.dashboards.samples import FAULT, HEALTHY, UNSURE, FakeLogbook, session, times, usual_drive


def visit(path: str, **view: Any) -> Visit:
    return visit_from({"path": path, "width": 1280, **view})


def words(node: Any) -> Iterator[str]:
    """Every text of a tree of components, in order."""
    if isinstance(node, str):
        yield node
    elif isinstance(node, list | tuple):
        for one in node:
            yield from words(one)
    elif isinstance(node, dmc.Table):
        yield from words([node.data["head"], *node.data["body"]])
    elif isinstance(node, Component):
        yield from words(getattr(node, "children", None))


def text(node: Any) -> str:
    return " ".join(words(node))


def components(node: Any, kind: type[Component]) -> Iterator[Any]:
    """Every component of a kind in a tree of components, in order."""
    if isinstance(node, list | tuple):
        for one in node:
            yield from components(one, kind)
    elif isinstance(node, Component):
        if isinstance(node, kind):
            yield node
        yield from components(getattr(node, "children", None), kind)


def shelf_with(tmp_path: Path, *drives: Drive) -> SessionShelf:
    book = FakeLogbook(tmp_path)
    for drive in drives:
        book.add(drive, FAULT, HEALTHY, UNSURE)
    return SessionShelf(book, load=book.load)


def test_list_shows_the_most_urgent_finding_and_counts_the_others(tmp_path: Path) -> None:
    book = FakeLogbook(tmp_path)
    book.add(usual_drive("a"), HEALTHY, FAULT, replace(FAULT, urgency=Urgency.STOP, headline="Too hot"))
    shown = text(show_page(SessionShelf(book, load=book.load), visit("/drives")).children)
    assert "Stop, do not drive on   Too hot" in shown
    assert "1 more fault" in shown
    assert "latest drive: Too hot. Stop driving until it is put right." in shown


def test_list_is_honest_about_what_is_not_known(tmp_path: Path) -> None:
    book = FakeLogbook(tmp_path)
    book.add(usual_drive("a"), HEALTHY, UNSURE)
    shelf = SessionShelf(book, load=book.load)
    assert "not every question could be answered" in text(show_page(shelf, visit("/drives")).children)
    book.found["a"] = ()
    assert "nobody has looked at the latest drive yet" in text(show_page(shelf, visit("/drives")).children)
    book.found["a"] = (HEALTHY,)
    assert "nothing wrong was found" in text(show_page(shelf, visit("/drives")).children)


def test_fault_of_ours_is_told_and_logged(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    class Broken(FakeLogbook):
        def cars(self) -> Any:
            raise ZeroDivisionError("inside")

    page = show_page(SessionShelf(Broken(tmp_path)), visit("/"))
    assert "This is a fault of the dashboard" in text(page.children)
    assert "inside" not in text(page.children)
    assert "ZeroDivisionError" in caplog.text


def test_body_tells_codes_problems_and_events(tmp_path: Path) -> None:
    shelf = shelf_with(tmp_path, usual_drive("a"))
    shown = text(body(shelf.open("a"), visit("/drive/a")))
    assert "In this recording the code is stored and permanent." in shown
    assert "12 of 41,230 replies were damaged" in shown
    assert "link lost, 60 seconds : adapter does not answer".replace(" :", ":") in shown
    assert "Points to: thermostat, or coolant temperature sensor. How sure: fairly sure (91%)." in shown


def test_endless_events_are_cut_and_said(tmp_path: Path) -> None:
    marks = tuple(Mark(float(t), MarkKind.LINK_LOST) for t in range(1000))
    shelf = shelf_with(tmp_path, replace(usual_drive("a"), marks=marks))
    assert "and 800 more" in text(body(shelf.open("a"), visit("/drive/a")))


def test_states_are_summed_up_by_the_one_that_was_there_most(tmp_path: Path) -> None:
    t = times(10.0, 1.0)
    lamp = Signal("malfunction_lamp", "", t, (t > 6).astype(float))
    shown = text(body(shelf_with(tmp_path, Drive(session("a"), {lamp.key: lamp})).open("a"), visit("/drive/a")))
    assert "– mostly off – 10" in shown


def test_import_without_known_columns_says_what_to_do(tmp_path: Path) -> None:
    empty = Drive(replace(session("a"), origin="imported"), {"x": Signal("x", "", times(0.0, 1.0), times(0.0, 1.0))})
    shown = text(body(shelf_with(tmp_path, empty).open("a"), visit("/drive/a")))
    assert "--columns" in shown


def redraw(tmp_path: Path, trigger: str, **values: Any) -> tuple[int, Any]:
    """Send the callback of a zoom or a choice as a browser would."""
    book = FakeLogbook(tmp_path)
    book.add(usual_drive("a"), FAULT)
    visitor = create_app(book, load=book.load).server.test_client()
    outputs = [("signals", "figure"), ("signals", "style")]
    outputs += [(name, "children") for name in ("values", "shown-part", "trouble")]
    sent = {"window": None, "chosen": ["engine_speed"], "drive": "a", "view": {"width": 1280}, **values}
    answer = visitor.post(
        "/_dash-update-component",
        headers={"Host": "127.0.0.1"},
        json={
            "output": ".." + "...".join(f"{i}.{p}" for i, p in outputs) + "..",
            "outputs": [{"id": i, "property": p} for i, p in outputs],
            "inputs": [
                {"id": "window", "property": "data", "value": sent["window"]},
                {"id": "chosen", "property": "value", "value": sent["chosen"]},
                {"id": "states", "property": "checked", "value": sent.get("states", False)},
            ],
            "state": [
                {"id": "drive", "property": "data", "value": sent["drive"]},
                {"id": "view", "property": "data", "value": sent["view"]},
            ],
            "changedPropIds": [trigger],
        },
    )
    return answer.status_code, json.loads(answer.get_data(as_text=True) or "null")


def test_zoom_sends_only_what_changes(tmp_path: Path) -> None:
    status, answer = redraw(tmp_path, "window.data", window={"start": 100.0, "end": 160.0})
    assert status == 200
    patch = answer["response"]["signals"]["figure"]
    touched = {tuple(op["location"][:2]) for op in patch["operations"]}
    assert touched == {
        ("data", 0), ("layout", "xaxis"), ("layout", "xaxis2"), ("layout", "shapes"),
        ("layout", "annotations"),
    }  # fmt: skip
    assert "0:01:40 to 0:02:40" in json.dumps(answer["response"]["values"])
    assert answer["response"]["shown-part"]["children"] == "Shown: 0:01:40 to 0:02:40"


def test_choice_sends_a_new_figure(tmp_path: Path) -> None:
    status, answer = redraw(tmp_path, "chosen.value", chosen=["coolant_temperature", "air_flow"])
    assert status == 200
    assert "yaxis2" in answer["response"]["signals"]["figure"]["layout"]


@pytest.mark.parametrize(
    "values",
    [
        {"window": {"start": "x", "end": []}},
        {"window": [1, 2]},
        {"window": {"start": -1e300, "end": 1e300}},
        {"chosen": None},
        {"chosen": "engine_speed"},
        {"chosen": [["a"], 5, None, "no such signal", "engine_speed", "engine_speed"]},
        {"view": None},
        {"view": {"width": "wide", "units": 5}},
        {"window": {"start": 1, "end": 2, "finding": {"a": 1}}},
    ],
)
def test_whatever_is_sent_is_answered(tmp_path: Path, values: dict[str, Any]) -> None:
    for trigger in ("window.data", "chosen.value"):
        assert redraw(tmp_path, trigger, **values)[0] == 200


@pytest.mark.parametrize("session_id", ["unknown", None, 5, {"a": 1}, "../0.obdw"])
def test_drive_that_is_gone_is_told_beside_the_picture(tmp_path: Path, session_id: Any) -> None:
    status, answer = redraw(tmp_path, "window.data", drive=session_id)
    assert status == 200
    assert "can no longer be read" in json.dumps(answer["response"]["trouble"])
    assert "signals" not in answer["response"]


def test_long_list_is_dealt_out_in_pages_and_none_is_lost(tmp_path: Path) -> None:
    book = FakeLogbook(tmp_path)
    for number in range(2 * ON_A_PAGE + 5):
        told = replace(session(f"s{number}"), note=f"drive number {number}.")
        book.add(Drive(told, {}), FAULT)
    shelf = SessionShelf(book, load=book.load)

    def on_page(asked: str) -> str:
        return text(show_page(shelf, visit_from({"path": "/drives", "search": asked})).children)

    pages = [on_page(f"?page={number}") for number in (1, 2, 3)]
    assert "Drives 101 to 200 of 205, the latest first." in pages[1]
    assert ["Later drives" in page for page in pages] == [False, True, True]
    assert ["Earlier drives" in page for page in pages] == [True, True, False]
    assert all(sum(f"drive number {number}." in page for page in pages) == 1 for number in range(205))
    assert on_page("?page=99") == pages[2]
    assert on_page("?page=-1") == on_page("?page=%00") == on_page("?page=" + "9" * 5_000) == on_page("") == pages[0]


def test_a_drive_that_answers_nothing_is_not_called_sound() -> None:
    open_ones = [replace(UNSURE, detector=str(number)) for number in range(3)]
    assert in_short(open_ones).startswith("Too little in this drive to tell anything")
    assert in_short([HEALTHY, *open_ones]).startswith("Nothing wrong was found")


def test_damage_is_told_in_plain_words_with_what_to_do() -> None:
    lost = "part of the values read from the car is damaged and lost; the rest is kept"
    told = text(problems((lost, "coolant_temperature: 4 single values left out")))
    assert "Part of the values read from the car is damaged and lost; the rest is kept." in told
    assert "Engine coolant temperature: 4 single values left out." in told
    assert "copy it from there once more" in told
    assert "copy it" not in text(problems(("recovered",)))
    assert problems(()) == []
