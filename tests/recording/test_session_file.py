"""A session file gives back exactly what was put in, while it is written and for ever after."""

from __future__ import annotations

import os
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from obdwatch.errors import SessionFileError
from obdwatch.recording.session_file import SessionWriter, State, read_header, read_session, read_since, schema
from obdwatch.records import Exchange, Mark, MarkKind, ReplyStatus, Session
from tests.recording.session_samples import (
    CODE,
    EXCHANGES,
    MARK,
    MONITOR,
    SESSION,
    UNKNOWN_MONITOR,
    exchanges_of,
    fill,
    long_exchange,
    write_long_session,
    write_session,
)


def test_everything_written_is_read_back_unchanged(tmp_path: Path) -> None:
    contents = read_session(write_session(tmp_path / "a.obdw"))
    assert contents.session == SESSION
    assert exchanges_of(contents) == list(EXCHANGES)
    assert {key: (list(t), list(v)) for key, (t, v) in contents.samples.items()} == {
        "coolant_temperature": ([0.0, 1.0, 2.5, 3.0], [20.0, 20.5, 21.0, 21.5]),
        "engine_speed": ([0.25], [812.0]),
    }
    assert contents.codes == (CODE,)
    assert contents.monitors == (MONITOR, UNKNOWN_MONITOR)
    assert contents.marks == (MARK,)
    assert contents.problems == ()
    assert contents.state is State.CLOSED


def test_the_header_alone_is_the_same_session(tmp_path: Path) -> None:
    assert read_header(write_session(tmp_path / "a.obdw")) == SESSION


def test_a_session_of_which_nothing_is_known_keeps_its_unknowns(tmp_path: Path) -> None:
    unknown = Session(id="x", started_at=None)
    with SessionWriter(tmp_path / "a.obdw", unknown):
        pass
    contents = read_session(tmp_path / "a.obdw")
    assert contents.session == unknown
    assert len(contents.t) == 0
    assert contents.problems == ()


def test_the_start_is_kept_in_utc_whatever_the_zone(tmp_path: Path) -> None:
    local = datetime(2026, 1, 5, 8, 30, tzinfo=timezone(timedelta(hours=1.5)))
    with SessionWriter(tmp_path / "a.obdw", replace(SESSION, started_at=local)):
        pass
    started_at = read_header(tmp_path / "a.obdw").started_at
    assert started_at == datetime(2026, 1, 5, 7, 0, tzinfo=UTC)
    assert started_at.utcoffset() == timedelta(0)


@pytest.mark.parametrize("name", ["drive #1?.obdw", "100 %.obdw", "Übung è.obdw", "a'b\"c.obdw"])
def test_any_file_name_will_do(tmp_path: Path, name: str) -> None:
    assert read_session(write_session(tmp_path / name)).codes == (CODE,)


def test_a_closed_session_is_one_single_file_any_sqlite_reads(tmp_path: Path) -> None:
    path = write_session(tmp_path / "a.obdw")
    assert os.listdir(tmp_path) == ["a.obdw"]
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT t, hex(payload) FROM exchange WHERE status = 'ok' AND ecu = 2024").fetchall()
    assert rows == [(0.0, "410C1AF8")]
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    assert connection.execute("PRAGMA user_version").fetchone() == (len(schema.MIGRATIONS),)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


def test_a_recording_is_never_overwritten(tmp_path: Path) -> None:
    path = write_session(tmp_path / "a.obdw")
    before = path.read_bytes()
    with pytest.raises(SessionFileError, match="exists already"):
        SessionWriter(path, SESSION)
    assert path.read_bytes() == before


def test_a_folder_that_does_not_exist_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(SessionFileError, match=r"nowhere.*cannot be") as caught:
        SessionWriter(tmp_path / "nowhere" / "a.obdw", SESSION)
    assert "\n" not in str(caught.value)


def test_closing_twice_is_harmless(tmp_path: Path) -> None:
    writer = SessionWriter(tmp_path / "a.obdw", SESSION)
    writer.close()
    writer.close()
    assert read_session(tmp_path / "a.obdw").state is State.CLOSED


def test_what_is_known_can_grow_while_recording_but_the_id_stays(tmp_path: Path) -> None:
    with SessionWriter(tmp_path / "a.obdw", SESSION) as writer:
        writer.update(replace(SESSION, odometer_km=203_500.0))
        with pytest.raises(ValueError, match="cannot become"):
            writer.update(replace(SESSION, id="other"))
    assert read_header(tmp_path / "a.obdw").odometer_km == 203_500.0


@pytest.mark.parametrize(
    "exchange",
    [
        replace(EXCHANGES[0], t=-0.1),
        replace(EXCHANGES[0], t=float("nan")),
        replace(EXCHANGES[0], t=float("inf")),
        replace(EXCHANGES[0], latency=float("nan")),
    ],
)
def test_an_impossible_time_is_refused_and_nothing_else_is_lost(tmp_path: Path, exchange: Exchange) -> None:
    with SessionWriter(tmp_path / "a.obdw", SESSION) as writer:
        writer.exchange(EXCHANGES[0])
        with pytest.raises(ValueError, match="exchange at"):
            writer.exchange(exchange)
        writer.exchange(EXCHANGES[2])
    assert exchanges_of(read_session(tmp_path / "a.obdw")) == [EXCHANGES[0], EXCHANGES[2]]


@pytest.mark.parametrize(
    ("times", "values", "why"),
    [
        ([1.0, 1.0], [0.0, 0.0], "do not increase"),
        ([2.0, 1.0], [0.0, 0.0], "do not increase"),
        ([1.0], [float("nan")], "finite"),
        ([float("inf")], [1.0], "finite"),
        ([1.0, 2.0], [1.0], "times for"),
        ([0.5], [1.0], "do not increase"),  # before what is there already
    ],
)
def test_impossible_samples_are_refused(tmp_path: Path, times: list[float], values: list[float], why: str) -> None:
    with SessionWriter(tmp_path / "a.obdw", SESSION) as writer:
        writer.sample("engine_speed", 0.75, 800.0)
        with pytest.raises(ValueError, match=why):
            writer.samples("engine_speed", times, values)


def test_not_a_number_never_becomes_unknown(tmp_path: Path) -> None:
    with SessionWriter(tmp_path / "a.obdw", SESSION) as writer:
        with pytest.raises(ValueError, match="finite"):
            writer.mark(Mark(float("nan"), MarkKind.NOTE))
        with pytest.raises(ValueError, match="finite"):
            writer.monitor(replace(MONITOR, value=float("inf")))
        with pytest.raises(ValueError, match="finite"):
            writer.update(replace(SESSION, odometer_km=float("nan")))


def test_raw_text_that_is_no_text_is_kept_readable(tmp_path: Path) -> None:
    with SessionWriter(tmp_path / "a.obdw", SESSION) as writer:
        writer.exchange(Exchange(0.0, 0.1, b"\x01\x0c", None, ReplyStatus.WRONG_REPLY, raw="7E8\udcff\0\r>"))
    contents = read_session(tmp_path / "a.obdw")
    assert contents.raw == ["7E8\\udcff\0\r>"]
    assert contents.problems == ()


def test_many_samples_are_kept_in_blocks_and_come_back_as_one(tmp_path: Path) -> None:
    times = np.arange(250_000) / 10
    with SessionWriter(tmp_path / "a.obdw", SESSION) as writer:
        writer.samples("engine_speed", times, np.sqrt(times))
    read = read_session(tmp_path / "a.obdw").samples["engine_speed"]
    assert np.array_equal(read[0], times)
    assert np.array_equal(read[1], np.sqrt(times))


def test_a_reader_follows_a_recording_row_by_row(tmp_path: Path) -> None:
    path = tmp_path / "a.obdw"
    with SessionWriter(path, SESSION) as writer:
        seen: list[Exchange] = []
        row = 0
        for n in range(30):
            writer.exchange(long_exchange(n))
            if n % 7 == 0:
                writer.commit()
                part = read_since(path, row)
                assert part.state is State.RECORDING
                assert "not closed" in part.problems[0]
                seen += exchanges_of(part)
                row = part.last_row
                assert seen == [long_exchange(i) for i in range(n + 1)]
        assert read_since(path, row).last_row == row  # nothing new: the place is kept
    assert exchanges_of(read_since(path, row)) == [long_exchange(29)]


def test_what_is_not_committed_is_not_seen(tmp_path: Path) -> None:
    with SessionWriter(tmp_path / "a.obdw", SESSION) as writer:
        fill(writer)
        assert len(read_session(tmp_path / "a.obdw").t) == 0
        writer.commit()
        assert len(read_session(tmp_path / "a.obdw").t) == len(EXCHANGES)


def test_reading_while_recording_never_disturbs_the_writer(tmp_path: Path) -> None:
    path = tmp_path / "a.obdw"
    with SessionWriter(path, SESSION) as writer:
        for n in range(200):
            writer.exchange(long_exchange(n))
            writer.commit()
            assert len(read_session(path).t) == n + 1
    contents = read_session(path)
    assert contents.state is State.CLOSED
    assert len(contents.t) == 200
    assert os.listdir(tmp_path) == ["a.obdw"]


def test_a_reader_that_holds_on_does_not_keep_the_writer_from_closing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.obdw"
    monkeypatch.setattr("obdwatch.recording.session_file.writer.CLOSE_PAUSE", 0.001)
    writer = SessionWriter(path, SESSION)
    fill(writer)
    writer.commit()
    holding = sqlite3.connect(path)
    holding.execute("BEGIN")
    holding.execute("SELECT count(*) FROM exchange").fetchone()
    writer.close()
    holding.close()
    contents = read_session(path)
    assert contents.state is State.CLOSED
    assert exchanges_of(contents) == list(EXCHANGES)


def test_sixty_thousand_exchanges_are_all_read(tmp_path: Path) -> None:
    path = write_long_session(tmp_path / "a.obdw", 60_000)
    assert len(read_session(path).t) == 60_000
