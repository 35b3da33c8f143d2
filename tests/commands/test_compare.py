"""`obdwatch compare` as a user types it: by itself from the log, with sessions, and what it refuses."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from obdwatch import batch
from obdwatch.cli import run
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Car, Event, EventKind
from tests.comparing.drives import DAY
from tests.detectors.warming_car import Trip, WarmingCar, record

LEAKS = {1: 0.6, 3: 0.6, 20: 0.0, 22: 0.0}  # day: how far the thermostat fails to shut


def write(folder: Path, day: int, leak: float) -> Path:
    """A warm-up as a session file."""
    drive = record(WarmingCar(opening=90.0, leak=leak), Trip(seed=day))
    path = folder / f"drive-{day:02d}.obdw"
    at = DAY + timedelta(days=day)
    session = replace(drive.session, id=path.stem, started_at=at, car_id="fern", odometer_km=160_000.0 + 100.0 * day)
    with SessionWriter(path, session) as writer:
        for key, signal in drive.signals.items():
            writer.samples(key, signal.times.tolist(), signal.values.tolist())
    return path


@pytest.fixture(autouse=True, scope="module")
def one_process() -> Iterator[None]:
    """Four short drives are judged before other processes have started."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(batch, "cores", lambda: 1)
        yield


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("drives")
    for day, leak in LEAKS.items():
        write(place, day, leak)
    return place


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory, folder: Path) -> Path:
    """A logbook with two drives before and two after a new thermostat, judged once."""
    place = tmp_path_factory.mktemp("judged") / "book"
    with Logbook(place) as logbook:
        logbook.add_car(Car("fern", displacement_l=2.0, cylinders=4))
        for path in sorted(folder.glob("*.obdw")):
            (logbook.sessions_folder / path.name).write_bytes(path.read_bytes())
        logbook.rescan()
        logbook.add_event(Event("fern", DAY + timedelta(days=10), EventKind.REPAIR, 161_000.0, "thermostat"))
    assert run(["compare", "--logbook", str(place)]) == 0
    return place


@pytest.fixture
def book(tmp_path: Path, judged: Path) -> Path:
    shutil.copytree(judged, tmp_path / "book")
    return tmp_path / "book"


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path, code: int = 0) -> str:
    assert run([str(argument) for argument in arguments]) == code
    out, err = capsys.readouterr()
    return out if code == 0 else err


def test_without_arguments_it_takes_the_last_repair_and_picks_the_drives(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    text = said(capsys, "compare", "--logbook", book)
    assert text.startswith("Proven")
    assert "2 drives (2 January 2026 to 4 January 2026) before, " in text
    assert "2 drives (21 January 2026 to 23 January 2026) after" in text
    assert "161,000 km: thermostat" in text
    assert "Note: One drive" not in text


def test_the_json_holds_the_verdict_and_every_number(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = json.loads(said(capsys, "compare", "--car", "fern", "--json", "--logbook", book))
    assert (found["change"], found["parts"], found["car_id"]) == ("proven", ["thermostat"], "fern")
    moved = next(m for m in found["measures"] if m["name"] == "coolant_at_telling_time")
    assert moved["change"] == "proven"
    assert moved["interval"][0] > 0.0


def test_before_any_drive_after_the_repair_it_says_what_to_drive(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Logbook(book) as logbook:
        logbook.add_event(Event("fern", DAY + timedelta(days=40), EventKind.REPAIR, 164_500.0, "thermostat"))
    text = said(capsys, "compare", "--logbook", book)
    assert "Not proven yet" in text or "Cannot" in text
    assert "after the repair is there" in text


def test_sessions_are_put_on_the_sides_of_the_repair_whatever_their_order(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said(capsys, "compare", "drive-22", "drive-01", "--logbook", book)
    assert text.startswith("Proven")
    assert "One drive on each side" in text


def test_two_files_without_a_log_are_before_and_after(
    tmp_path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one, other = folder / "drive-01.obdw", folder / "drive-20.obdw"
    assert said(capsys, "compare", one, other, "--logbook", tmp_path).startswith("Proven")
    assert said(capsys, "compare", other, one, "--logbook", tmp_path).startswith("Worse")
    assert said(capsys, "compare", one, one, "--logbook", tmp_path).startswith("Unchanged")


def test_a_date_divides_more_than_two(tmp_path: Path, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = sorted(folder.glob("*.obdw"))
    text = said(capsys, "compare", *files, "--repair", "2026-01-10", "--logbook", tmp_path)
    assert text.startswith("Proven")
    assert "no repair in the log" in said(capsys, "compare", *files, "--logbook", tmp_path, code=2)


def test_miles_and_fahrenheit_on_request(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "compare", "--full", "--units", "us", "--logbook", book)
    assert "100,041 miles" in text
    assert "°F" in text
    assert "°C" not in text


@pytest.mark.parametrize(
    ("arguments", "hint"),
    [
        (["--repair", "termostat"], "thermostat"),
        (["--repair", "99"], "log list"),
        (["--repair", "battery"], "log repair"),
        (["--car", "nobody"], "car list"),
        (["no-such-drive"], "no-such-drive"),
    ],
)
def test_what_cannot_be_compared_is_refused_in_one_line(
    book: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], hint: str
) -> None:
    text = said(capsys, "compare", *arguments, "--logbook", book, code=2)
    assert hint in text
    assert len(text.strip().splitlines()) == 1


def test_an_empty_logbook_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "name two session files" in said(capsys, "compare", "--logbook", tmp_path, code=2)
