"""Many drives at once: the same answers as one by one, kept as they come, and only what has changed is done again."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from obdwatch import batch
from obdwatch.analysis import DETECTORS
from obdwatch.batch import Job, Outcome, jobs_for, run
from obdwatch.cli import run as command_line
from obdwatch.logbook.logbook import Logbook
from obdwatch.records import Car, Drive, Event, EventKind, Finding, History
from obdwatch.sources import digest_of
from tests.many_sessions import FIRST, add_drives


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with five drives of one car and three of another, none judged yet."""
    folder = tmp_path_factory.mktemp("shelf")
    with Logbook(folder) as book:
        add_drives(book, "fern", 5)
        add_drives(book, "moss", 3)
    return folder


@pytest.fixture
def book(shelf: Path, tmp_path: Path) -> Iterator[Logbook]:
    """A copy of the shelf: session files by link, the index found again."""
    folder = tmp_path / "book"
    (folder / "sessions").mkdir(parents=True)
    for path in (shelf / "sessions").iterdir():
        os.link(path, folder / "sessions" / path.name)
    with Logbook(shelf) as source, Logbook(folder) as target:
        for car in source.cars():
            target.save_car(car)
        yield target


def everything(book: Logbook) -> list[Job]:
    return jobs_for(book, [], [], None, every=True)


def judged(outcomes: list[Outcome]) -> list[str]:
    return [outcome.job.name for outcome in outcomes if not outcome.was_there and outcome.problem is None]


def on_one_core(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch, "FEWEST_FOR_WORKERS", 10_000)


def on_two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch, "cores", lambda: 2)


def test_all_cores_find_what_one_finds_and_give_it_in_the_order_of_history(
    book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_two_cores(monkeypatch)
    jobs = everything(book)
    together = list(run(jobs, book))
    stored = {job.name: (book.findings(job.name), book.features(job.name)) for job in jobs}
    on_one_core(monkeypatch)
    alone = list(run(jobs, book, again=True))
    assert [outcome.job.name for outcome in together] == [session.id for session in book.sessions()]
    assert [outcome.analysis for outcome in together] == [outcome.analysis for outcome in alone]
    assert {job.name: (book.findings(job.name), book.features(job.name)) for job in jobs} == stored
    assert len(book.history_before("fern-04").features) > 3 * len(book.history_before("fern-01").features) > 0


def test_every_drive_is_judged_with_all_earlier_ones_of_its_car(book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    on_one_core(monkeypatch)
    seen: list[tuple[str, int]] = []

    def detector(drive: Drive, car: Car | None, history: History) -> Finding:
        seen.append((drive.session.id, len({f.session_id for f in history.features})))
        return real.detect(drive, car, history)

    real = DETECTORS[0]
    monkeypatch.setattr("obdwatch.analysis.DETECTORS", (replace(real, detect=detector),))
    list(run(everything(book), book))
    assert [earlier for name, earlier in seen if name.startswith("fern")] == [0, 1, 2, 3, 4]
    assert [earlier for name, earlier in seen if name.startswith("moss")] == [0, 1, 2]


def test_what_is_judged_is_not_judged_again_until_something_changes(
    book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_one_core(monkeypatch)
    first = list(run(everything(book), book))
    assert len(judged(first)) == 8
    again = list(run(everything(book), book))
    assert judged(again) == []
    assert [outcome.analysis for outcome in again] == [outcome.analysis for outcome in first]
    assert len(judged(list(run(everything(book), book, again=True)))) == 8

    book.edit_session("fern-02", odometer_km=160_601.0)  # its own data, and the history of those after it
    assert judged(list(run(everything(book), book))) == ["fern-02", "fern-03", "fern-04"]

    at = FIRST.replace(day=20)  # between the third and the fourth drive
    book.add_event(Event("fern", at, EventKind.REPAIR, part="thermostat"))
    assert judged(list(run(everything(book), book))) == ["fern-03", "fern-04"]

    moss = book.car("moss")
    assert moss is not None
    book.save_car(replace(moss, thermostat_temperature=92.0))
    assert judged(list(run(everything(book), book))) == ["moss-00", "moss-01", "moss-02"]

    monkeypatch.setattr(batch, "__version__", "99.0")
    assert len(judged(list(run(everything(book), book)))) == 8


def test_a_drive_that_comes_in_later_makes_those_after_it_new(book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    on_one_core(monkeypatch)
    late = book.remove_session("fern-01")
    list(run(everything(book), book))
    book.restore_session(late.id)
    assert judged(list(run(everything(book), book))) == ["fern-01", "fern-02", "fern-03", "fern-04"]


@pytest.mark.parametrize("many", [False, True], ids=["one core", "two cores"])
def test_a_damaged_file_stops_nobody_else(book: Logbook, monkeypatch: pytest.MonkeyPatch, many: bool) -> None:
    (on_two_cores if many else on_one_core)(monkeypatch)
    damaged = book.path_of("fern-01")
    damaged.unlink()  # a link: the shelf keeps its own
    damaged.write_bytes(b"rust" * 1000)
    outcomes = list(run(everything(book), book))
    bad = [outcome for outcome in outcomes if outcome.problem is not None]
    assert [outcome.job.name for outcome in bad] == ["fern-01"]
    assert damaged.name in str(bad[0].problem)
    assert len(judged(outcomes)) == 7
    earlier = {feature.session_id for feature in book.history_before("fern-04").features}
    assert earlier == {"fern-00", "fern-02", "fern-03"}


def test_a_worker_that_dies_loses_its_drive_and_no_other(book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    on_two_cores(monkeypatch)
    outcomes = []
    steps = run(everything(book), book)
    outcomes.append(next(steps))
    victim = multiprocessing.active_children()[0]
    assert victim.pid is not None
    os.kill(victim.pid, signal.SIGKILL)
    outcomes += list(steps)
    assert len(outcomes) == 8
    lost = [outcome for outcome in outcomes if outcome.problem is not None]
    assert len(lost) <= 1
    assert all("the process ended" in str(outcome.problem) for outcome in lost)
    assert multiprocessing.active_children() == []
    assert judged(list(run(everything(book), book)))[:1] == [outcome.job.name for outcome in lost][:1]


def test_files_outside_the_logbook_are_judged_without_one(book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    on_two_cores(monkeypatch)
    paths = sorted(book.sessions_folder.iterdir())[:4]
    outcomes = list(run(jobs_for(None, [*paths, paths[0]], [], None), None))
    assert [outcome.job.path for outcome in outcomes] == paths
    assert all(outcome.analysis is not None for outcome in outcomes)
    assert book.analyses() == {}


def test_one_command_judges_the_drives_of_a_car_and_asks_for_one_drive(
    book: Logbook, capsys: pytest.CaptureFixture[str]
) -> None:
    assert command_line(["analyse", "--all", "--car", "moss", "--json", "--logbook", str(book.directory)]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [session["id"] for session in document["sessions"]] == ["moss-00", "moss-01", "moss-02"]
    detectors = [entry["detector"] for entry in document["coverage"]]
    assert len(detectors) == len(set(detectors)) > 0
    (wanted,) = document["next_drive"]
    assert wanted["car"] == "moss"
    assert len(wanted["steps"]) == len(set(wanted["steps"])) > 0
    assert set(book.analyses()) == {"moss-00", "moss-01", "moss-02"}


def test_each_car_is_asked_for_a_drive_of_its_own(book: Logbook, capsys: pytest.CaptureFixture[str]) -> None:
    assert command_line(["analyse", "fern-00", "moss-00", "--logbook", str(book.directory)]) == 0
    said = capsys.readouterr().out
    assert "The next drive of fern, to know more:" in said
    assert "The next drive of moss, to know more:" in said


def test_names_and_all_exclude_each_other(book: Logbook, capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in ([], ["--all", "moss-00"]):
        assert command_line(["analyse", *arguments, "--logbook", str(book.directory)]) == 2
        assert "--all" in capsys.readouterr().err


def test_one_bad_session_among_others_is_named_and_the_others_are_printed(
    book: Logbook, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = book.directory / "bad.obdw"
    bad.write_bytes(b"rust" * 1000)
    assert command_line(["analyse", str(bad), "moss-00", "--logbook", str(book.directory)]) == 2
    said = capsys.readouterr()
    assert "Session moss-00" in said.out
    assert "bad.obdw" in said.err


def test_an_interruption_keeps_what_is_done_and_the_same_command_goes_on(book: Logbook) -> None:
    add_drives(book, "moss", 30, first=3)
    total = len(book.sessions())
    command = [sys.executable, "-m", "obdwatch", "analyse", "--all", "--logbook", str(book.directory)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True) as process:
        while len(book.analyses()) < 2 and process.poll() is None:
            time.sleep(0.02)
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to the workers too
        _, said = process.communicate()
    kept = len(book.analyses())
    assert process.returncode == 130
    assert b"goes on from there" in said
    assert b"Traceback" not in said
    assert 2 <= kept < total
    digest_of.cache_clear()  # the process looked at the program's files later than this one did
    outcomes = list(run(everything(book), book))
    assert len(judged(outcomes)) == total - kept
    assert len(book.analyses()) == total
