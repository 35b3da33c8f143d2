"""A running recording as the page gets it: what is new comes once, nothing is lost, whatever happens to the file."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from dashboards.live_answer import Asked
from dashboards.live_feed import FAILURES, SCAN_EVERY, Recordings
from obdwatch.live_recording import WINDOW, LiveRecording
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Exchange, ReplyStatus, Session
from obdwatch.signals.growing_drive import GrowingDrive
from tests.dashboards.live.recording import BEGAN, LATER, Page, second, write


def test_without_a_recording_the_page_waits_and_finds_one_by_itself(book: Logbook, page: Page) -> None:
    assert page.ask() == {"state": "waiting"}
    with SessionWriter(book.sessions_folder / "b.obdw", Session("b", BEGAN, "fern")) as writer:
        write(writer, 0, 3)
        page.hand.now += SCAN_EVERY
        assert page.ask()["state"] == "running"
        assert page.told["values"]["coolant_temperature"] == ["80 °C", 2.02]


def test_every_value_comes_once_in_order_and_only_new_ones_travel(writer: SessionWriter, page: Page) -> None:
    for t in range(40):
        write(writer, t, t + 1)
        page.ask()
        assert all(len(times) <= 1 for times, _ in page.told.get("points", {}).values())
    expected = [t + 0.02 for t in range(40)]  # request plus half of 0.05 s, written with two digits
    assert page.points["coolant_temperature"] == pytest.approx(expected, abs=0.011)
    assert len(page.points["engine_speed"]) == 40
    assert page.ask()["values"] == {}, "nothing new: nothing travels"


def test_a_page_that_slept_gets_what_it_missed(writer: SessionWriter, page: Page) -> None:
    awake = Page(page.recordings, page.hand)
    write(writer, 0, 5)
    page.ask()
    for t in range(5, 60):  # somebody else goes on looking meanwhile
        write(writer, t, t + 1)
        awake.ask()
    page.ask()
    assert page.told["anew"] is False
    assert page.points == awake.points
    assert len(page.points["coolant_temperature"]) == 60


def test_a_page_that_slept_too_long_gets_all_that_is_kept(writer: SessionWriter, page: Page) -> None:
    write(writer, 0, 5)
    page.ask()
    for t in range(5, 1500):
        for exchange in second(float(t), 80):
            writer.exchange(exchange)
    writer.commit()
    page.catch_up()
    times = page.points["coolant_temperature"]
    assert times == sorted(set(times))
    assert times[-1] == pytest.approx(1499.025, abs=0.011)
    assert times[0] <= 1499 - WINDOW


def test_another_server_begins_anew_instead_of_doubling(book: Logbook, writer: SessionWriter, page: Page) -> None:
    write(writer, 0, 20)
    page.ask()
    page.recordings = Recordings(book, page.hand)
    page.ask()
    assert page.told["anew"] is True
    assert len(page.points["coolant_temperature"]) == 20


@pytest.mark.parametrize("number", [-1, 0, 10**9])
def test_a_cursor_that_never_was_begins_anew_or_loses_nothing(writer: SessionWriter, page: Page, number: int) -> None:
    write(writer, 0, 4)
    token = page.ask()["have"].split(".")[0]
    told = page.recordings.answer(Asked(token, number))
    assert len(told["points"]["coolant_temperature"][0]) == 4


def test_a_long_recording_is_caught_up_with_in_bounded_steps(tmp_path: Path) -> None:
    path = tmp_path / "long.obdw"
    with SessionWriter(path, Session("long", BEGAN)) as writer:
        for t in range(300):
            for exchange in second(float(t), 80):
                writer.exchange(exchange)
        writer.commit()
        reader = GrowingDrive(path, most_rows=100)
        pieces = [reader.look()]
        while pieces[-1].more:
            pieces.append(reader.look())
    assert [piece.rows for piece in pieces[:-1]] == [100] * 6
    times = [t for piece in pieces if piece.signals for t in piece.signals["coolant_temperature"].times]
    assert times == pytest.approx([t + 0.025 for t in range(300)])


def test_a_value_damaged_on_the_way_is_never_shown(writer: SessionWriter, page: Page) -> None:
    write(writer, 0, 10, coolant=80)
    page.ask()
    write(writer, 10, 11, coolant=208)  # one flipped bit: 0x78 became 0xF8
    assert page.ask()["values"].get("coolant_temperature") is None, "waits for the next one"
    write(writer, 11, 13, coolant=80)
    page.ask()
    assert 10.02 not in page.points["coolant_temperature"]
    assert len(page.points["coolant_temperature"]) == 12


def test_a_jump_that_lasts_is_shown_late_but_whole(writer: SessionWriter, page: Page) -> None:
    write(writer, 0, 10, coolant=80)
    page.ask()
    write(writer, 10, 11, coolant=140)
    page.ask()
    write(writer, 11, 14, coolant=140)
    page.ask()
    assert len(page.points["coolant_temperature"]) == 14
    assert page.told["values"]["coolant_temperature"][0] == "140 °C"


def test_another_control_unit_never_speaks_for_the_engine(tmp_path: Path) -> None:
    """7E8 is the engine's address on CAN (ISO 15765-4); in the last second only the gearbox's answer arrived."""
    path = tmp_path / "two.obdw"
    with SessionWriter(path, Session("two", BEGAN)) as writer:
        reader = GrowingDrive(path)
        keys = []
        for t in range(4):
            for ecu in (0x7E8, 0x7E9) if t < 3 else (0x7E9,):
                writer.exchange(Exchange(float(t), 0.05, b"\x01\x0c", ecu, ReplyStatus.OK, b"\x41\x0c\x1a\xf8"))
            writer.commit()
            keys.append(set(reader.look().signals))
    assert keys == [{"engine_speed", "engine_speed@7E9"}] * 3 + [{"engine_speed@7E9"}]


def test_scaling_told_at_the_beginning_holds_for_the_whole_drive(tmp_path: Path) -> None:
    """Parameter 50 (SAE J1979) gives the maximum of the air flow, A x 10 g/s; 10 is raw 01."""
    path = tmp_path / "scaled.obdw"
    reply = b"\x41\x50\x01\x00\x00\x00"
    with SessionWriter(path, Session("scaled", BEGAN, supported={0x7E8: (0x10, 0x50)})) as writer:
        writer.exchange(Exchange(0.0, 0.05, b"\x01\x50", 0x7E8, ReplyStatus.OK, reply))
        reader = GrowingDrive(path)
        seen = []
        for t in range(1, 120):
            flow = b"\x41\x10\x80\x00"
            writer.exchange(Exchange(float(t), 0.05, b"\x01\x10", 0x7E8, ReplyStatus.OK, flow))
            writer.commit()
            seen += list(reader.look().signals["air_flow"].values)
    assert len(seen) == 119
    assert len(set(seen)) == 1, "the scale must not be forgotten when its reply is long past"


def test_what_came_along_with_a_scale_is_told_once(tmp_path: Path) -> None:
    path = tmp_path / "together.obdw"
    reply = b"\x41\x50\x01\x00\x00\x00\x05\x78"  # the maximum of the air flow, and 80 degC
    with SessionWriter(path, Session("together", BEGAN)) as writer:
        writer.exchange(Exchange(0.0, 0.05, b"\x01\x50\x05", 0x7E8, ReplyStatus.OK, reply))
        writer.commit()
        reader = GrowingDrive(path)
        assert list(reader.look().signals["coolant_temperature"].values) == [80.0]
        writer.exchange(Exchange(1.0, 0.05, b"\x01\x0c", 0x7E8, ReplyStatus.OK, b"\x41\x0c\x1a\xf8"))
        writer.commit()
        assert set(reader.look().signals) == {"engine_speed"}


def test_closed_drives_are_not_opened(book: Logbook, page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    with SessionWriter(book.sessions_folder / "old.obdw", Session("old", BEGAN, "fern")) as writer:
        write(writer, 0, 3)
    book.add_session(writer.path)
    looks = []
    monkeypatch.setattr(LiveRecording, "look", lambda self: looks.append(self.path))
    assert page.ask() == {"state": "waiting"}
    assert looks == []


def test_the_closed_file_ends_it_and_leads_to_the_drive(writer: SessionWriter, page: Page) -> None:
    write(writer, 0, 5)
    page.ask()
    write(writer, 5, 8)
    writer.close()
    page.ask()
    assert page.told["state"] == "over"
    assert len(page.points["coolant_temperature"]) == 8, "the last values came along"
    fresh = Page(page.recordings, page.hand)
    assert fresh.ask() == {"state": "waiting"}, "who comes later is told how to begin"
    assert page.ask()["state"] == "over"


def test_a_recording_outside_of_the_logbooks_folder_is_found(book: Logbook, page: Page, tmp_path: Path) -> None:
    with SessionWriter(tmp_path / "elsewhere.obdw", Session("elsewhere", BEGAN, "fern")) as writer:
        write(writer, 0, 3)
        book.add_session(writer.path)
        assert page.ask()["state"] == "running"


def test_of_two_recordings_the_later_one_is_shown(book: Logbook, writer: SessionWriter, page: Page) -> None:
    write(writer, 0, 3)
    page.ask()
    assert page.told["newer"] is False
    with SessionWriter(
        book.sessions_folder / "second.obdw", replace(writer.session, id="second", started_at=LATER)
    ) as two:
        write(two, 0, 3)
        page.hand.now += SCAN_EVERY
        assert page.ask()["newer"] is True, "who looks at the first is told of the second"
        assert Page(page.recordings, page.hand).ask()["about"]["drive"] == "/drive/second"


def test_a_recorder_that_died_is_over(book: Logbook, page: Page) -> None:
    """A file with its log beside it and nobody who holds it: copied while it was written."""
    source = book.directory / "dying.obdw"
    with SessionWriter(source, Session("dead", BEGAN)) as writer:
        write(writer, 0, 5)
        for suffix in ("", "-wal"):
            name = f"dying.obdw{suffix}"
            (book.sessions_folder / name).write_bytes((book.directory / name).read_bytes())
    assert page.ask() == {"state": "waiting"}


def test_a_damaged_row_is_a_gap_and_the_page_goes_on(writer: SessionWriter, page: Page) -> None:
    write(writer, 0, 10)
    with sqlite3.connect(writer.path) as other:
        other.execute("UPDATE exchange SET payload = x'4105FF' WHERE t = 5")
    other.close()
    page.ask()
    write(writer, 10, 12)
    page.ask()
    assert 5.02 not in page.points["coolant_temperature"]
    assert len(page.points["coolant_temperature"]) == 11


def test_damaged_rows_at_the_end_do_not_hold_the_reader_up(tmp_path: Path) -> None:
    path = tmp_path / "a.obdw"
    with SessionWriter(path, Session("a", BEGAN)) as writer:
        write(writer, 0, 30)
        with sqlite3.connect(path) as other:
            other.execute("UPDATE exchange SET checksum = 1 WHERE id > 10 AND id <= 40")
        other.close()
        reader = GrowingDrive(path, most_rows=10)
        rows = [reader.look().rows for _ in range(6)]
    assert rows == [10, 0, 0, 0, 10, 10]


def test_a_file_that_turns_to_rubbish_is_said_and_nothing_breaks(
    book: Logbook, page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = SessionWriter(book.sessions_folder / "drive-2.obdw", Session("drive-2", BEGAN, "fern"))
    write(writer, 0, 5)
    page.ask()
    writer.close()
    writer.path.write_bytes(b"rubbish" * 1000)
    states = [page.ask()["state"] for _ in range(FAILURES)]
    assert states[-1] == "problem"
    assert "drive-2.obdw" in page.told["told"]
    with SessionWriter(book.sessions_folder / "drive-3.obdw", Session("drive-3", LATER)) as other:
        write(other, 0, 3)
        page.hand.now += SCAN_EVERY
        assert page.ask()["state"] == "running", "the next recording is not missed"
