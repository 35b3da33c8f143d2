"""A recorder that is killed, interrupted or runs out of disk loses at most its last second, and the file says so."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from obdwatch.recording.session_file import SessionContents, State, read_session
from obdwatch.records import MarkKind, ReplyStatus

ROOT = Path(__file__).parents[2]
PER_SECOND = 27  # exchanges; a little more than the fake car answers

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and limits as POSIX has them")


def start(path: Path, *more: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.recording.recording_process", str(path), *more]
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def wait_for_lines(process: subprocess.Popen[str], count: int) -> int:
    assert process.stdout is not None
    return [int(process.stdout.readline()) for _ in range(count)][-1]


def safe_in(output: str, before: int) -> int:
    """How many exchanges had been committed when the process ended."""
    whole = output.split("\n")[:-1]  # the kill may have cut the last line
    return int(whole[-1]) if whole else before


def check_exchanges(contents: SessionContents) -> None:
    assert set(contents.status) == {ReplyStatus.OK, ReplyStatus.NO_DATA} or set(contents.status) == {ReplyStatus.OK}
    assert all(later >= earlier for earlier, later in zip(contents.t, contents.t[1:], strict=False))


@pytest.mark.parametrize("seed", range(4))
def test_kill_9_at_a_random_moment_loses_at_most_the_last_second(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "a.obdw"
    process = start(path)
    before = wait_for_lines(process, 3)
    time.sleep(random.Random(seed).uniform(0.0, 0.5))
    process.kill()
    output, _ = process.communicate()
    safe = safe_in(output, before)
    contents = read_session(path)
    assert contents.state is State.RECOVERED
    assert "cut short" in contents.problems[0]
    assert safe <= len(contents.t) <= safe + PER_SECOND
    assert os.listdir(tmp_path) == ["a.obdw"]
    check_exchanges(contents)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_polite_signal_closes_the_file_properly(tmp_path: Path, number: signal.Signals) -> None:
    path = tmp_path / "a.obdw"
    process = start(path)
    wait_for_lines(process, 3)
    process.send_signal(number)
    output, errors = process.communicate(timeout=30)
    assert (process.returncode, errors) == (0, "")
    contents = read_session(path)
    assert contents.state is State.CLOSED
    assert contents.problems == ()
    assert contents.marks[-1].kind is MarkKind.END
    assert len(contents.t) == safe_in(output, 0)
    assert os.listdir(tmp_path) == ["a.obdw"]


@pytest.mark.parametrize("limit", [60_000, 150_000, 400_000])
def test_a_disk_that_takes_no_more_keeps_all_but_the_last_second(tmp_path: Path, limit: int) -> None:
    path = tmp_path / "a.obdw"
    process = start(path, str(limit))
    output, errors = process.communicate(timeout=120)
    assert process.returncode == 2
    assert errors.count("\n") == 1
    assert str(path) in errors
    contents = read_session(path)
    safe = safe_in(output, 0)
    assert safe <= len(contents.t) <= safe + PER_SECOND
    assert safe > 100
    assert contents.problems
    check_exchanges(contents)


def test_reading_along_in_another_process_sees_every_commit(tmp_path: Path) -> None:
    path = tmp_path / "a.obdw"
    process = start(path)
    try:
        for _ in range(10):
            safe = wait_for_lines(process, 1)
            contents = read_session(path)
            assert contents.state is State.RECORDING
            assert len(contents.t) >= safe
            check_exchanges(contents)
    finally:
        process.terminate()
        process.communicate(timeout=30)
    assert read_session(path).state is State.CLOSED
