"""What a comparison needs of drives is kept: the same as from the file, and only as long as the file is the same."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest

from obdwatch.comparing.driven import driven_from, driven_of, driven_text
from obdwatch.driven_drives import DrivenDrives
from obdwatch.errors import SessionFileError
from obdwatch.logbook.kept import KEPT, KeptResults
from obdwatch.records import CodeKind, CodeReading, Drive
from obdwatch.signals.drives import load_drive
from tests.detectors import trimmed_car


@pytest.fixture
def drive() -> Drive:
    made = trimmed_car.record(trimmed_car.TrimmedCar(hole=2.0))
    codes = (CodeReading(1.0, CodeKind.PENDING, "P0171"), CodeReading(1.0, CodeKind.STORED, "P0300"))
    return Drive(made.session, made.signals, codes=codes)


class Reading:
    """Reads a drive, and counts how often."""

    def __init__(self, drive: Drive) -> None:
        self.drive, self.count = drive, 0

    def __call__(self) -> Drive:
        self.count += 1
        return self.drive


def test_what_is_kept_says_the_same_as_the_drive(drive: Drive) -> None:
    driven = driven_of(drive)
    assert driven.trims
    assert driven.pending == {"P0171"}
    assert repr(driven_from(driven_text(driven))) == repr(driven)  # repr: an unknown error is NaN, which equals nothing


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"trims": {"a": {"b": {"x": 1}}}, "turns": {}, "pending": []}'])
def test_what_was_not_kept_so_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"not what was driven|Expecting value"):
        driven_from(text)


def test_a_file_is_read_once_by_all_programs_and_again_when_it_changed(tmp_path: Path, drive: Drive) -> None:
    file = tmp_path / "a.obdw"
    file.write_bytes(b"one")
    read = Reading(drive)
    first = DrivenDrives(tmp_path).of("a", file, read)
    assert repr(DrivenDrives(tmp_path).of("a", file, read)) == repr(first)
    assert read.count == 1
    file.write_bytes(b"other")
    DrivenDrives(tmp_path).of("a", file, read)
    assert read.count == 2
    os.utime(file, ns=(0, 0))
    DrivenDrives(tmp_path).of("a", file, read)
    assert read.count == 3


def test_a_missing_file_is_said_by_its_reader(tmp_path: Path, drive: Drive) -> None:
    file = tmp_path / "a.obdw"
    file.write_bytes(b"one")
    DrivenDrives(tmp_path).of("a", file, Reading(drive))
    file.unlink()
    with pytest.raises(SessionFileError):
        DrivenDrives(tmp_path).of("a", file, lambda: load_drive(file))


def test_another_program_or_another_drive_gets_nothing_of_it(tmp_path: Path) -> None:
    KeptResults(tmp_path).put("a", "driven", "one", "text")
    kept = KeptResults(tmp_path)
    assert kept.get("a", "driven", "one") == "text"
    assert kept.get("a", "driven", "another") is kept.get("b", "driven", "one") is kept.get("a", "else", "one") is None


def test_damaged_file_is_begun_anew_and_a_locked_one_is_left(tmp_path: Path) -> None:
    kept = KeptResults(tmp_path)
    (tmp_path / KEPT).write_bytes(b"no database at all, but long enough to be one" * 100)
    assert kept.get("a", "driven", "one") is None
    kept.put("a", "driven", "one", "text")
    assert kept.get("a", "driven", "one") == "text"
    other = sqlite3.connect(tmp_path / KEPT, isolation_level=None)
    try:
        other.execute("BEGIN EXCLUSIVE")
        assert kept.get("a", "driven", "one") is None
        kept.put("a", "driven", "two", "text")
    finally:
        other.close()
    assert kept.get("a", "driven", "one") == "text"


def test_folder_that_cannot_be_written_only_costs_time(tmp_path: Path, drive: Drive) -> None:
    file = tmp_path / "a.obdw"
    file.write_bytes(b"one")
    nowhere = tmp_path / "missing"
    assert DrivenDrives(nowhere).of("a", file, Reading(drive)).turns == driven_of(drive).turns
