"""What the page says of a running recording: dangers, rates, units, what is left to drive; and how the feed answers."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboards.app import create_app, show_page
from dashboards.live_answer import Asked
from dashboards.live_feed import FEED, MOST_DRAWN, asked_from
from dashboards.live_words import left_to_drive, seen_words, value_words
from dashboards.sessions import SessionShelf
from dashboards.visit import visit_from
from obdwatch.live_recording import LiveRecording
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Exchange, Finding, Mark, MarkKind, ReplyStatus, Session, Urgency, Verdict
from obdwatch.signals.coverage import Coverage
from obdwatch.signals.next_drive import NextDrive, Step, Wish
from obdwatch.signals.remaining_drive import EVERYTHING, remaining
from tests.dashboards.live.recording import BEGAN, MARKUP, Page, second, write
from tests.dashboards.test_pages import text


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
    assert any("5\N{NO-BREAK SPACE}minutes" in one for one in page.told["left"])


def test_seen_words_say_how_much_of_what_is_wanted() -> None:
    told = {one.name: one for one in seen_words(Coverage(steady_cruise=150.0, overrun=20.0))}
    assert told["Steady driving"].words == "2 of 5 minutes"
    assert not told["Steady driving"].enough
    assert told["Rolling with the foot off"].enough
    assert told["Cold start"].words == "not known"


def test_states_are_said_by_name() -> None:
    assert value_words("fuel_system_status", "", 2.0, "metric") == "closed loop"  # parameter 03, SAE J1979
