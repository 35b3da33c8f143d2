"""A session file finds its car in the logbook by name or identification number, and no other car."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from obdwatch.cli import run as command_line
from obdwatch.logbook.car_of_file import CarsOfFiles, identification_numbers
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SUFFIX, SessionWriter
from obdwatch.records import Car, Exchange, ReplyStatus, Session

# Both have the check digit of 49 CFR 565.15: the first is the example most often printed for it (from memory).
OURS, ANOTHER = "1M8GDM9AXKP042788", "11111111111111111"


def recording(folder: Path, name: str, car_id: str | None = None, vin: str | None = None) -> Path:
    """A session file that holds a speed and perhaps the answer to 09 02 as CAN sends it (SAE J1979)."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}{SUFFIX}"
    with SessionWriter(path, Session(name, None, car_id=car_id)) as writer:
        writer.exchange(Exchange(1.0, 0.05, b"\x01\x0d", 0x7E8, ReplyStatus.OK, b"\x41\x0d\x28"))
        if vin is not None:
            answer = b"\x49\x02\x01" + vin.encode()
            writer.exchange(Exchange(2.0, 0.05, b"\x09\x02", 0x7E8, ReplyStatus.OK, answer))
    return path


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    """Two cars, each with a drive that tells its number."""
    logbook = Logbook(tmp_path / "book")
    for car_id, vin in (("moss", OURS), ("fern", ANOTHER)):
        logbook.save_car(Car(car_id, cylinders=4, displacement_l=2.0))
        logbook.add_session(recording(logbook.sessions_folder, f"drive-of-{car_id}", car_id, vin))
    return logbook


def test_numbers_are_read_from_the_answers_of_service_09(tmp_path: Path) -> None:
    assert identification_numbers(recording(tmp_path, "with", vin=OURS)) == {OURS}
    assert identification_numbers(recording(tmp_path, "without")) == frozenset()


@pytest.mark.parametrize(
    ("car_id", "vin", "expected"),
    [
        ("moss", None, "moss"),
        ("moss", OURS, "moss"),
        (None, OURS, "moss"),
        ("her-car", ANOTHER, "fern"),
        ("moss", ANOTHER, None),  # somebody else's moss
        (None, None, None),
        ("her-car", None, None),
        (None, "2" * 17, None),
    ],
)
def test_name_and_number_lead_to_the_car(
    book: Logbook, tmp_path: Path, car_id: str | None, vin: str | None, expected: str | None
) -> None:
    found = CarsOfFiles(book).car_of(recording(tmp_path, "file", car_id, vin))
    assert (found.car.id if found.car is not None else None) == expected
    assert expected is None or f"'{expected}'" in found.remark
    assert OURS not in found.remark  # the number itself is nobody's business


def test_one_number_of_two_cars_names_neither(book: Logbook, tmp_path: Path) -> None:
    book.save_car(Car("moss-again"))
    book.add_session(recording(book.sessions_folder, "drive-of-moss-again", "moss-again", OURS))
    assert CarsOfFiles(book).car_of(recording(tmp_path, "file", None, OURS)).car is None


def test_a_damaged_file_names_no_car_and_stops_nothing(book: Logbook, tmp_path: Path) -> None:
    book.path_of("drive-of-moss").write_bytes(b"rust" * 1000)
    assert CarsOfFiles(book).car_of(recording(tmp_path, "file", None, OURS)).car is None
    bad = tmp_path / f"bad{SUFFIX}"
    bad.write_bytes(b"rust" * 1000)
    assert CarsOfFiles(book).car_of(bad).car is None


def test_the_command_uses_the_profile_and_says_which(
    book: Logbook, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = recording(tmp_path, "file", None, OURS)
    assert command_line(["analyse", str(path), "--json", "--logbook", str(book.directory)]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["car"]["id"] == "moss"
    assert document["car"]["displacement_l"] == 2.0
    assert "'moss'" in document["remarks"][0]
    assert command_line(["analyse", str(path), "--car", "fern", "--json", "--logbook", str(book.directory)]) == 0
    assert json.loads(capsys.readouterr().out)["car"]["id"] == "fern"  # what is said counts
    assert command_line(["analyse", str(path), "--logbook", str(book.directory)]) == 0
    assert "Note: Judged as 'moss' of your logbook" in capsys.readouterr().out


def test_a_file_is_judged_without_any_logbook_and_none_is_made(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, folder = recording(tmp_path, "file", "moss", OURS), tmp_path / "nothing-here"
    assert command_line(["analyse", str(path), "--logbook", str(folder)]) == 0
    assert "Judged as" not in capsys.readouterr().out
    assert not folder.exists()


def test_a_logbook_that_cannot_be_read_is_named_and_the_file_judged(
    book: Logbook, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (book.directory / "logbook.sqlite3").write_bytes(b"rust" * 1000)
    path = recording(tmp_path, "file", "moss", OURS)
    assert command_line(["analyse", str(path), "--logbook", str(book.directory)]) == 0
    said = capsys.readouterr()
    assert "Session file" in said.out
    assert "the cars of your logbook are not known" in said.err
