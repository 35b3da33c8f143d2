"""The commands as a user types them: what they print, what they refuse, and that every option is explained."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import click
import pytest

from obdwatch.analysis import DETECTORS, KnownDrive, Question
from obdwatch.cli import COMMANDS, program, run
from obdwatch.commands.lookup import known_drive
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SUFFIX
from obdwatch.records import Car, CodeKind, CodeReading, Drive, Finding, History, Verdict
from tests.capture.stand_in import served_car

README = Path(__file__).parents[2] / "README.md"
WIDE_CSV = "time_s,coolant_temperature,engine_speed\n" + "".join(f"{t},{20 + t / 10},{800 + t}\n" for t in range(60))


def every_command() -> Iterator[tuple[str, click.Command]]:
    context = click.Context(program)
    for name in COMMANDS:
        command = program.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from ((f"{name} {sub}", each) for sub, each in command.commands.items())
        else:
            yield name, command


@pytest.fixture
def book(tmp_path: Path) -> Path:
    return tmp_path / "logbook"


def refused(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> str:
    """Run a command that must be refused; return the one line it says."""
    assert run([str(argument) for argument in arguments]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    lines = said.err.strip().splitlines()
    assert len(lines) == 1, said.err
    assert lines[0].startswith("obdwatch: ")
    return lines[0]


@pytest.mark.parametrize(("name", "command"), list(every_command()))
def test_every_command_and_option_is_explained(name: str, command: click.Command) -> None:
    assert command.help, name
    options = [option for option in command.params if isinstance(option, click.Option)]
    assert [option.name for option in options if not option.help] == []
    assert {"settings"}.isdisjoint(option.name for option in options)
    taken = {flag for option in options for flag in option.opts}
    assert {"--logbook", "--json", "--units"} <= taken


def test_the_readme_names_every_command() -> None:
    text = README.read_text("utf-8")
    assert [name for name in COMMANDS if f"`obdwatch {name}" not in text] == []


def test_without_arguments_the_help_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([]) == 0
    assert "obdwatch demo" in capsys.readouterr().out


def test_unknown_commands_and_options_are_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert "frobnicate" in refused(capsys, "frobnicate")
    assert "--bogus" in refused(capsys, "record", "--bogus")
    assert "--help" in refused(capsys, "analyse")


def damaged_files(folder: Path) -> dict[str, Path]:
    folder.mkdir(exist_ok=True)
    files = {
        "missing": folder / f"missing{SUFFIX}",
        "empty": folder / f"empty{SUFFIX}",
        "binary": folder / f"binary{SUFFIX}",
        "text": folder / f"text{SUFFIX}",
        "foreign": folder / f"foreign{SUFFIX}",
        "folder": folder / f"folder{SUFFIX}",
    }
    files["empty"].touch()
    files["binary"].write_bytes(bytes(range(256)) * 40)
    files["text"].write_text("not a session\n" * 300)
    files["folder"].mkdir()
    with sqlite3.connect(files["foreign"]) as connection:
        connection.execute("CREATE TABLE session (id TEXT)")
    connection.close()
    return files


@pytest.mark.parametrize("command", [["analyse"], ["replay"], ["export"], ["dashboard", "--no-browser"]])
def test_what_is_no_session_is_refused_in_one_line(
    command: list[str], tmp_path: Path, book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for kind, path in damaged_files(tmp_path / "damaged").items():
        line = refused(capsys, *command, path, "--logbook", book)
        assert path.name in line, kind


def test_a_newer_session_format_is_named(tmp_path: Path, book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = imported(tmp_path, book, capsys)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    assert "newer" in refused(capsys, "analyse", path)


def imported(tmp_path: Path, book: Path, capsys: pytest.CaptureFixture[str], text: str = WIDE_CSV) -> Path:
    table = tmp_path / "drive.csv"
    table.write_text(text)
    assert run(["import", str(table), "--logbook", str(book), "--json"]) == 0
    return Path(json.loads(capsys.readouterr().out)["file"])


@pytest.mark.parametrize(
    ("name", "contents"),
    [
        ("empty.csv", ""),
        ("header.csv", "time_s,coolant_temperature\n"),
        ("wrong.csv", "name,colour\nfern,green\n"),
        ("words.csv", "time_s,coolant_temperature\nten,warm\neleven,hot\n"),
        ("infinite.csv", "time_s,coolant_temperature\n0,inf\n1,nan\n"),
        ("binary.csv", "\x00\x01\x02\x03" * 100),
        ("drive.xyz", WIDE_CSV),
    ],
)
def test_what_is_no_table_is_refused_and_leaves_nothing(
    name: str, contents: str, tmp_path: Path, book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / name
    table.write_text(contents)
    assert name in refused(capsys, "import", table, "--logbook", book)
    assert list((book / "sessions").glob("*")) == []


def test_times_that_run_backwards_are_refused(tmp_path: Path, book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = "".join(f"{t},{20 + t}\n" for t in (0, 1, 2, 3, 400, 5, 6, 300, 7, 200, 8, 100, 9, 50, 10))
    table = tmp_path / "backwards.csv"
    table.write_text("time_s,coolant_temperature\n" + rows)
    assert "backwards.csv" in refused(capsys, "import", table, "--logbook", book)


def test_an_import_is_analysed_exported_and_imported_again(
    tmp_path: Path, book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = imported(tmp_path, book, capsys)
    assert run(["analyse", path.stem, "--logbook", str(book), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert set(document) >= {"car", "sessions", "findings", "parts", "coverage"}
    assert [finding["detector"] for finding in document["findings"]] == [
        "rationality",
        *(one.name for one in DETECTORS),
        "trends",
    ]
    assert document["coverage"][0]["drive_to_get"]
    for form in ("csv", "csv-wide", "parquet", "mdf4", "obdw", "exchanges"):
        suffix = {"parquet": ".parquet", "mdf4": ".mf4", "obdw": ".obdw"}.get(form, ".csv")
        target = tmp_path / f"{form}{suffix}"
        code = run(["export", path.stem, "--format", form, "--out", str(target), "--logbook", str(book)])
        assert (code, target.exists()) == (0, True), form
        assert "exists already" in refused(
            capsys_cleared(capsys), "export", path.stem, "--format", form, "--out", target, "--logbook", book
        )


def capsys_cleared(capsys: pytest.CaptureFixture[str]) -> pytest.CaptureFixture[str]:
    capsys.readouterr()
    return capsys


def test_an_unwritable_logbook_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    assert "file" in refused(capsys, "car", "list", "--logbook", blocked)


def test_ports_that_are_none_are_told_apart(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "no such port" in refused(capsys, "record", "--port", "/dev/ttyUSB99", "--logbook", book)
    assert "nothing answers" in refused(capsys, "record", "--port", "socket://127.0.0.1:9", "--logbook", book)
    assert refused(capsys, "record", "--port", "socket://no port", "--logbook", book)


def test_a_served_car_is_recorded_checked_and_replayed(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--logbook", str(book)]
    assert run(["car", "add", "fern", "--set", "cylinders=6", *where]) == 0
    with served_car() as (_, port):
        assert run(["record", "--port", port, "--car", "fern", "--seconds", "4", *where]) == 0
        capsys.readouterr()
        assert run(["check", "--port", port, "--json", *where]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["answered"]
    assert run(["replay", next((book / "sessions").glob("*.obdw")).stem, *where]) == 0
    assert "Replayed" in capsys.readouterr().out


def test_a_car_the_logbook_does_not_know_is_refused_before_the_port_is_opened(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "no car 'nobody'" in refused(capsys, "record", "--port", "auto", "--car", "nobody", "--logbook", book)


def test_erasing_needs_a_terminal(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "keyboard" in refused(capsys, "check", "--erase", "--port", "socket://127.0.0.1:9", "--logbook", book)


def test_cars_and_entries_are_kept(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--logbook", str(book)]
    assert run(["car", "add", "fern", "--set", "cylinders=6", "--set", "firing_order=1,5,3,6,2,4", *where]) == 0
    assert run(["log", "repair", "thermostat", "new one", "--car", "fern", "--odometer", "164000", *where]) == 0
    capsys.readouterr()
    assert run(["log", "list", "--json", *where]) == 0
    (entry,) = json.loads(capsys.readouterr().out)
    assert (entry["part"], entry["odometer_km"]) == ("thermostat", 164000.0)
    assert run(["log", "repair", "thermostatt", "--car", "fern", *where]) == 0
    said = capsys.readouterr().out
    assert "no part is called 'thermostatt'" in said
    assert "Did you mean thermostat?" in said
    assert "cannot be used" in refused(capsys, "log", "repair", "the thermostat", "--car", "fern", *where)
    assert "firing_order" in refused(capsys, "car", "edit", "fern", "--set", "firing_order=1,2,3", *where)


def test_codes_are_explained_together(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["codes", "p0171", "P0300"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("P0171  Mixture too lean, bank 1")
    assert "P0171 before P0300" in said


def test_codes_as_json_carry_every_field(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["codes", "P0128", "--json"]) == 0
    (code,) = json.loads(capsys.readouterr().out)["codes"]
    assert code["urgency"] == "next_service"
    assert "thermostat" in [cause["part"] for cause in code["causes"]]


def test_codes_are_found_by_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["codes", "--search", "cam timing"]) == 0
    assert "P0011" in capsys.readouterr().out


@pytest.mark.parametrize("text", ["PX", "", "P01711", "P0171-", "ü", "P01\n71"])
def test_what_is_no_code_is_one_line(text: str, capsys: pytest.CaptureFixture[str]) -> None:
    refused(capsys, "codes", text)


def test_codes_are_read_together_with_a_drive(tmp_path: Path, book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = imported(tmp_path, book, capsys)
    assert run(["codes", "P0128", "--drive", str(path), "--json"]) == 0
    assert "P0128" in json.loads(capsys.readouterr().out)["evidence"]


def test_without_a_code_the_drives_own_codes_are_read(
    tmp_path: Path, book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = imported(tmp_path, book, capsys)
    assert run(["codes", "--drive", str(path)]) == 0
    assert "no trouble codes" in capsys.readouterr().out
    assert run(["codes", "--drive", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["codes"] == []
    refused(capsys, "codes")


def test_the_codes_of_a_drive_are_explained_once_each(
    tmp_path: Path, book: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = imported(tmp_path, book, capsys)
    readings = tuple(
        CodeReading(0.0, kind, code) for kind in (CodeKind.STORED, CodeKind.PENDING) for code in ("P0171", "P0300")
    )

    def with_codes(*args: object) -> KnownDrive:
        known = known_drive(*args)  # type: ignore[arg-type]
        return replace(known, drive=replace(known.drive, codes=readings))

    monkeypatch.setattr("obdwatch.commands.lookup.known_drive", with_codes)
    assert run(["codes", "--drive", str(path), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [item["code"] for item in said["codes"]] == ["P0171", "P0300"]
    assert said["follow_first"][0]["follow"] == ["P0171"]
    assert any("stored and pending" in text for text in said["evidence"]["P0171"])


def test_a_killed_recording_is_in_the_logbook_and_says_what_happened(
    tmp_path: Path, book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_car() as (_, port):
        command = [sys.executable, "-m", "obdwatch", "record", "--port", port, "--quiet", "--logbook", str(book)]
        with subprocess.Popen(command) as recorder:
            deadline = time.monotonic() + 30
            while not list(book.glob("sessions/*.obdw-wal")) and time.monotonic() < deadline:
                time.sleep(0.1)
            time.sleep(2.5)
            recorder.kill()
    (path,) = book.glob("sessions/*.obdw")
    assert run(["analyse", path.stem, "--logbook", str(book)]) == 0
    assert "cut short" in capsys.readouterr().out


def test_the_keepers_corrections_reach_the_analysis(
    tmp_path: Path, book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = imported(tmp_path, book, capsys)
    with Logbook(book) as logbook:
        logbook.edit_session(path.stem, odometer_km=163_800.0)
    assert run(["analyse", path.stem, "--logbook", str(book), "--json"]) == 0
    (session,) = json.loads(capsys.readouterr().out)["sessions"]
    assert session["odometer_km"] == 163_800.0


NUMBERS = (
    ("record", "--port", "socket://127.0.0.1:9", "--odometer"),
    ("record", "--port", "socket://127.0.0.1:9", "--soak-hours"),
    ("record", "--port", "socket://127.0.0.1:9", "--seconds"),
    ("import", "drive.csv", "--odometer"),
    ("import", "drive.csv", "--soak-hours"),
    ("replay", "drive.obdw", "--speed"),
    ("virtual-car", "--speed"),
    ("virtual-car", "--request-time"),
    ("log", "note", "seen", "--car", "fern", "--odometer"),
    ("log", "odometer", "--car", "fern", "--"),
)


@pytest.mark.parametrize("arguments", NUMBERS, ids=" ".join)
@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "-1", "many", ""])
def test_what_is_no_usable_number_is_refused_before_anything_happens(
    arguments: tuple[str, ...], text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "is not a number" in refused(capsys, *arguments, text)


def test_us_readers_give_miles(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--logbook", str(book), "--units", "us"]
    assert run(["car", "add", "fern", *where]) == 0
    assert run(["log", "odometer", "100000", "--car", "fern", *where]) == 0
    assert "100,000 miles" in capsys.readouterr().out
    with Logbook(book) as logbook:
        assert logbook.events("fern")[0].odometer_km == pytest.approx(160_934.4)  # NIST SP 811: 1 mile = 1.609344 km


def test_a_replay_judges_a_stored_drive_as_the_car_it_belongs_to(
    tmp_path: Path, book: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    where = ["--logbook", str(book), "--json"]
    assert run(["car", "add", "fern", *where]) == 0
    capsys.readouterr()
    path = imported(tmp_path, book, capsys)
    with Logbook(book) as logbook:
        logbook.edit_session(path.stem, car_id="fern")
    asked: list[str | None] = []

    def detector(drive: Drive, car: Car | None, history: History) -> Finding:
        asked.append(car.id if car is not None else None)
        return Finding("test", Verdict.HEALTHY)

    monkeypatch.setattr("obdwatch.analysis.DETECTORS", (Question("test", detector, frozenset()),))
    for command in (["analyse", path.stem], ["replay", path.stem], ["codes", "P0128", "--drive", path.stem]):
        assert run([*command, *where]) == 0
    assert asked == ["fern", "fern", "fern"]
