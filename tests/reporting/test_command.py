"""`obdwatch report` as a user meets it: with little, with nothing, with wrong names and without libraries."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from obdwatch.cli import run
from obdwatch.errors import InputError
from obdwatch.logbook.logbook import Logbook
from obdwatch.records import Car, Event, EventKind
from obdwatch.reporting.document import Document
from obdwatch.reporting.page import page
from obdwatch.reporting.pdf import pdf
from obdwatch.reporting.report import report_of
from tests.reporting.conftest import MADE_AT
from tests.reporting.reading import page_text, pdf_text, squeezed, texts_of


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(["report", *arguments]) == 2
    line = capsys.readouterr().err.strip()
    assert "\n" not in line
    return line


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Logbook:
    """A logbook whose report costs next to nothing: a car that was never driven."""
    logbook = Logbook(tmp_path_factory.mktemp("plain"))
    logbook.save_car(Car("fern", "Fern", cylinders=4))
    return logbook


def test_it_writes_a_page_and_a_pdf(plain: Logbook, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = str(plain.directory)
    for name in ("fern.html", "fern.PDF"):
        assert run(["report", "--logbook", book, "--out", str(tmp_path / name)]) == 0
        assert capsys.readouterr().out.startswith(f"Written: {tmp_path / name}\n")
    assert (tmp_path / "fern.html").read_text("utf-8").startswith("<!doctype html>")
    assert (tmp_path / "fern.PDF").read_bytes().startswith(b"%PDF-")


def test_json_is_the_same_report(plain: Logbook, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "fern.html"
    assert run(["report", "--logbook", str(plain.directory), "--out", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["written"] == str(out)
    assert squeezed(told["report"]["sections"][0]["blocks"][0]["text"]) in page_text(out.read_text("utf-8"))


def test_an_empty_logbook_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = refused(capsys, "--logbook", str(tmp_path / "book"), "--out", str(tmp_path / "x.html"))
    assert "obdwatch car add" in line
    assert not (tmp_path / "x.html").exists()


def test_wrong_names_are_refused_in_one_line(
    plain: Logbook, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = ("--logbook", str(plain.directory))
    assert ".html" in refused(capsys, *book, "--out", str(tmp_path / "fern.doc"))
    assert "obdwatch car list" in refused(capsys, *book, "--car", "<b>", "--out", str(tmp_path / "x.html"))
    kept = tmp_path / "kept.html"
    kept.write_text("mine")
    assert "exists already" in refused(capsys, *book, "--out", str(kept))
    assert kept.read_text() == "mine"


def test_of_several_cars_one_must_be_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    logbook = Logbook(tmp_path / "book")
    logbook.save_car(Car("one"))
    logbook.save_car(Car("two"))
    line = refused(capsys, "--logbook", str(logbook.directory), "--out", str(tmp_path / "x.html"))
    assert "one, two" in line


def test_without_the_libraries_there_is_a_page_and_a_plain_word(
    report: Document, monkeypatch: pytest.MonkeyPatch
) -> None:
    for missing in ("fpdf", "matplotlib"):
        with monkeypatch.context() as without:
            without.setitem(sys.modules, missing, None)
            with pytest.raises(InputError, match=rf"'{missing}'.*pip install fpdf2 matplotlib"):
                pdf(report, MADE_AT)
            assert len(page(report)) > 10_000


def test_a_car_without_drives_has_a_report(tmp_path: Path) -> None:
    logbook = Logbook(tmp_path / "book")
    logbook.save_car(Car("fern", "Fern", cylinders=4))
    logbook.add_event(Event("fern", MADE_AT, EventKind.ODOMETER, odometer_km=220_000.0))
    report = report_of(logbook, None, "metric", MADE_AT)
    texts = " ".join(texts_of(report))
    assert "No drive of this car has been recorded yet" in texts
    assert "Unknown: no drive has read" in texts
    assert "220,000\xa0km" in texts
    assert "Likely worn by their distance alone" in texts
    on_page, on_paper = page_text(page(report)), pdf_text(pdf(report, MADE_AT))
    for wanted in (squeezed(text) for text in texts_of(report)):
        assert wanted in on_page
        assert wanted in on_paper


def test_drives_without_profile_analysis_or_file_are_told(fern: Logbook, tmp_path: Path) -> None:
    logbook = Logbook(tmp_path / "book")
    source = sorted(fern.sessions_folder.iterdir())[0]
    path = logbook.sessions_folder / source.name
    shutil.copyfile(source, path)
    logbook.add_session(path)
    path.write_bytes(b"not a session any more" * 100)
    texts = " ".join(texts_of(report_of(logbook, None, "metric", MADE_AT)))
    assert "none has been analysed yet" in texts
    assert "obdwatch analyse --all" in texts
    assert "The recording of the drive of 2026-02-09 could not be read" in texts
    assert str(tmp_path) not in texts, "where the file lies is nobody's business"


@pytest.mark.parametrize("name", ["fern.html", "fern.pdf"])
def test_a_terminal_sees_how_far_it_is(
    plain: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    shown: list[float] = []

    @contextmanager
    def bar(_settings: object, label: str) -> Iterator[Callable[[float], None]]:
        assert label == "Writing the report"
        yield shown.append

    monkeypatch.setattr("obdwatch.commands.report.progress_bar", bar)
    assert run(["report", "--logbook", str(plain.directory), "--out", str(tmp_path / name)]) == 0
    assert shown == sorted(shown)
    assert len(shown) > 4
    assert shown[-1] == pytest.approx(1.0)
