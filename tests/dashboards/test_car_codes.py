"""The page on trouble codes begins with what the car itself had; read from real recordings of the virtual car."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from dashboards.app import show_page
from dashboards.sessions import SessionShelf
from dashboards.visit import visit_from
from obdwatch.logbook.logbook import Logbook
from obdwatch.records import Car
from tests.dashboards.test_pages import text

STORY = Path(__file__).parents[2] / "recorded_sessions"
CODES = visit_from({"path": "/codes"})


def shown(tmp_path: Path, *names: str) -> str:
    book = Logbook(tmp_path / "logbook")
    if names:
        book.save_car(Car("old-fern", name="Old Fern"))
    for name in names:
        (path,) = STORY.glob(f"{name}*.obdw")
        book.add_session(Path(shutil.copy(path, book.sessions_folder)))
    return " ".join(text(show_page(SessionShelf(book), CODES).children).split())


def test_codes_of_the_newest_drive_that_read_them_are_said_in_words(tmp_path: Path) -> None:
    words = shown(tmp_path, "2026-10-24", "2026-02-28")
    assert "Read from Old Fern" in words
    assert "P0128 Engine stays too cool (thermostat): stored, pending and permanent" in words
    assert "24 October 2026" in words


def test_no_code_is_said_as_such(tmp_path: Path) -> None:
    assert "No code was set on the drive of Saturday 28 February 2026" in shown(tmp_path, "2026-02-28")


def test_memory_that_was_never_read_is_not_called_empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("obdwatch.car_risks.codes_of", lambda _path: None)
    words = shown(tmp_path, "2026-02-28")
    assert "No recording of this car has read its memory of codes" in words
    assert "No code was set" not in words


def test_empty_logbook_only_offers_the_search(tmp_path: Path) -> None:
    assert shown(tmp_path).startswith("Trouble codes A code, several codes, or words")
