"""A running recording as the page gets it: what is new comes once, nothing is lost, whatever happens to the file."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from dashboards.app import create_app, show_page
from dashboards.live_answer import Asked
from dashboards.live_feed import FAILURES, FEED, MOST_DRAWN, SCAN_EVERY, Recordings, asked_from
from dashboards.live_words import left_to_drive, seen_words, value_words
from dashboards.sessions import SessionShelf
from dashboards.visit import visit_from
from obdwatch.live_recording import WINDOW, LiveRecording
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Car, Exchange, Finding, Mark, MarkKind, ReplyStatus, Session, Urgency, Verdict
from obdwatch.signals.coverage import Coverage
from obdwatch.signals.growing_drive import GrowingDrive
from obdwatch.signals.next_drive import NextDrive, Step, Wish
from obdwatch.signals.remaining_drive import EVERYTHING, remaining
from tests.dashboards.test_pages import text

MARKUP = "<img src=x onerror=alert(1)>"
BEGAN = datetime(2026, 1, 20, 7, 12, tzinfo=UTC)
LATER = datetime(2026, 1, 20, 9, 12, tzinfo=UTC)


class Hand:
    """A clock that a test turns [s]."""

    now = 1000.0

    def __call__(self) -> float:
        return self.now


def second(t: float, coolant: int, rpm: float = 2000.0) -> tuple[Exchange, ...]:
    """Coolant temperature and engine speed as SAE J1979 carries them (parameter 05: A - 40; 0C: (256 A + B) / 4)."""
    raw = round(4 * rpm)
    return (
        Exchange(t, 0.05, b"\x01\x05", 0x7E8, ReplyStatus.OK, bytes([0x41, 0x05, coolant + 40])),
        Exchange(t + 0.1, 0.05, b"\x01\x0c", 0x7E8, ReplyStatus.OK, b"\x41\x0c" + raw.to_bytes(2, "big")),
    )


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    made = Logbook(tmp_path / "book")
    made.add_car(Car("fern", f"Fern {MARKUP}", cylinders=4))
    return made


@pytest.fixture
def writer(book: Logbook) -> Iterator[SessionWriter]:
    session = Session("drive-1", BEGAN, "fern", note=MARKUP)
    with SessionWriter(book.sessions_folder / "drive-1.obdw", session) as made:
        yield made


def write(writer: SessionWriter, first: int, last: int, coolant: int = 80) -> None:
    """One commit for each second from `first` on, before `last`."""
    for t in range(first, last):
        for exchange in second(float(t), coolant):
            writer.exchange(exchange)
        writer.commit()


class Page:
    """What a page does: keeps what it was sent, and asks for what is new."""

    def __init__(self, recordings: Recordings, hand: Hand, drawn: tuple[str, ...] | None = None) -> None:
        self.recordings, self.hand, self.drawn = recordings, hand, drawn
        self.have: tuple[str, int | None] = ("", None)
        self.points: dict[str, list[float]] = {}
        self.told: dict[str, Any] = {}

    def ask(self) -> dict[str, Any]:
        self.hand.now += 1.0
        self.told = self.recordings.answer(Asked(*self.have, self.drawn))
        if "have" in self.told:
            token, number = self.told["have"].split(".")
            self.have = (token, int(number))
            if self.told.get("anew"):
                self.points = {}
            for key, (times, _) in self.told.get("points", {}).items():
                self.points.setdefault(key, []).extend(times)
        return self.told

    def catch_up(self) -> dict[str, Any]:
        while self.ask().get("more"):
            pass
        return self.told


@pytest.fixture
def page(book: Logbook) -> Page:
    hand = Hand()
    return Page(Recordings(book, hand), hand)


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


def test_danger_is_told_at_once_and_kept_in_the_list(writer: SessionWriter, page: Page) -> None:
    """115 degC is reported as overheating, 120 degC demands a stop (limits of the cooling detector)."""
    write(writer, 0, 200, coolant=95)
    assert page.catch_up()["danger"] is None
    write(writer, 200, 230, coolant=122)
    told = page.ask()
    assert told["danger"]["urgency"] == "stop"
    assert "stop where it is safe" in " ".join(told["danger"]["lines"])
    assert [one["urgency"] for one in told["warnings"]] == ["stop"]
    assert told["warnings"][0]["text"].endswith("(coolant 122\N{NO-BREAK SPACE}°C).")
    write(writer, 230, 500, coolant=90)
    assert page.ask()["danger"] is None
    late = Page(page.recordings, page.hand)
    assert [one["t"] for one in late.ask()["warnings"]] == [one["t"] for one in told["warnings"]]


def test_a_danger_that_came_and_went_while_nobody_looked_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.obdw"
    with SessionWriter(path, Session("a", BEGAN)) as writer:
        for t in range(1500):
            for exchange in second(float(t), 123 if 600 <= t < 640 else 92):
                writer.exchange(exchange)
        writer.commit()
        live = LiveRecording(path)
        while live.catching_up:
            live.look()
    assert live.danger is None
    assert [one.finding.urgency for one in live.warnings if one.finding is not None] == [Urgency.STOP]


def test_engine_lamp_coming_on_is_a_warning(writer: SessionWriter, page: Page) -> None:
    """Parameter 01 (SAE J1979): bit 7 of A is the lamp, the rest the number of codes."""
    for t, a in ((0.0, 0x00), (1.0, 0x00), (2.0, 0x81), (3.0, 0x81)):
        reply = bytes([0x41, 0x01, a, 0x07, 0xE5, 0x00])
        writer.exchange(Exchange(t, 0.05, b"\x01\x01", 0x7E8, ReplyStatus.OK, reply))
        other = b"\x41\x01\x00\x04\x00\x00"  # the gearbox lights no lamp
        writer.exchange(Exchange(t, 0.06, b"\x01\x01", 0x7E9, ReplyStatus.OK, other))
        writer.commit()
        page.ask()
    told = page.recordings.answer(Asked())
    assert told["lamp"] is True
    assert [one["text"].partition(". ")[0] for one in told["warnings"]] == ["0:00:02: The engine lamp has come on"]


def test_silence_and_a_lost_link_are_said(writer: SessionWriter, page: Page) -> None:
    write(writer, 0, 10)
    page.ask()
    assert page.ask()["state"] == "running"
    page.hand.now += 20.0
    told = page.ask()
    assert told["state"] == "silent"
    assert told["now"] == pytest.approx(32.0, abs=2.0), "the present moment goes on"
    assert told["rate"][0] == 0
    writer.mark(Mark(10.0, MarkKind.LINK_LOST, "unplugged"))
    writer.commit()
    assert page.ask()["state"] == "lost"
    writer.mark(Mark(40.0, MarkKind.RECONNECT, "back", 30.0))
    write(writer, 40, 41)
    assert page.ask()["state"] == "running"


def test_rate_counts_parameter_values(writer: SessionWriter, page: Page) -> None:
    write(writer, 0, 60)
    page.catch_up()
    assert page.told["rate"] == [2, 2]


def test_many_viewers_cost_one_look(writer: SessionWriter, page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    write(writer, 0, 5)
    page.ask()
    looks = []
    monkeypatch.setattr(LiveRecording, "look", lambda self: looks.append(1))
    for _ in range(30):
        page.recordings.answer(Asked())
    assert len(looks) <= 1


def test_what_is_drawn_is_chosen_and_bounded(writer: SessionWriter, page: Page) -> None:
    write(writer, 0, 3)
    page.drawn = ("engine_speed", "no_such_signal")
    page.ask()
    assert set(page.told["points"]) == {"engine_speed"}
    assert asked_from({}, ["a"] * 3 + [f"k{n}" for n in range(20)]).drawn == ("a", *(f"k{n}" for n in range(5)))
    assert len(asked_from({}, [str(n) for n in range(99)]).drawn or ()) == MOST_DRAWN
    assert asked_from({}, [""]).drawn == ()
    assert asked_from({}, []).drawn is None
    assert asked_from({"have": "../../etc.x"}, []).number is None


def test_us_units_are_used_for_texts_and_points(writer: SessionWriter, page: Page) -> None:
    write(writer, 0, 3, coolant=100)
    page.ask()
    told = page.recordings.answer(Asked(units="us"))
    assert told["values"]["coolant_temperature"][0] == "212 °F"  # 100 degC boils water: 212 degF
    assert told["points"]["coolant_temperature"][1] == [212.0] * 3


def test_feed_over_http_is_text_never_markup_and_not_kept(book: Logbook, writer: SessionWriter) -> None:
    write(writer, 0, 3)
    visitor = create_app(book).server.test_client()
    answer = visitor.get(FEED, headers={"Host": "127.0.0.1"})
    assert answer.mimetype == "application/json"
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    told = answer.get_json()
    assert told["about"]["car"] == f"Fern {MARKUP}"
    assert told["about"]["drive"] == "/drive/drive-1"


def test_feed_reads_only_and_refuses_strangers(book: Logbook) -> None:
    visitor = create_app(book).server.test_client()
    assert visitor.get(FEED, headers={"Host": "evil.example"}).status_code == 421
    assert visitor.post(FEED, headers={"Host": "127.0.0.1"}).status_code in (404, 405)


def test_page_says_for_whom_it_is_and_how_to_begin(book: Logbook) -> None:
    shown = text(show_page(SessionShelf(book), visit_from({"path": "/now"})).children)
    assert "Whoever drives does not look here" in shown
    assert "obdwatch record --port auto" in shown


def test_what_is_left_shrinks_with_what_was_driven() -> None:
    half = Coverage(duration=600.0, steady_cruise=130.0, overrun=12.0, idle_warm=200.0)
    assert remaining(EVERYTHING, half).wishes == (Wish(Step.DRIVE_WARM, 10.0), Wish(Step.STEADY, 3.0))
    assert left_to_drive(EVERYTHING, half, "metric")[0] == "Drive on for 10 minutes."
    done = replace(half, duration=1300.0, steady_cruise=300.0)
    assert left_to_drive(EVERYTHING, done, "metric") == ()
    cold = NextDrive(wishes=(Wish(Step.STAND_OVERNIGHT), Wish(Step.READ_CODES)))
    assert remaining(cold, done).wishes == (Wish(Step.READ_CODES),)


def test_what_earlier_drives_left_open_is_asked_for(book: Logbook, page: Page) -> None:
    asks = Finding("cooling", Verdict.NOT_ENOUGH_DATA, "fan_not_seen", drive_to_get="Let it idle for 5 minutes.")
    before = book.sessions_folder / "before.obdw"
    with SessionWriter(before, Session("before", datetime(2026, 1, 2, tzinfo=UTC), "fern")) as old:
        write(old, 0, 2)
    book.add_session(before)
    book.save_analysis("before", (asks,), ())
    with SessionWriter(book.sessions_folder / "now.obdw", Session("now", BEGAN, "fern")) as writer:
        write(writer, 0, 45)
        page.catch_up()
    assert any("idle for 5 minutes" in one for one in page.told["left"])


def test_seen_words_say_how_much_of_what_is_wanted() -> None:
    told = {one.name: one for one in seen_words(Coverage(steady_cruise=150.0, overrun=20.0))}
    assert told["Steady driving"].words == "2 of 5 minutes"
    assert not told["Steady driving"].enough
    assert told["Rolling with the foot off"].enough
    assert told["Cold start"].words == "not known"


def test_states_are_said_by_name() -> None:
    assert value_words("fuel_system_status", "", 2.0, "metric") == "closed loop"  # parameter 03, SAE J1979
