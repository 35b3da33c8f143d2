"""The inspection page without a browser: what its steps hold, what it writes down, and what it withstands."""

from __future__ import annotations

import base64
import io
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from dashboards.app import create_app, show_page
from dashboards.photos import FOLDER, MOST_BYTES, START, keep_photo, photo_address, photo_from
from dashboards.sessions import SessionShelf
from dashboards.visit import Page, Visit, visit_from
from obdwatch.errors import InputError
from obdwatch.logbook.logbook import Logbook
from obdwatch.parts.inspection_questions import read_questions
from obdwatch.records import Car, Event, EventKind
from tests.dashboards.samples import FakeLogbook
from tests.dashboards.test_pages import text

NOW = datetime.now(UTC)


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    made = Logbook(tmp_path)
    made.add_car(Car("fern", "Fern", cylinders=6))
    made.add_event(Event("fern", NOW - timedelta(days=9), EventKind.ODOMETER, 168_000.0))
    return made


def at(path: str, search: str = "") -> Visit:
    return visit_from({"path": path, "search": search, "width": 390})


def page(book: Any, path: str, search: str = "") -> Page:
    return show_page(SessionShelf(book), at(path, search))


def steps(book: Logbook) -> list[str]:
    return [one.id for one in SessionShelf(book).inspections.current("fern").walk.questions]


def send(book: Any, question: str, answer: str, photo: Any = None, path: str = "/inspection/fern") -> dict[str, Any]:
    """Send an answer as a browser would, and return what the server gives back."""
    visitor = create_app(book).server.test_client()
    outputs = ["address.href", "told.children"]
    view = visitor.get("/_dash-dependencies", headers={"Host": "127.0.0.1"}).get_json()
    (callback,) = [one for one in view if any("inspected" in str(i["id"]) for i in one["inputs"])]
    ids = [{"id": {"type": "inspected", "question": question, "answer": answer}, "property": "n_clicks", "value": 1}]
    of = {"type": "photo", "of": question}
    names = callback["output"].strip(".").split("...")
    sent = visitor.post(
        "/_dash-update-component",
        headers={"Host": "127.0.0.1"},
        json={
            "output": callback["output"],
            "outputs": [dict(zip(("id", "property"), name.rsplit(".", 1), strict=True)) for name in names],
            "inputs": [ids],
            "state": [
                [{"id": of, "property": "data", "value": photo}],
                {"id": "view", "property": "data", "value": {"path": path, "width": 390}},
            ],
            "changedPropIds": [f"{json.dumps(ids[0]['id'], sort_keys=True, separators=(',', ':'))}.n_clicks"],
        },
    )
    assert sent.status_code == 200, sent.data
    assert len(names) == len(outputs)
    found: dict[str, Any] = sent.get_json()["response"]
    return {name.partition("@")[0].rpartition(".")[0] or name: value for name, value in found.items()}


def jpeg(size: tuple[int, int] = (60, 40)) -> bytes:
    """A picture by an independent writer."""
    kept = io.BytesIO()
    Image.new("RGB", size, (120, 90, 30)).save(kept, "JPEG")
    return kept.getvalue()


def address_of(photo: bytes) -> str:
    return START + base64.b64encode(photo).decode()


def test_beginning_says_what_comes_and_leads_to_the_first_question(book: Logbook) -> None:
    begun = page(book, "/inspection")
    said = text(begun.children)
    assert begun.title == "Fern: inspection"
    assert "8 questions about what no recording shows" in said
    assert "Never open a hot cooling system" in said
    assert f"/inspection/fern/{steps(book)[0]}" in repr(begun.children)


def test_question_shows_how_to_look_what_to_mind_and_how_far_one_is(book: Logbook) -> None:
    names = steps(book)
    one = read_questions().by_id[names[2]]
    shown = page(book, f"/inspection/fern/{names[2]}")
    said = text(shown.children)
    assert shown.title == one.text
    assert "Question 3 of 8, 0 answered" in said
    assert one.look in said
    assert all(caution in said for caution in one.cautions)
    assert [answer in said for answer in ("Yes", "No", "Could not look")] == [True] * 3
    assert f"/inspection/fern/{names[1]}" in repr(shown.children)


def test_answer_is_in_the_log_before_the_next_question_shows(book: Logbook) -> None:
    names = steps(book)
    sent = send(book, names[0], "yes")
    assert sent["address"]["href"] == f"/inspection/fern/{names[1]}"
    assert [(one.question, one.answer) for one in book.events() if one.question] == [(names[0], "yes")]
    assert "Yes (your answer)" in " ".join(text(page(book, f"/inspection/fern/{names[0]}").children).split())
    assert "Go on" in text(page(book, "/inspection/fern").children)
    for name in names[1:]:
        sent = send(book, name, "could not look")
    assert sent["address"]["href"] == "/inspection/fern/summary"
    assert steps(book) == names


def test_summary_says_what_changed_and_leads_back_to_each_answer(book: Logbook) -> None:
    assert "0 of 8" in text(page(book, "/inspection/fern/summary").children)
    name = next(one for one in steps(book) if "coolant_pump" in read_questions().by_id[one].yes_if_degraded)
    send(book, name, "yes")
    shown = page(book, "/inspection/fern/summary")
    assert "Coolant pump : more likely worn:" in text(shown.children)
    assert f"/inspection/fern/{name}" in repr(shown.children)
    assert "not an inspection by law" in text(shown.children)


def test_all_questions_stay_all_from_step_to_step(book: Logbook) -> None:
    begun = page(book, "/inspection/fern", "?all=yes")
    assert "?all=yes" in repr(begun.children)
    assert "Only the few questions that tell most" in text(begun.children)


def test_photo_is_kept_beside_the_logbook_and_shown_again(book: Logbook) -> None:
    name, photo = steps(book)[0], jpeg()
    send(book, name, "yes", address_of(photo))
    (event,) = [one for one in book.events() if one.question]
    assert (book.directory / FOLDER / f"{event.id}.jpg").read_bytes() == photo
    assert address_of(photo) in repr(page(book, f"/inspection/fern/{name}").children)
    assert address_of(photo) in repr(page(book, "/inspection/fern/summary").children)
    assert photo_address(book.directory, 99) is None
    assert photo_address(book.directory, None) is None
    assert list((book.directory / FOLDER).glob("*.part")) == []


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        ("data:text/html;base64,PGI+", "did not arrive as a picture"),
        ({"a": 1}, "did not arrive as a picture"),
        (START + "%%%", "arrived damaged"),
        (START + "ü", "arrived damaged"),
        (address_of(b"<svg onload=alert(1)>"), "no JPEG"),
        (address_of(jpeg()[:-2]), "no JPEG"),
        (address_of(b"\xff\xd8\xff" + bytes(MOST_BYTES) + b"\xff\xd9"), "larger than 700 kB"),
    ],
)
def test_what_is_no_photo_is_refused_and_nothing_is_noted(book: Logbook, sent: Any, told: str) -> None:
    with pytest.raises(InputError, match=told):
        photo_from(sent)
    answer = send(book, steps(book)[0], "yes", sent)
    assert told in str(answer["told"]["children"])
    assert not [one for one in book.events() if one.question]
    assert not (book.directory / FOLDER).exists()


@pytest.mark.parametrize("nothing", [None, ""])
def test_photo_is_optional(nothing: object) -> None:
    assert photo_from(nothing) is None


def test_photo_of_another_answer_takes_the_place_of_the_first(tmp_path: Path) -> None:
    for size in ((10, 10), (20, 20)):
        keep_photo(tmp_path, 3, jpeg(size))
    assert photo_address(tmp_path, 3) == address_of(jpeg((20, 20)))


@pytest.mark.parametrize(
    ("question", "answer", "path", "told"),
    [
        ("nonsense", "yes", "/inspection/fern", "no question is called"),
        ("../../etc/passwd", "yes", "/inspection/fern", "no question is called"),
        ("belt_cracks", "<b>yes</b>", "/inspection/fern", "it may be yes, no, could not look"),
        ("belt_cracks", "yes", "/inspection/nobody", "no car"),
        ("belt_cracks", "yes", "/inspection", "names no car"),
    ],
)
def test_made_up_answer_is_told_and_not_noted(book: Logbook, question: str, answer: str, path: str, told: str) -> None:
    assert told in str(send(book, question, answer, path=path)["told"]["children"])
    assert not [one for one in book.events() if one.question]


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("/inspection/nobody", "no car 'nobody'"),
        ("/inspection/fern/nonsense", "not part of the walk any more"),
        ("/inspection/fern/../../etc", "not part of the walk any more"),
        ("/inspection/%3Cb%3E", "no car '<b>'"),
    ],
)
def test_wrong_address_is_told(book: Logbook, path: str, told: str) -> None:
    assert told in text(page(book, path).children)


def test_logbook_without_a_car_says_how_to_add_one(tmp_path: Path) -> None:
    assert "obdwatch car add" in text(page(Logbook(tmp_path), "/inspection").children)


def test_stand_in_that_only_shows_drives_says_so(tmp_path: Path) -> None:
    assert "cannot take answers" in text(page(FakeLogbook(tmp_path), "/inspection").children)


def test_name_with_markup_stays_text(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    book.add_car(Car("fern", "<b>bold</b>"))
    assert page(book, "/inspection/fern").title == "<b>bold</b>: inspection"
