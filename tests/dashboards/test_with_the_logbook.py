"""The dashboard over a real logbook and real session files, without a stand-in: what is written is what is shown."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from dashboards.app import show_page
from dashboards.pages.drive import body
from dashboards.sessions import SessionShelf
from dashboards.visit import visit_from
from obdwatch.analysis import DETECTORS, analyse_drive
from obdwatch.errors import LogbookError, SessionFileError
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Mark, MarkKind, Session
from tests.dashboards.samples import CAR, FAULT, session, usual_drive
from tests.dashboards.test_pages import text

VISIT = visit_from({"path": "/", "width": 1280})


def written(folder: Path, told: Session) -> Path:
    """Write the usual drive into a session file."""
    path = folder / f"{told.id}.obdw"
    with SessionWriter(path, told) as writer:
        for signal in usual_drive().signals.values():
            writer.samples(signal.key, signal.times, signal.values)
        writer.mark(Mark(700.0, MarkKind.LINK_LOST, "adapter does not answer", 60.0))
    return path


@pytest.fixture
def logbook(tmp_path: Path) -> Logbook:
    made = Logbook(tmp_path / "logbook")
    made.add_car(CAR)
    made.add_session(written(tmp_path, session("morning")))
    return made


def test_drive_is_listed_and_shown_as_it_was_written(logbook: Logbook) -> None:
    logbook.save_analysis("morning", [FAULT], [])
    shelf = SessionShelf(logbook)
    assert "The thermostat lets the engine run too cold" in text(show_page(shelf, VISIT).children)
    loaded = shelf.open("morning")
    coolant = usual_drive().signals["coolant_temperature"]
    np.testing.assert_allclose(loaded.traces["coolant_temperature"].values, coolant.values)
    shown = text(body(loaded, VISIT))
    assert "link lost, 60 seconds" in shown
    assert "31 minutes, at least 26.9" in shown


def test_drive_nobody_judged_is_judged_by_the_real_analysis(logbook: Logbook) -> None:
    findings = SessionShelf(logbook, analyse=analyse_drive).open("morning").findings
    assert [finding.detector for finding in findings] == ["rationality", *(one.name for one in DETECTORS), "trends"]


def test_correction_of_the_keeper_is_shown(logbook: Logbook) -> None:
    logbook.edit_session("morning", odometer_km=200_000.0, note="new tyres")
    shown = text(body(SessionShelf(logbook).open("morning"), VISIT))
    assert "200,000" in shown
    assert "new tyres" in shown


@pytest.mark.parametrize("name", ["morn", "MORNING", "", "morning.obdw"])
def test_only_the_whole_id_opens_a_drive(logbook: Logbook, name: str) -> None:
    """The logbook itself takes beginnings of ids and paths, for the command line; an address must not."""
    with pytest.raises(LogbookError, match="no drive with that address"):
        SessionShelf(logbook).open(name)


def test_path_of_a_session_file_opens_nothing(logbook: Logbook, tmp_path: Path) -> None:
    other = written(tmp_path, session("elsewhere"))
    assert logbook.path_of(other) == other
    with pytest.raises(LogbookError, match="no drive with that address"):
        SessionShelf(logbook).open(str(other))


def test_missing_and_overwritten_files_are_told(logbook: Logbook) -> None:
    path = logbook.path_of("morning")
    path.write_bytes(b"not a session" * 1000)
    with pytest.raises(SessionFileError):
        SessionShelf(logbook).open("morning")
    path.unlink()
    with pytest.raises(SessionFileError, match="is not there"):
        SessionShelf(logbook).open("morning")
