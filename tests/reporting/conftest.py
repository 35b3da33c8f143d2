"""A logbook with three of the recorded sessions, judged once, and what is read out of a page and a PDF."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime

import pytest

from obdwatch.analysis import analyse_stored
from obdwatch.logbook.logbook import Logbook
from obdwatch.reporting.document import Document
from obdwatch.reporting.facts import CarFacts, facts_of
from obdwatch.reporting.report import document_of
from obdwatch.story import FOLDER, read_story

MADE_AT = datetime(2026, 11, 27, 12, 0, tzinfo=UTC)
DRIVES = ("2026-02-09", "2026-05-23", "2026-10-24")  # sound; a cylinder misfires; thermostat and air leak


@pytest.fixture(scope="session")
def fern(tmp_path_factory: pytest.TempPathFactory) -> Logbook:
    story, logbook = read_story(), Logbook(tmp_path_factory.mktemp("fern"))
    logbook.save_car(story.car)
    for event in story.events:
        logbook.add_event(event)
    for drive in story.drives:
        if f"{drive.at:%Y-%m-%d}" in DRIVES:
            target = logbook.sessions_folder / drive.file_name
            shutil.copyfile(FOLDER / drive.file_name, target)
            analyse_stored(logbook, logbook.add_session(target).id)
    return logbook


@pytest.fixture(scope="session")
def facts(fern: Logbook) -> CarFacts:
    car = fern.car("old-fern")
    assert car is not None
    return facts_of(fern, car, "metric", MADE_AT)


@pytest.fixture(scope="session")
def report(facts: CarFacts) -> Document:
    return document_of(facts)
