"""A saved session goes through the pipeline again: at once, faster, or in real time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from obdwatch.analysis import KnownDrive, analyse_drive
from obdwatch.clock import InjectedClock
from obdwatch.errors import InputError
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Mark, MarkKind, Session, Verdict
from obdwatch.replaying import LOOK_EVERY, play
from obdwatch.signals.drives import load_drive
from obdwatch.signals.excerpts import until

SECONDS = 200.0


@pytest.fixture
def session(tmp_path: Path) -> Path:
    path = tmp_path / "drive.obdw"
    times = np.arange(0.0, SECONDS + 1.0)
    with SessionWriter(path, Session(id="drive", started_at=None, origin="imported")) as writer:
        writer.samples("coolant_temperature", times, 20.0 + times / 10.0)
        writer.samples("engine_speed", times, np.full(len(times), 900.0))
        writer.mark(Mark(150.0, MarkKind.NOTE, "rain"))
    return path


def test_at_once_is_one_look_that_sees_what_analyse_sees(session: Path) -> None:
    (moment,) = play(KnownDrive(load_drive(session)))
    assert moment.t == SECONDS
    assert moment.analysis.findings == analyse_drive(load_drive(session)).findings


def test_ten_times_faster_takes_a_tenth_of_the_time(session: Path) -> None:
    clock = InjectedClock()
    moments = list(play(KnownDrive(load_drive(session)), speed=10.0, clock=clock))
    assert [moment.t for moment in moments] == [30.0, 60.0, 90.0, 120.0, 150.0, 180.0, SECONDS]
    assert clock.elapsed() == pytest.approx(SECONDS / 10.0)


def test_a_finding_is_news_once(session: Path) -> None:
    moments = list(play(KnownDrive(load_drive(session)), speed=1000.0, clock=InjectedClock()))
    assert moments[0].changed
    assert len(moments) > 2
    told: dict[str, tuple[Verdict, str]] = {}
    for moment in moments:
        for finding in moment.changed:
            assert told.get(finding.detector) != (finding.verdict, finding.signature)
            told[finding.detector] = (finding.verdict, finding.signature)
    assert told == {f.detector: (f.verdict, f.signature) for f in moments[-1].analysis.findings}


def test_an_excerpt_knows_nothing_of_what_comes_later(session: Path) -> None:
    drive = until(load_drive(session), LOOK_EVERY)
    assert drive.signals["coolant_temperature"].times[-1] == LOOK_EVERY
    assert drive.marks == ()


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan"), float("inf")])
def test_a_speed_that_is_none_is_refused(session: Path, speed: float) -> None:
    with pytest.raises(InputError, match="speed"):
        play(KnownDrive(load_drive(session)), speed)
