"""The small parts of polling and recording: engine state, batch size, targets, clock watch, stopping, the unit file."""

from __future__ import annotations

import configparser
import os
import signal
from importlib import resources
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdwatch.clock import InjectedClock
from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.recording.batch_size import FAILURES, FIRST_TRY, BatchSize
from obdwatch.recording.clock_watch import ClockWatch
from obdwatch.recording.engine_state import Change, EngineState
from obdwatch.recording.poll_targets import SLOWEST, intervals, poll_class, read_wishes
from obdwatch.recording.silence import parse_voltage
from obdwatch.recording.stopping import stop_on_signals
from obdwatch.records import PollClass
from tests.recording.fake_car import USUAL_PIDS

WISHES = read_wishes()


def changes(*speeds: float) -> list[Change | None]:
    engine = EngineState()
    return [engine.observe(speed) for speed in speeds]


def test_a_start_needs_two_readings_above_any_cranking_speed() -> None:
    assert changes(0, 0, 180, 250, 620, 900) == [None, None, None, None, None, Change.STARTED]


def test_one_odd_reading_decides_nothing() -> None:
    assert changes(0, 0, 16383, 0, 0, 0) == [None] * 6
    assert changes(800, 800, 0, 800, 800) == [None] * 5


def test_a_rough_idle_is_no_stop() -> None:
    assert changes(800, 800, 350, 480, 300, 520) == [None] * 6


def test_a_stall_is_a_stop() -> None:
    assert changes(800, 800, 300, 0, 0) == [None, None, None, None, Change.STOPPED]


def test_batches_shrink_only_when_nothing_works_and_grow_back_tentatively() -> None:
    size = BatchSize(6)
    assert [size.failed(0.0) for _ in range(FAILURES)] == [False] * (FAILURES - 1) + [True]
    assert size.at(1.0) == 3
    assert size.at(FIRST_TRY) == 6
    for _ in range(FAILURES):
        size.failed(FIRST_TRY)
    assert size.at(2 * FIRST_TRY) == 3  # the next try comes later than the first
    assert size.at(3 * FIRST_TRY) == 6


def test_a_success_in_between_keeps_the_size() -> None:
    size = BatchSize(6)
    for _ in range(10 * FAILURES):
        size.failed(0.0)
        size.worked()
    assert size.at(0.0) == 6


def test_a_single_parameter_cannot_shrink() -> None:
    size = BatchSize(1)
    assert not any(size.failed(0.0) for _ in range(100))
    assert size.at(1e6) == 1


def test_every_wish_names_a_parameter_and_has_a_reason() -> None:
    assert {need.detector for need in WISHES.needs} >= {"warm_up", "cooling", "fuel_trims", "charging"}
    for need in WISHES.needs:
        assert need.intervals
        assert max(min(need.intervals.values()), 0.1) <= need.slowest
    assert set(WISHES.classes) == {PollClass.FAST, PollClass.MEDIUM, PollClass.SLOW, PollClass.RARE}


@given(st.sets(st.sampled_from(USUAL_PIDS), min_size=1), st.floats(0.5, 500.0))
def test_intervals_fit_the_link_and_leave_nothing_out(pids: set[int], capacity: float) -> None:
    planned = intervals(pids, capacity, WISHES)
    assert set(planned) == {pid for pid in pids if poll_class(pid) in WISHES.classes}
    usual = intervals(pids, 1e9, WISHES)
    for pid, interval in planned.items():
        assert usual[pid] <= interval or interval <= WISHES.classes[poll_class(pid)]
        assert interval <= max(SLOWEST, WISHES.classes[poll_class(pid)])
    capped = sum(1 / interval for interval in planned.values() if interval >= 0.99 * SLOWEST)
    assert sum(1 / interval for interval in planned.values()) <= capacity * 1.001 + capped


def test_what_no_detector_needs_is_slowed_first() -> None:
    accelerator = PARAMETER_BY_KEY["accelerator_position_d"].pid
    enough, scarce = intervals(USUAL_PIDS, 1e9, WISHES), intervals(USUAL_PIDS, 15.0, WISHES)
    stretched = {pid: scarce[pid] / enough[pid] for pid in scarce}
    assert stretched[accelerator] > 2 * stretched[0x0C]
    assert stretched[accelerator] > 2 * stretched[0x05]


@pytest.mark.parametrize(
    ("payload", "volts"),
    [(b"12.6V", 12.6), (b"14.12V", 14.12), (b"9.8", 9.8), (b"12V", 12.0), (b"?", None), (b"", None), (None, None)]
    + [(text, None) for text in (b"nanV", b"1e3V", b"-12.0V", b"12.V", b"1_2.5V", b"\xb2.5V", b"12.6V 7E8")],
)
def test_a_voltage_is_a_plain_figure_or_nothing(payload: bytes | None, volts: float | None) -> None:
    assert parse_voltage(payload) == volts


def test_clocks_that_agree_say_nothing() -> None:
    clock = InjectedClock()
    watch = ClockWatch(clock)
    clock.sleep(100_000.0)
    assert list(watch.look()) == []


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
def test_signals_become_a_wish_and_the_old_handlers_come_back() -> None:
    before = signal.getsignal(signal.SIGTERM)
    with stop_on_signals() as stop:
        assert not stop()
        os.kill(os.getpid(), signal.SIGTERM)
        assert stop()
        assert stop.signal == signal.SIGTERM
    assert signal.getsignal(signal.SIGTERM) is before


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
def test_a_second_interrupt_is_not_polite_any_more() -> None:
    with stop_on_signals() as stop:
        os.kill(os.getpid(), signal.SIGINT)
        assert stop()
        with pytest.raises(KeyboardInterrupt):
            os.kill(os.getpid(), signal.SIGINT)


def test_the_example_service_records_quietly_and_starts_again() -> None:
    text = Path(str(resources.files("obdwatch.recording") / "obdwatch-record.service")).read_text("utf-8")
    unit = configparser.ConfigParser(interpolation=None, strict=False)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read_string(text)
    assert "record" in unit["Service"]["ExecStart"]
    assert "--quiet" in unit["Service"]["ExecStart"]
    assert unit["Service"]["Restart"] == "always"
    assert unit["Service"]["KillSignal"] == "SIGTERM"
