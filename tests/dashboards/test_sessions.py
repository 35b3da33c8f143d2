"""The shelf: looks up, never guesses paths, keeps the last drives, notices a changed file."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

import dashboards.sessions as sessions_module
from dashboards.sessions import SessionShelf
from obdwatch.errors import LogbookError, SessionFileError
from obdwatch.records import Car, Drive, Finding
from tests.dashboards.samples import FAULT, HEALTHY, FakeLogbook, session, usual_drive


@dataclass(frozen=True)
class Judged:
    findings: Sequence[Finding]
    remarks: Sequence[str]


@pytest.fixture
def book(tmp_path: Path) -> FakeLogbook:
    made = FakeLogbook(tmp_path, broken=frozenset({"torn"}), missing=frozenset({"gone"}))
    for session_id in ("a", "b", "torn", "gone"):
        made.add(usual_drive(session_id), FAULT)
    return made


def shelf_of(book: FakeLogbook, **more: Any) -> SessionShelf:
    return SessionShelf(book, load=book.load, **more)


def test_drives_are_listed_latest_first_and_undated_last(tmp_path: Path) -> None:
    book = FakeLogbook(tmp_path)
    book.add(Drive(session("old", 3), {}))
    book.add(Drive(replace(session("undated"), started_at=None), {}))
    book.add(Drive(session("new", 9), {}), HEALTHY)
    shelf = shelf_of(book)
    listed = shelf.listed(shelf.sessions())
    assert [line.session.id for line in listed] == ["new", "old", "undated"]
    assert listed[0].findings == (HEALTHY,)
    assert listed[0].car is not None


def test_second_look_reads_no_file(book: FakeLogbook) -> None:
    shelf = shelf_of(book)
    assert shelf.open("a").drive is shelf.open("a").drive
    assert book.loads == 1


def test_what_the_logbook_says_is_always_fresh(book: FakeLogbook) -> None:
    """The keeper may name the car, correct a note or have the drive analysed again while its page is open."""
    shelf = shelf_of(book)
    assert shelf.open("a").findings == (FAULT,)
    book.found["a"] = (HEALTHY,)
    book.known_cars = ()
    assert shelf.open("a").findings == (HEALTHY,)
    assert shelf.open("a").car is None
    assert book.loads == 1


def test_changed_file_is_read_again(book: FakeLogbook) -> None:
    shelf = shelf_of(book)
    shelf.open("a")
    os.utime(book.path_of("a"), ns=(1, 1))
    shelf.open("a")
    assert book.loads == 2


def test_least_recently_seen_drive_is_put_away(book: FakeLogbook, monkeypatch: pytest.MonkeyPatch) -> None:
    one = shelf_of(book).open("a").samples
    monkeypatch.setattr(sessions_module, "MOST_SAMPLES", one)
    shelf = shelf_of(book)
    book.loads = 0
    shelf.open("a")
    shelf.open("b")
    shelf.open("b")
    assert book.loads == 2
    shelf.open("a")
    assert book.loads == 3


@pytest.mark.parametrize("session_id", ["", "unknown", "../a", "/etc/passwd", "a\x00", "A"])
def test_unknown_id_is_refused_without_touching_a_file(book: FakeLogbook, session_id: str) -> None:
    with pytest.raises(LogbookError, match="no drive with that address"):
        shelf_of(book).open(session_id)
    assert book.loads == 0


def test_missing_and_damaged_files_say_so(book: FakeLogbook) -> None:
    with pytest.raises(SessionFileError, match="is not there; put it back"):
        shelf_of(book).open("gone")
    with pytest.raises(SessionFileError, match="damaged"):
        shelf_of(book).open("torn")


def test_findings_of_the_logbook_are_not_made_again(book: FakeLogbook) -> None:
    def never(drive: Drive, car: Car | None) -> Judged:
        raise AssertionError("analysed although the logbook has findings")

    assert shelf_of(book, analyse=never).open("a").findings == (FAULT,)


def test_drive_without_findings_is_judged_once(tmp_path: Path) -> None:
    book = FakeLogbook(tmp_path)
    book.add(usual_drive("a"))
    asked: list[str] = []

    def judge(drive: Drive, car: Car | None) -> Judged:
        asked.append(f"{drive.session.id} {car.id if car else ''}")
        return Judged((HEALTHY,), ("a remark",))

    shelf = shelf_of(book, analyse=judge)
    assert shelf.open("a").findings == (HEALTHY,)
    assert shelf.open("a").remarks == ("a remark",)
    assert asked == ["a blue"]


def test_lines_break_where_the_link_was_lost(book: FakeLogbook) -> None:
    trace = shelf_of(book).open("a").traces["vehicle_speed"]
    assert [float(trace.times[i]) for i in trace.breaks] == [700.0]
