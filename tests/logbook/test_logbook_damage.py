"""A logbook that cannot be used says so in one line; two processes do not harm each other; a crash leaves no half."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from obdwatch.errors import LogbookError
from obdwatch.logbook import database
from obdwatch.logbook.logbook import AnalysisOrigin, Logbook
from tests.logbook.fixtures import CAR, add_drive, event


def said(action: Callable[[], object]) -> str:
    with pytest.raises(LogbookError) as caught:
        action()
    text = str(caught.value)
    assert "\n" not in text
    return text


def database_of(folder: Path) -> Path:
    return folder / "logbook.sqlite3"


def test_a_file_in_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "book").write_text("x", "utf-8")
    assert "cannot hold a logbook" in said(lambda: Logbook(tmp_path / "book"))


def test_a_folder_in_place_of_the_database(tmp_path: Path) -> None:
    database_of(tmp_path).mkdir()
    assert "cannot be opened" in said(lambda: Logbook(tmp_path))


@pytest.mark.parametrize(
    "data", [b"no database at all, but long enough to look at" * 30, b"SQLite format 3\0" + b"\xff" * 4000]
)
def test_a_damaged_database_says_where_the_drives_are(tmp_path: Path, data: bytes) -> None:
    database_of(tmp_path).write_bytes(data)
    text = said(lambda: Logbook(tmp_path))
    assert str(database_of(tmp_path)) in text
    assert "move that file away" in text
    assert database_of(tmp_path).read_bytes() == data


def test_a_page_damaged_in_the_middle(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    book.add_car(CAR)
    data = bytearray(database_of(tmp_path).read_bytes())
    data[4096:] = b"\xa5" * (len(data) - 4096)
    database_of(tmp_path).write_bytes(bytes(data))
    assert "damaged" in said(book.cars)


def test_a_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    with contextlib.closing(sqlite3.connect(database_of(tmp_path))) as connection:
        connection.execute("CREATE TABLE mine (x)")
    data = database_of(tmp_path).read_bytes()
    assert "another program" in said(lambda: Logbook(tmp_path))
    assert database_of(tmp_path).read_bytes() == data


def test_a_newer_format_asks_for_an_update(tmp_path: Path) -> None:
    Logbook(tmp_path)
    with contextlib.closing(sqlite3.connect(database_of(tmp_path))) as connection:
        connection.execute("PRAGMA user_version = 99")
    known = len(database.MIGRATIONS)
    expected = f"has format version 99, this obdwatch reads up to {known}: update obdwatch"
    assert expected in said(lambda: Logbook(tmp_path))


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_without_permission_is_read_but_not_written(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    book.add_car(CAR)
    database_of(tmp_path).chmod(0o400)
    assert book.cars() == (CAR,)
    assert "cannot be written" in said(lambda: book.add_event(event()))


def test_a_migration_that_fails_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Logbook(tmp_path).add_car(CAR)

    def half_done(connection: sqlite3.Connection) -> None:
        connection.execute("CREATE TABLE extra (x)")
        connection.execute("DROP TABLE car")
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(database, "MIGRATIONS", (*database.MIGRATIONS, half_done))
    assert "the disk is full" in said(lambda: Logbook(tmp_path))
    monkeypatch.undo()
    assert Logbook(tmp_path).cars() == (CAR,)


def test_a_logbook_of_the_first_format_is_brought_up_to_date(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    book.add_car(CAR)
    add_drive(book, "a")
    with contextlib.closing(sqlite3.connect(database_of(tmp_path))) as connection:
        connection.execute("DROP TABLE analysis")
        connection.execute("PRAGMA user_version = 1")
    newer = Logbook(tmp_path)
    assert (newer.cars(), newer.analyses()) == ((CAR,), {})
    origin = AnalysisOrigin("from this and that", ("a remark, ü",))
    newer.save_analysis("a", (), (), origin)
    assert newer.analyses() == {"a": origin}
    newer.save_analysis("a", (), ())
    assert newer.analyses() == {}


def test_a_migration_is_applied_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Logbook(tmp_path).add_car(CAR)
    calls: list[int] = []

    def second(connection: sqlite3.Connection) -> None:
        calls.append(1)
        connection.execute("ALTER TABLE car ADD COLUMN colour TEXT")

    monkeypatch.setattr(database, "MIGRATIONS", (*database.MIGRATIONS, second))
    assert Logbook(tmp_path).cars() == Logbook(tmp_path).cars() == (CAR,)
    assert calls == [1]


def test_a_change_that_fails_half_way_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = Logbook(tmp_path / "one")
    source.add_car(CAR)
    source.add_event(event())
    text = source.export_user_data()
    target = Logbook(tmp_path / "two")

    def fails(*_: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(database, "add_event", fails)
    assert "cannot be used" in said(lambda: target.import_user_data(text))
    assert target.cars() == ()


def test_a_lock_held_for_too_long_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = Logbook(tmp_path)
    monkeypatch.setattr(database, "PATIENCE", 0.05)
    with contextlib.closing(sqlite3.connect(database_of(tmp_path), isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        assert "writing to the logbook for too long" in said(lambda: book.add_car(CAR))


WRITER = """
import sys
from obdwatch.logbook.logbook import Logbook
from obdwatch.records import Event, EventKind
from datetime import UTC, datetime
book = Logbook(sys.argv[1])
for n in range(40):
    book.add_event(Event("family-car", datetime(2026, 3, 1, tzinfo=UTC), EventKind.NOTE, note=f"{sys.argv[2]} {n}"))
"""


def test_two_processes_write_at_the_same_time(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    book.add_car(CAR)
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path), name]) for name in ("one", "two")]
    seen = 0
    while any(writer.poll() is None for writer in writers):
        now = len(book.events())
        assert now >= seen
        seen = now
    assert [writer.returncode for writer in writers] == [0, 0]
    assert len(book.events()) == 80


def test_threads_share_one_logbook(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    book.add_car(CAR)
    threads = [threading.Thread(target=lambda: [book.add_event(event()) for _ in range(10)]) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(book.events()) == 40


def test_two_processes_may_make_a_logbook_at_once(tmp_path: Path) -> None:
    program = "import sys; from obdwatch.logbook.logbook import Logbook; Logbook(sys.argv[1]).cars()"
    makers = [subprocess.Popen([sys.executable, "-c", program, str(tmp_path / "book")]) for _ in range(3)]
    assert [maker.wait() for maker in makers] == [0, 0, 0]


def test_closing_is_only_a_matter_of_form(tmp_path: Path) -> None:
    with Logbook(tmp_path) as book:
        book.add_car(CAR)
    assert book.cars() == (CAR,)
    assert [path.name for path in tmp_path.iterdir() if path.is_file()] == ["logbook.sqlite3"]
