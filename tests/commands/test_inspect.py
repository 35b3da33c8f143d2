"""`obdwatch inspect` as a user types it: asked on a terminal, answered by options, listed, interrupted, continued."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path

import pytest

from obdwatch.cli import run
from obdwatch.logbook.logbook import Logbook
from obdwatch.parts.inspection_questions import read_questions
from obdwatch.records import Car, EventKind

FIRST_WALK = 8


@pytest.fixture
def book(tmp_path: Path) -> Path:
    folder = tmp_path / "logbook"
    with Logbook(folder) as logbook:
        logbook.add_car(Car("fern", cylinders=6, coolant_pump="electric"))
    assert run(["log", "odometer", "168000", "--car", "fern", "--logbook", str(folder)]) == 0
    return folder


def inspect(book: Path, *options: str) -> int:
    return run(["inspect", "--car", "fern", "--logbook", str(book), *options])


def answered(book: Path) -> list[tuple[str | None, str | None]]:
    with Logbook(book) as logbook:
        return [(one.question, one.answer) for one in logbook.events("fern") if one.kind is EventKind.INSPECTION]


def listed(capsys: pytest.CaptureFixture[str], book: Path, *options: str) -> list[str]:
    capsys.readouterr()
    assert inspect(book, "--json", *options) == 0
    return [one["question"]["id"] for one in json.loads(capsys.readouterr().out)["questions"]]


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> list[str | type[BaseException]]:
    """What a user types next, one answer for each prompt; an exception is raised in its place."""
    lines: list[str | type[BaseException]] = []

    def read(prompt: str = "") -> str:
        print(prompt)
        line = lines.pop(0)
        if isinstance(line, str):
            return line
        raise line

    monkeypatch.setattr("builtins.input", read)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    return lines


def test_walk_is_asked_question_by_question_and_says_what_it_changed(
    book: Path, typed: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    asked = listed(capsys, book)
    assert len(asked) == FIRST_WALK
    typed += ["y", "N", "perhaps", "c", "", "yes", "no", "y", "y"]
    assert inspect(book) == 0
    said = capsys.readouterr().out
    yes, no, not_seen = "yes", "no", "could not look"
    assert answered(book) == list(zip(asked, [yes, no, not_seen, not_seen, yes, no, yes, yes], strict=True))
    assert "Type y, n, c, b or q." in said
    assert "What your answers changed:" in said
    assert "more likely worn" in said
    for name in asked:
        one = read_questions().by_id[name]
        assert all(f"Take care: {caution}" in said for caution in one.cautions)


def test_back_changes_the_answer_before_and_keeps_one_entry(
    book: Path, typed: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    asked = listed(capsys, book)
    typed += ["y", "b", "n", "q"]
    assert inspect(book) == 0
    assert answered(book) == [(asked[0], "no")]
    assert "goes on from here" in capsys.readouterr().out


def test_interrupt_keeps_what_was_answered_and_the_walk_goes_on_there(
    book: Path, typed: list[str | type[BaseException]], capsys: pytest.CaptureFixture[str]
) -> None:
    asked = listed(capsys, book)
    typed += ["y", "n", KeyboardInterrupt]
    assert inspect(book) == 130
    assert "2 answers kept" in capsys.readouterr().out
    assert answered(book) == [(asked[0], "yes"), (asked[1], "no")]
    typed += ["c", EOFError]
    assert inspect(book) == 0
    assert f"3 of {FIRST_WALK}: {read_questions().by_id[asked[2]].text}" in capsys.readouterr().out
    assert listed(capsys, book) == asked


def test_options_answer_without_a_terminal(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    options = ["--answer", "valve_cover_wet=yes", "--answer", "oil_in_plug_wells=SKIP", "--odometer", "168100"]
    assert inspect(book, *options, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert answered(book) == [("valve_cover_wet", "yes"), ("oil_in_plug_wells", "could not look")]
    assert [one["odometer_km"] for one in document["noted"]] == [168100.0, 168100.0]
    (change,) = document["changes"]
    assert change["part"] == "valve_cover_gasket"
    assert change["after"] > change["before"]


def test_miles_are_miles(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert inspect(book, "--answer", "belt_cracks=no", "--odometer", "105000", "--units", "us", "--json") == 0
    (noted,) = json.loads(capsys.readouterr().out)["noted"]
    assert noted["odometer_km"] == pytest.approx(105000 * 1.609344)  # the international mile, exactly


def test_without_a_terminal_the_questions_are_listed_in_the_order_of_the_walk(
    book: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False)
    assert inspect(book, "--answer", "belt_cracks=no") == 0
    asked = listed(capsys, book)
    assert inspect(book) == 0
    said = capsys.readouterr().out
    places = [said.index(f"\n  {name}: ") for name in asked]
    assert places == sorted(places)
    assert "Is the drive belt cracked, shiny or frayed?  [no]" in said


def test_all_asks_more_and_nothing_this_car_cannot_have(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    every = listed(capsys, book, "--all")
    assert set(listed(capsys, book)) <= set(every)
    assert len(every) > 60
    assert "pump_play" not in every  # an electric pump has no pulley


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--answer", "valve_cover_wet"], "write QUESTION=yes, QUESTION=no or QUESTION=skip"),
        (["--answer", "valve_cover_wet=maybe"], "write QUESTION=yes"),
        (["--answer", "belt_cracks=no", "--answer", "nonsense=yes"], "no question is called 'nonsense'"),
        (["--odometer", "-3"], "number of zero or more"),
    ],
)
def test_slip_is_one_line_and_nothing_is_noted(
    book: Path, capsys: pytest.CaptureFixture[str], options: list[str], told: str
) -> None:
    capsys.readouterr()
    assert inspect(book, *options) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert told in line
    assert answered(book) == []


def test_unknown_car_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for options in ([], ["--list"], ["--answer", "belt_cracks=no"]):
        assert run(["inspect", "--car", "nobody", "--logbook", str(tmp_path), *options]) == 2
        assert "obdwatch car add" in capsys.readouterr().err


def test_list_of_the_log_says_what_was_looked_for(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert inspect(book, "--answer", "valve_cover_wet=yes") == 0
    capsys.readouterr()
    assert run(["log", "list", "--car", "fern", "--logbook", str(book)]) == 0
    line = capsys.readouterr().out.splitlines()[-1]
    assert line.endswith("inspection  valve_cover_gasket  yes  a wet lower edge of the valve cover")


def test_plain_entry_of_the_log_is_evidence_too_and_no_walk(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = listed(capsys, book)
    said = ["log", "inspection", "intake_leak", "yes", "hisses", "--car", "fern", "--logbook", str(book)]
    assert run(said) == 0
    assert answered(book) == [(None, "yes")]
    capsys.readouterr()
    assert inspect(book, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert all(one["answer"] is None for one in document["questions"])
    assert len(document["questions"]) == len(before)


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo terminal")
def test_control_c_on_a_real_terminal(book: Path) -> None:
    import pty

    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "obdwatch", "inspect", "--car", "fern", "--logbook", str(book)]
    running = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, close_fds=True)
    os.close(theirs)
    try:
        shown(ours, ["1 of 8:", "[q]uit:"])
        os.write(ours, b"y\n")
        shown(ours, ["2 of 8:", "[q]uit:"])
        while not select.select([ours], [], [], 2.0)[0]:  # one that comes just before the read begins is not seen
            running.send_signal(signal.SIGINT)
        assert "1 answer kept" in shown(ours, ["goes on from here"])
        assert running.wait(60) == 130
    finally:
        running.kill()
        running.wait()
        os.close(ours)
    assert [said for _, said in answered(book)] == ["yes"]


def shown(terminal: int, texts: Iterable[str], seconds: float = 60.0) -> str:
    """Read what a program shows until all of `texts` have come."""
    seen, end = "", time.monotonic() + seconds
    while not all(text in seen for text in texts):
        assert time.monotonic() < end, seen
        if select.select([terminal], [], [], 0.5)[0]:
            seen += os.read(terminal, 4096).decode("utf-8", "replace")
    return seen


def test_an_odometer_that_contradicts_the_log_is_pointed_out(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An answer of long ago hardly counts, so a slip of the keyboard there would make a find worth nothing."""
    assert run(["log", "odometer", "104000", "--car", "fern", "--units", "us", "--logbook", str(book)]) == 0
    capsys.readouterr()
    assert inspect(book, "--answer", "belt_cracks=yes", "--odometer", "5", "--units", "us") == 0
    said = capsys.readouterr().out
    assert "Look at this:" in said
    assert "5 miles" in said
    assert "104,000 miles" in said
