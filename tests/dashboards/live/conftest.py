"""A logbook, a recording that runs in it, and the page that reads along."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboards.live_feed import Recordings
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Car, Session
from tests.dashboards.live.recording import BEGAN, MARKUP, Hand, Page


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    made = Logbook(tmp_path / "book")
    made.add_car(Car("fern", f"Fern {MARKUP}", cylinders=4))
    return made


@pytest.fixture
def writer(book: Logbook) -> Iterator[SessionWriter]:
    session = Session("drive-1", BEGAN, "fern", note=MARKUP)
    with SessionWriter(book.sessions_folder / "drive-1.obdw", session) as made:
        yield made


@pytest.fixture
def page(book: Logbook) -> Page:
    hand = Hand()
    return Page(Recordings(book, hand), hand)
