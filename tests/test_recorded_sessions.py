"""The recorded sessions that ship with the project: each is described, whole, and says what its description says."""

from __future__ import annotations

from pathlib import Path

import pytest

from obdwatch.analysis import analyse_file
from obdwatch.recording.session_file import SUFFIX, read_session
from obdwatch.records import MarkKind, Verdict
from obdwatch.signals.drives import load_drive

FOLDER = Path(__file__).parents[1] / "recorded_sessions"
SESSIONS = sorted(FOLDER.glob(f"*{SUFFIX}"))
LARGEST = 15 * 1024 * 1024  # bytes, of all together


def session(beginning: str) -> Path:
    return next(path for path in SESSIONS if path.name.startswith(beginning))


def test_there_are_sessions_and_they_stay_small() -> None:
    assert SESSIONS
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) <= LARGEST


@pytest.mark.parametrize("path", SESSIONS, ids=lambda path: path.stem)
def test_each_is_described_and_whole(path: Path) -> None:
    assert f"`{path.stem}`" in (FOLDER / "README.md").read_text("utf-8")
    assert read_session(path).problems == ()


def test_the_healthy_drive_is_healthy_in_spite_of_its_gap() -> None:
    path = session("2026-01-12")
    assert {MarkKind.LINK_LOST, MarkKind.RECONNECT} <= {mark.kind for mark in load_drive(path).marks}
    findings = {finding.detector: finding.verdict for finding in analyse_file(path).findings}
    assert findings["warm_up"] is Verdict.HEALTHY
    assert Verdict.FAULT not in findings.values()


def test_the_worn_thermostat_is_found_before_its_code_is_confirmed() -> None:
    path = session("2026-03-02")
    codes = {(reading.kind.value, reading.code) for reading in load_drive(path).codes}
    assert codes == {("pending", "P0128")}
    (finding,) = (finding for finding in analyse_file(path).findings if finding.verdict is Verdict.FAULT)
    assert (finding.verdict, finding.parts[0]) == (Verdict.FAULT, "thermostat")
