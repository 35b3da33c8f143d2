"""The recorder keeps one session going through everything that happens to a link, a car and a computer."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from obdwatch.adapters.adapter import DEFAULT_DEADLINE
from obdwatch.clock import InjectedClock
from obdwatch.errors import AdapterSilent, ConnectionLost, SessionFileError
from obdwatch.recording.poll_plan import Phase, PollPlan
from obdwatch.recording.recorder import Link, Recorder, RecordingStatus
from obdwatch.recording.session_file import SessionContents, SessionWriter, State, read_session
from obdwatch.records import Connection, Exchange, Mark, MarkKind, PollClass, ReplyStatus, Session
from tests.recording.fake_car import ENGINE, FakeCar
from tests.recording.session_samples import exchanges_of


@dataclass
class Recording:
    """A recorder on a fake car, and where it writes."""

    car: FakeCar
    path: Path
    statuses: list[RecordingStatus] = field(default_factory=list)

    def make(self) -> Recorder:
        connection = self.car.connect()
        session = Session("s", self.car.clock.utc(), supported=connection.supported)
        writer = SessionWriter(self.path, session)
        return Recorder(self.car, writer, PollPlan(connection), self.car.clock, self.statuses.append)

    def run(self, seconds: float) -> SessionContents:
        self.make().run(lambda: False, seconds)
        return read_session(self.path)


def recording(tmp_path: Path, clock: InjectedClock | None = None, **changes: object) -> Recording:
    return Recording(FakeCar(clock or InjectedClock(), **changes), tmp_path / "s.obdw")  # type: ignore[arg-type]


def kinds(contents: SessionContents) -> list[MarkKind]:
    return [mark.kind for mark in contents.marks]


def mark_of(contents: SessionContents, kind: MarkKind) -> Mark:
    (mark,) = [mark for mark in contents.marks if mark.kind is kind]
    return mark


def test_a_drive_is_recorded_from_start_to_end(tmp_path: Path) -> None:
    drive = recording(tmp_path, engine_speed=lambda t: 0.0 if t < 3 else 200.0 if t < 4 else 900.0)
    contents = drive.run(60.0)
    assert contents.problems == ()
    assert kinds(contents) == [MarkKind.ENGINE_START, MarkKind.END]
    assert mark_of(contents, MarkKind.END).text == "time is up"
    assert mark_of(contents, MarkKind.END).t == pytest.approx(60.0, abs=0.5)
    assert len(contents.t) == len(drive.car.requests)
    assert drive.car.closed >= 1


def test_what_is_recorded_is_what_the_car_sent(tmp_path: Path) -> None:
    drive = recording(tmp_path, engine_speed=lambda t: 800.0 + 10 * t)
    contents = drive.run(20.0)
    sent = [request for _, request in drive.car.requests]
    assert contents.request == sent
    for exchange in exchanges_of(contents):
        if exchange.status is ReplyStatus.OK and exchange.request[0] == 1:
            assert exchange.payload == drive.car.answer(exchange.request, exchange.t)


def test_the_time_axis_starts_with_the_recorder(tmp_path: Path) -> None:
    clock = InjectedClock()
    clock.sleep(1000.0)
    contents = recording(tmp_path, clock).run(10.0)
    assert contents.t[0] == pytest.approx(0.0, abs=0.01)
    assert (np.diff(contents.t) >= 0).all()


def test_the_codes_are_read_at_the_start_and_at_the_end(tmp_path: Path) -> None:
    contents = recording(tmp_path).run(30.0)
    assert contents.request.count(b"\x03") == 2
    assert contents.request[-3:] == [b"\x03", b"\x07", b"\x0a"]


def test_stopping_ends_the_recording_at_once_and_properly(tmp_path: Path) -> None:
    drive = recording(tmp_path)
    drive.make().run(lambda: drive.car.clock.elapsed() > 5.0)
    contents = read_session(drive.path)
    assert contents.state is State.CLOSED
    assert mark_of(contents, MarkKind.END).text == "stopped"
    assert mark_of(contents, MarkKind.END).t == pytest.approx(5.0, abs=0.3)


def test_an_unplugged_adapter_is_waited_for_in_the_same_session(tmp_path: Path) -> None:
    drive = recording(tmp_path, plugged=lambda t: not 20.0 <= t < 50.0)
    contents = drive.run(90.0)
    assert kinds(contents) == [MarkKind.LINK_LOST, MarkKind.RECONNECT, MarkKind.END]
    assert mark_of(contents, MarkKind.LINK_LOST).t == pytest.approx(20.0, abs=0.2)
    back = mark_of(contents, MarkKind.RECONNECT)
    assert 50.0 <= back.t < 66.0
    assert back.duration == pytest.approx(back.t - 20.0, abs=0.2)
    assert not ((contents.t > 20.1) & (contents.t < 50.0)).any()
    assert (contents.t > back.t).sum() > 200


def test_pauses_between_attempts_grow_and_never_end(tmp_path: Path) -> None:
    drive = recording(tmp_path, plugged=lambda t: t < 10.0)
    attempts: list[float] = []
    connect = drive.car.connect

    def counted() -> Connection:
        attempts.append(drive.car.clock.elapsed())
        return connect()

    drive.car.connect = counted  # type: ignore[method-assign]
    drive.run(600.0)
    pauses = np.diff(attempts[1:])
    assert pauses[:4] == pytest.approx([2.0, 4.0, 8.0, 16.0], abs=0.5)
    assert max(pauses) == pytest.approx(30.0, abs=0.5)
    assert attempts[-1] > 560.0


def test_a_wish_to_stop_is_heard_while_the_adapter_is_away(tmp_path: Path) -> None:
    drive = recording(tmp_path, plugged=lambda t: t < 10.0)
    drive.make().run(lambda: drive.car.clock.elapsed() > 70.0)
    assert mark_of(read_session(drive.path), MarkKind.END).t == pytest.approx(70.0, abs=0.5)


@pytest.mark.parametrize("error", [AdapterSilent("no answer"), ConnectionLost("gone again")])
def test_every_kind_of_failure_to_connect_is_tried_again(tmp_path: Path, error: Exception) -> None:
    drive = recording(tmp_path, plugged=lambda t: not 10.0 <= t < 12.0)
    recorder = drive.make()
    connect, fails = drive.car.connect, [error, error]

    def failing() -> Connection:
        if fails:
            raise fails.pop()
        return connect()

    drive.car.connect = failing  # type: ignore[method-assign]
    recorder.run(lambda: False, 60.0)
    assert kinds(read_session(drive.path)) == [MarkKind.LINK_LOST, MarkKind.RECONNECT, MarkKind.END]


def test_another_control_unit_after_reconnecting_is_added_to_what_is_supported(tmp_path: Path) -> None:
    drive = recording(tmp_path, plugged=lambda t: not 10.0 <= t < 12.0)
    recorder = drive.make()
    drive.car.pids = (*drive.car.pids, 0x5C)
    recorder.run(lambda: False, 40.0)
    assert 0x5C in read_session(drive.path).session.supported[ENGINE]


def test_ignition_off_and_on_again_is_a_gap_in_one_session(tmp_path: Path) -> None:
    drive = recording(
        tmp_path,
        awake=lambda t: not 30.0 <= t < 120.0,
        engine_speed=lambda t: 0.0 if 30.0 <= t < 125.0 else 850.0,
        volts=lambda t: 12.5,
    )
    contents = drive.run(150.0)
    assert kinds(contents) == [MarkKind.GAP, MarkKind.ENGINE_STOP, MarkKind.ENGINE_START, MarkKind.END]
    gap = mark_of(contents, MarkKind.GAP)
    assert (gap.t, gap.duration) == (pytest.approx(30.0, abs=0.1), pytest.approx(90.0, abs=3.0))
    assert mark_of(contents, MarkKind.ENGINE_START).t == pytest.approx(125.0, abs=0.2)
    assert b"ATRV" in contents.request


def test_a_session_that_ends_in_silence_says_since_when(tmp_path: Path) -> None:
    contents = recording(tmp_path, awake=lambda t: t < 30.0).run(60.0)
    assert kinds(contents) == [MarkKind.GAP, MarkKind.END]
    assert mark_of(contents, MarkKind.GAP).duration == pytest.approx(30.0, abs=1.0)


class TrickyClock(InjectedClock):
    """A clock whose computer sleeps and whose date gets set, at given moments."""

    def __init__(self) -> None:
        super().__init__()
        self.slept: Callable[[float], float] = lambda t: 0.0
        self.set_by: Callable[[float], float] = lambda t: 0.0

    def elapsed(self) -> float:
        return self.monotonic() + self.slept(self.monotonic())

    def utc(self) -> datetime:
        return super().utc() + timedelta(seconds=self.slept(self.monotonic()) + self.set_by(self.monotonic()))


def test_a_sleeping_computer_is_a_mark_and_not_a_clock_change(tmp_path: Path) -> None:
    clock = TrickyClock()
    clock.slept = lambda t: 3600.0 if t > 20.0 else 0.0
    drive = recording(tmp_path, clock)
    drive.make().run(lambda: clock.monotonic() > 40.0)
    contents = read_session(drive.path)
    asleep = mark_of(contents, MarkKind.ASLEEP)
    assert asleep.t == pytest.approx(20.0, abs=0.5)
    assert asleep.duration == pytest.approx(3600.0)
    assert MarkKind.CLOCK_CHANGE not in kinds(contents)
    assert contents.t[-1] == pytest.approx(3640.0, abs=0.5)


@pytest.mark.parametrize(("step", "word"), [(86_400.0, "forward by 86400 s"), (-7200.0, "back by 7200 s")])
def test_a_clock_that_is_set_is_a_mark_and_moves_no_sample(tmp_path: Path, step: float, word: str) -> None:
    clock = TrickyClock()
    clock.set_by = lambda t: step if t > 20.0 else 0.0
    contents = recording(tmp_path, clock).run(40.0)
    change = mark_of(contents, MarkKind.CLOCK_CHANGE)
    assert word in change.text
    assert change.t == pytest.approx(20.0, abs=0.5)
    assert np.diff(contents.t).max() < 0.5


def test_a_clock_that_is_slewed_gently_is_no_mark(tmp_path: Path) -> None:
    clock = TrickyClock()
    clock.set_by = lambda t: 0.0005 * t  # 500 parts per million, the most a time service slews
    assert kinds(recording(tmp_path, clock).run(300.0)) == [MarkKind.END]


def test_times_of_an_adapter_that_step_back_do_not_stop_the_recording(tmp_path: Path) -> None:
    drive = recording(tmp_path)
    request = drive.car.request

    def late(payload: bytes, deadline: float = DEFAULT_DEADLINE) -> tuple[Exchange, ...]:
        (exchange,) = request(payload, deadline)
        second = Exchange(exchange.t - 0.5, 0.1, payload, 0x7E9, ReplyStatus.NEGATIVE, negative_code=0x12)
        return exchange, second

    drive.car.request = late  # type: ignore[method-assign]
    contents = drive.run(5.0)
    assert contents.problems == ()
    assert contents.ecu.count(0x7E9) > 50


def test_it_commits_once_per_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drive = recording(tmp_path, plugged=lambda t: t < 40.0, awake=lambda t: t < 20.0)
    commits: list[float] = []
    monkeypatch.setattr(SessionWriter, "commit", lambda self: commits.append(drive.car.clock.elapsed()))
    drive.make().run(lambda: False, 60.0)
    assert max(np.diff(commits)) < 1.7  # also while the car is silent and the adapter away
    assert len(commits) < 75


def test_the_status_tells_what_is_going_on(tmp_path: Path) -> None:
    drive = recording(
        tmp_path, engine_speed=lambda t: 0.0 if t < 5.0 else 900.0, plugged=lambda t: t < 80.0, awake=lambda t: t < 60.0
    )
    drive.run(100.0)
    at = {round(status.duration): status for status in drive.statuses}
    assert len(drive.statuses) == pytest.approx(97, abs=4)
    assert at[3].phase is Phase.STARTING
    assert (at[40].phase, at[40].link, at[40].trouble) == (Phase.RUNNING, Link.UP, "")
    assert at[40].requests_per_second == pytest.approx(25.0, rel=0.05)
    assert at[40].values_per_second == pytest.approx(147.0, rel=0.05)
    assert at[40].session.id == "s"
    assert at[40].path == drive.path
    assert at[40].ages[PollClass.FAST] < 0.5
    assert at[70].link is Link.CAR_SILENT
    assert at[95].link is Link.LOST
    assert "gone" in at[95].trouble
    assert at[95].values_per_second == 0.0
    assert at[95].marks == 2  # engine start, link lost


# --- when the file cannot be written


def test_a_full_disk_keeps_what_is_there_and_says_so_once(tmp_path: Path) -> None:
    drive = recording(tmp_path)
    recorder = drive.make()
    writer = recorder._writer
    writer._connection.execute("PRAGMA max_page_count = 40")
    with pytest.raises(SessionFileError, match=r"disk is full.*free some space"):
        recorder.run(lambda: False, 3600.0)
    contents = read_session(drive.path)
    sent = [request for _, request in drive.car.requests]
    assert contents.request == sent[: len(contents.t)]
    assert len(sent) - len(contents.t) <= 26  # one second
    assert drive.car.closed >= 1


def test_whatever_interrupts_the_loop_the_file_is_closed(tmp_path: Path) -> None:
    drive = recording(tmp_path)
    recorder = drive.make()
    request = drive.car.request

    def interrupted(payload: bytes, deadline: float = DEFAULT_DEADLINE) -> tuple[Exchange, ...]:
        if drive.car.clock.elapsed() > 10.0:
            raise KeyboardInterrupt
        return request(payload, deadline)

    drive.car.request = interrupted  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt):
        recorder.run(lambda: False, 3600.0)
    contents = read_session(drive.path)
    assert contents.state is State.CLOSED
    assert contents.t[-1] == pytest.approx(10.0, abs=0.1)


def test_a_link_lost_while_closing_does_not_matter(tmp_path: Path) -> None:
    drive = recording(tmp_path)
    drive.car.plugged = lambda t: t < 20.0
    drive.make().run(lambda: drive.car.clock.elapsed() >= 19.99)
    assert kinds(read_session(drive.path)) == [MarkKind.END]


def test_memory_stays_flat_for_hours(tmp_path: Path) -> None:
    drive = recording(
        tmp_path,
        keeps_requests=False,
        seconds_per_request=1.5,
        plugged=lambda t: t % 1000 > 20,
        engine_speed=lambda t: 900.0 if t % 700 > 60 else 0.0,
        awake=lambda t: t % 1500 > 50,
    )
    drive.car.clock.sleep(100.0)
    recorder = drive.make()
    recorder._on_status = None
    sizes: list[int] = []
    hour = 3600.0

    def stop() -> bool:
        if drive.car.clock.elapsed() > 100.0 + hour * (len(sizes) + 1):
            sizes.append(tracemalloc.get_traced_memory()[0])
        return len(sizes) == 3

    tracemalloc.start()
    try:
        recorder.run(stop)
    finally:
        tracemalloc.stop()
    assert sizes[2] - sizes[0] < 50_000  # bytes in two hours
    assert len(read_session(drive.path).t) > 4_000
