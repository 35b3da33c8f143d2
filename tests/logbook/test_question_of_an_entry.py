"""Entries that answer a question of the guided inspection, in new logbooks, older ones and exported ones."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from dataclasses import replace
from pathlib import Path

from obdwatch.logbook.logbook import DATABASE, Logbook
from obdwatch.records import EventKind
from tests.logbook.fixtures import CAR, event


def test_the_question_of_an_answer_is_kept_and_can_be_changed(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    book.add_car(CAR)
    kept = book.add_event(replace(event(EventKind.INSPECTION), answer="yes", question="oil_on_belt"))
    assert book.events() == (kept,)
    assert kept.question == "oil_on_belt"
    book.edit_event(replace(kept, answer="no"))
    assert [(one.answer, one.question) for one in book.events()] == [("no", "oil_on_belt")]


def test_an_older_logbook_keeps_its_entries_and_takes_answers(tmp_path: Path) -> None:
    """The second format had no column for the question."""
    book = Logbook(tmp_path)
    book.add_car(CAR)
    old = book.add_event(event(EventKind.INSPECTION))
    with contextlib.closing(sqlite3.connect(tmp_path / DATABASE)) as connection:
        connection.execute("ALTER TABLE event DROP COLUMN question")
        connection.execute("PRAGMA user_version = 2")
    newer = Logbook(tmp_path)
    assert newer.events() == (old,)
    assert old.question is None
    answered = newer.add_event(replace(event(EventKind.INSPECTION), question="oil_on_belt"))
    assert set(newer.events()) == {old, answered}


def test_an_export_of_an_older_version_has_no_questions(tmp_path: Path) -> None:
    book = Logbook(tmp_path / "one")
    book.add_car(CAR)
    book.add_event(event(EventKind.INSPECTION))
    document = json.loads(book.export_user_data())
    del document["events"][0]["question"]
    other = Logbook(tmp_path / "two")
    other.import_user_data(json.dumps(document))
    assert [one.question for one in other.events()] == [None]
    assert other.import_user_data(book.export_user_data()).events == ()
