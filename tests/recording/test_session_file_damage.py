"""A file that is missing, foreign, damaged or doctored gives one clear line, or what is left of it, never a guess."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from obdwatch.errors import SessionFileError
from obdwatch.recording.session_file import SessionWriter, State, read_header, read_session, read_since, schema
from obdwatch.recording.session_file.columns import session_columns
from tests.recording.session_samples import (
    CODE,
    EXCHANGES,
    MARK,
    SESSION,
    doctor,
    exchanges_of,
    fill,
    long_exchange,
    write_long_session,
    write_session,
)

READERS = [read_session, read_header, lambda path: read_since(path, 5)]


def refusal(path: Path) -> str:
    """The one line with which every reader refuses a file."""
    lines = set()
    for reader in READERS:
        with pytest.raises(SessionFileError) as caught:
            reader(path)
        lines.add(str(caught.value))
    assert len(lines) == 1
    (line,) = lines
    assert "\n" not in line
    assert line.startswith(str(path))
    return line


def test_a_missing_file(tmp_path: Path) -> None:
    assert "no such file" in refusal(tmp_path / "a.obdw")
    assert os.listdir(tmp_path) == []


def test_a_folder(tmp_path: Path) -> None:
    assert "is a folder" in refusal(tmp_path)


def test_an_empty_file(tmp_path: Path) -> None:
    (tmp_path / "a.obdw").touch()
    assert "is empty" in refusal(tmp_path / "a.obdw")


def test_a_device(tmp_path: Path) -> None:
    assert "not a regular file" in refusal(Path("/dev/null"))
    os.mkfifo(tmp_path / "a.obdw")
    assert "not a regular file" in refusal(tmp_path / "a.obdw")


@pytest.mark.parametrize("contents", [b"x", b"time_s;rpm\n1;800\n" * 100, bytes(range(256)) * 64, b"\0" * 5000])
def test_a_file_of_another_kind_stays_untouched(tmp_path: Path, contents: bytes) -> None:
    (tmp_path / "a.obdw").write_bytes(contents)
    assert "is no recording of obdwatch" in refusal(tmp_path / "a.obdw")
    assert (tmp_path / "a.obdw").read_bytes() == contents
    assert os.listdir(tmp_path) == ["a.obdw"]


def test_a_foreign_database_stays_untouched_even_with_its_log_open(tmp_path: Path) -> None:
    path = tmp_path / "a.obdw"
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("CREATE TABLE exchange (t REAL)")
    connection.execute("INSERT INTO exchange VALUES (1.0)")
    connection.commit()
    before = {name: (tmp_path / name).read_bytes() for name in os.listdir(tmp_path) if not name.endswith("-shm")}
    assert "is no recording of obdwatch" in refusal(path)
    assert {name: (tmp_path / name).read_bytes() for name in before} == before
    connection.close()


def test_a_newer_format_says_what_to_do(tmp_path: Path) -> None:
    path = doctor(write_session(tmp_path / "a.obdw"), f"PRAGMA user_version = {len(schema.MIGRATIONS) + 1}")
    assert "update obdwatch" in refusal(path)


@pytest.mark.parametrize("version", [0, -7])
def test_an_impossible_format_version(tmp_path: Path, version: int) -> None:
    path = doctor(write_session(tmp_path / "a.obdw"), f"PRAGMA user_version = {version}")
    assert "impossible format version" in refusal(path)


def test_an_older_format_is_read_as_if_it_were_new_and_stays_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_session(tmp_path / "a.obdw")
    before = path.read_bytes()
    renamed = schema.Table("drive_mark", schema.MARK.columns, schema.MARK.holds)
    monkeypatch.setattr(
        schema, "MIGRATIONS", (*schema.MIGRATIONS, lambda c: c.execute("ALTER TABLE mark RENAME TO drive_mark"))
    )
    monkeypatch.setattr(schema, "TABLES", tuple(renamed if t is schema.MARK else t for t in schema.TABLES))
    monkeypatch.setattr(schema, "MARK", renamed)
    contents = read_session(path)
    assert contents.marks == (MARK,)
    assert contents.problems == ()
    assert path.read_bytes() == before


def test_a_view_in_place_of_a_table_is_refused(tmp_path: Path) -> None:
    path = doctor(
        write_session(tmp_path / "a.obdw"),
        "ALTER TABLE exchange RENAME TO kept",
        "CREATE VIEW exchange AS SELECT * FROM kept",
    )
    assert "'exchange' is a view" in refusal(path)


def test_a_virtual_table_in_place_of_a_table_is_refused(tmp_path: Path) -> None:
    path = doctor(write_session(tmp_path / "a.obdw"), "DROP TABLE mark", "CREATE VIRTUAL TABLE mark USING fts5(text)")
    assert "'mark' is a virtual table" in refusal(path)


def test_a_missing_table_costs_only_itself(tmp_path: Path) -> None:
    contents = read_session(doctor(write_session(tmp_path / "a.obdw"), "DROP TABLE code"))
    assert contents.codes == ()
    assert exchanges_of(contents) == list(EXCHANGES)
    assert contents.problems == ("the file lacks the trouble codes",)


def test_a_table_with_other_columns_costs_only_itself(tmp_path: Path) -> None:
    path = doctor(write_session(tmp_path / "a.obdw"), "DROP TABLE mark", "CREATE TABLE mark (colour TEXT)")
    contents = read_session(path)
    assert contents.marks == ()
    assert contents.codes == (CODE,)
    assert "what happened on the way is damaged" in contents.problems[0]


def test_a_file_without_any_data_is_refused(tmp_path: Path) -> None:
    path = doctor(
        write_session(tmp_path / "a.obdw"), "DROP TABLE exchange", "DROP TABLE samples", "DELETE FROM session"
    )
    with pytest.raises(SessionFileError, match="nothing in it can be read"):
        read_session(path)
    with pytest.raises(SessionFileError, match="damaged"):
        read_header(path)


@pytest.mark.parametrize(
    "change",
    [
        "payload = x'410C0000'",
        "payload = NULL",
        "payload = zeroblob(20000000)",
        "payload = 'text'",
        "t = 0.01",
        "t = NULL",
        "t = 9e999",
        "t = 'soon'",
        "latency = -9e999",
        "status = 'no_data'",
        "status = 'splendid'",
        "ecu = 2030",
        "ecu = 'engine'",
        "request = x'010D'",
        "raw = x'FFFE'",
        "negative_code = 1e300",
        "checksum = NULL",
        "checksum = 0",
    ],
)
def test_a_doctored_exchange_is_left_out_and_said(tmp_path: Path, change: str) -> None:
    path = write_session(tmp_path / "a.obdw")
    doctor(path, "PRAGMA ignore_check_constraints = ON", *_without_constraints("exchange"))
    doctor(path, f"UPDATE exchange SET {change} WHERE id = 2")
    contents = read_session(path)
    assert exchanges_of(contents) == [EXCHANGES[0], *EXCHANGES[2:]]
    assert len(contents.problems) == 1
    assert "the values read from the car" in contents.problems[0]
    assert "malformed" not in contents.problems[0]  # SQLite's own words say nothing to a mechanic


def _without_constraints(table: str) -> list[str]:
    return [
        f"CREATE TABLE loose AS SELECT * FROM {table}",
        f"DROP TABLE {table}",
        "CREATE TABLE exchange (id INTEGER PRIMARY KEY, t, latency, request, ecu, status, payload, negative_code, raw,"
        " checksum)",
        f"INSERT INTO {table} SELECT * FROM loose",
        "DROP TABLE loose",
    ]


def test_times_that_run_backwards_are_left_out_even_with_a_right_checksum(tmp_path: Path) -> None:
    path = write_long_session(tmp_path / "a.obdw", 10)
    doctor(path, "UPDATE exchange SET id = 100 WHERE id = 3")
    contents = read_session(path)
    assert exchanges_of(contents) == [long_exchange(n) for n in range(10) if n != 2]
    assert contents.problems == ("1 entry among the values read from the car is out of time order and left out",)


@pytest.mark.parametrize("supported", ["", "{", "[1]", '{"x": 1}', '{"1": ["a"]}', "[" * 100_000])
def test_a_session_row_with_bad_json_is_lost_and_its_data_are_not(tmp_path: Path, supported: str) -> None:
    columns = list(session_columns(SESSION, State.CLOSED)[:-1])
    columns[8] = supported
    path = write_session(tmp_path / "a.obdw")
    connection = sqlite3.connect(path)
    connection.execute("DELETE FROM session")
    connection.execute(schema.SESSION.insertion, (*columns, schema.row_checksum(columns)))
    connection.commit()
    connection.close()
    contents = read_session(path)
    assert contents.session.id == "a"
    assert contents.session.started_at is None
    assert contents.state is None
    assert exchanges_of(contents) == list(EXCHANGES)
    assert "what was known about the session" in contents.problems[0]


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("code", "code = 'P0172'"),
        ("code", "kind = 'invented'"),
        ("mark", "t = 5.0"),
        ("mark", "text = NULL"),
        ("monitor", "value = 4.0"),
        ("monitor", "maximum = 'much'"),
        ("samples", "numbers = times"),
        ("samples", "times = x'00'"),
        ("samples", "key = 'engine_speed'"),
        ("session", "odometer_km = 12.0"),
    ],
)
def test_a_doctored_row_of_any_table_is_left_out_and_said(tmp_path: Path, table: str, change: str) -> None:
    path = write_session(tmp_path / "a.obdw")
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA writable_schema = ON")
    connection.execute("UPDATE sqlite_master SET sql = replace(sql, ' NOT NULL', '')")
    connection.commit()
    connection.close()
    doctor(path, f"UPDATE {table} SET {change} WHERE rowid = 1")
    contents = read_session(path)
    assert len(contents.problems) == 1
    holds = next(one.holds for one in schema.TABLES if one.name == table)
    assert holds in contents.problems[0] or "session" in contents.problems[0]
    assert exchanges_of(contents) == list(EXCHANGES)


@pytest.mark.parametrize("share", [0.2, 0.5, 0.7, 0.9, 0.99])
def test_a_truncated_file_gives_what_is_left_and_nothing_else(tmp_path: Path, share: float) -> None:
    path = write_long_session(tmp_path / "a.obdw")
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    contents = read_session(path)
    assert contents.problems
    assert len(contents.t) > 2000 * (share - 0.3)
    assert set(exchanges_of(contents)) <= {long_exchange(n) for n in range(2000)}
    assert path.read_bytes() == whole[: int(len(whole) * share)]


def test_damaged_pages_in_the_middle_cost_only_their_own_rows(tmp_path: Path) -> None:
    path = write_long_session(tmp_path / "a.obdw")
    whole = bytearray(path.read_bytes())
    pages = len(whole) // 4096
    for page in (pages // 3, pages // 2):
        whole[page * 4096 : page * 4096 + 4096] = b"\xff" * 4096
    path.write_bytes(whole)
    contents = read_session(path)
    read = exchanges_of(contents)
    assert set(read) <= {long_exchange(n) for n in range(2000)}
    assert len(read) > 1600  # two of about 30 pages, and the rows beside them
    assert read[-1] == long_exchange(1999)
    assert contents.problems[0].startswith("part of the values read from the car is damaged and lost")


def test_a_file_copied_without_its_log_says_that_its_end_is_missing(tmp_path: Path) -> None:
    writer = SessionWriter(tmp_path / "a.obdw", SESSION)
    (tmp_path / "copy.obdw").write_bytes((tmp_path / "a.obdw").read_bytes())
    writer.close()
    contents = read_session(tmp_path / "copy.obdw")
    assert "its end is missing" in contents.problems[0]


def _crashed(folder: Path) -> Path:
    """What a power cut leaves: a file with its log."""
    live = folder / "live"
    live.mkdir()
    writer = SessionWriter(live / "a.obdw", SESSION)
    fill(writer)
    writer.commit()
    for name in ("a.obdw", "a.obdw-wal"):
        (folder / name).write_bytes((live / name).read_bytes())
    writer.close()
    return folder / "a.obdw"


def test_a_file_left_open_by_a_crash_is_recovered_once_and_says_so_for_ever(tmp_path: Path) -> None:
    path = _crashed(tmp_path)
    for _ in range(2):
        contents = read_session(path)
        assert contents.state is State.RECOVERED
        assert exchanges_of(contents) == list(EXCHANGES)
        assert contents.session == SESSION
        assert "cut short" in contents.problems[0]
        assert sorted(os.listdir(tmp_path)) == ["a.obdw", "live"]


def test_a_crashed_file_whose_log_is_damaged_keeps_what_was_safe(tmp_path: Path) -> None:
    path = _crashed(tmp_path)
    log = path.with_name("a.obdw-wal")
    log.write_bytes(log.read_bytes()[:-3000])
    contents = read_session(path)
    assert contents.session == SESSION
    assert contents.problems


def _as_nobody(path: Path) -> str:
    """Read a file as a user without any rights to its folder; gives the problems, or the refusal."""
    program = (
        "import datetime, os, sys, tempfile\n"
        "from obdwatch.recording.session_file import SessionWriter, read_session\n"
        "from obdwatch.errors import SessionFileError\n"
        "from obdwatch.records import Session\n"
        # What Python itself imports late lies where this user may not go: read one session before the rights are gone.
        "with tempfile.TemporaryDirectory() as folder:\n"
        "    scratch = folder + '/scratch.obdw'\n"
        "    SessionWriter(scratch, Session('scratch', datetime.datetime.now(datetime.UTC))).close()\n"
        "    read_session(scratch)\n"
        "os.setuid(65534)\n"
        "try:\n    contents = read_session(sys.argv[1])\n    print(len(contents.t), *contents.problems)\n"
        "except SessionFileError as error:\n    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True)
    return done.stdout.strip()


@pytest.fixture
def readable_folder(tmp_path: Path) -> Path:
    if os.name != "posix" or os.getuid() != 0:
        pytest.skip("only root can give up its rights")
    folder = tmp_path
    while folder != Path("/tmp") and folder != folder.parent:
        folder.chmod(0o755)
        folder = folder.parent
    return tmp_path


def test_a_crashed_file_in_a_read_only_place_is_read_and_left_as_it_is(readable_folder: Path) -> None:
    path = _crashed(readable_folder)
    before = {name: (readable_folder / name).read_bytes() for name in ("a.obdw", "a.obdw-wal")}
    assert _as_nobody(path).startswith(f"{len(EXCHANGES)} the recording was cut short")
    assert {name: (readable_folder / name).read_bytes() for name in before} == before
    assert sorted(os.listdir(readable_folder)) == ["a.obdw", "a.obdw-wal", "live"]


def test_a_closed_file_in_a_read_only_place_is_read(readable_folder: Path) -> None:
    assert _as_nobody(write_session(readable_folder / "a.obdw")) == f"{len(EXCHANGES)}"


def test_another_user_may_watch_a_recording(readable_folder: Path) -> None:
    with SessionWriter(readable_folder / "a.obdw", SESSION) as writer:
        fill(writer)
        writer.commit()
        assert _as_nobody(readable_folder / "a.obdw").startswith(f"{len(EXCHANGES)} the recording is not closed")


def test_a_file_without_permission_says_so(readable_folder: Path) -> None:
    path = write_session(readable_folder / "a.obdw")
    path.chmod(0o600)
    assert "no permission to read it" in _as_nobody(path)
