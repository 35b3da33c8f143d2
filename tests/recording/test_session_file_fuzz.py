"""Whatever happens to the bytes of a session file, a reader raises nothing but SessionFileError and invents nothing."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from obdwatch.errors import SessionFileError
from obdwatch.recording.session_file import SessionContents, SessionWriter, read_session, schema
from tests.recording.session_samples import (
    CODE,
    EXCHANGES,
    MARK,
    MONITOR,
    SESSION,
    UNKNOWN_MONITOR,
    exchanges_of,
    long_exchange,
    write_long_session,
    write_session,
)

SMALL, NIGHTLY = 250, 20_000
LONG = 300  # exchanges: several pages for each table that matters
TRUE_LONG = frozenset(long_exchange(n) for n in range(LONG))
RELAXED = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]


def check_truth(contents: SessionContents, exchanges: frozenset[object]) -> None:
    """Everything that was read had been written, and what is said about the rest is fit to be shown."""
    assert all(problem.isprintable() for problem in contents.problems)
    assert set(exchanges_of(contents)) <= exchanges
    assert set(contents.codes) <= {CODE}
    assert set(contents.monitors) <= {MONITOR, UNKNOWN_MONITOR}
    assert set(contents.marks) <= {MARK}
    assert contents.session == SESSION or contents.session.started_at is None
    assert set(contents.samples) <= {"coolant_temperature", "engine_speed"}


def check_coolant(contents: SessionContents) -> None:
    times, values = contents.samples.get("coolant_temperature", ((), ()))
    assert all(value == pytest.approx(t / 10) for t, value in zip(times, values, strict=True))


@pytest.fixture(scope="module")
def long_bytes(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return write_long_session(tmp_path_factory.mktemp("long") / "a.obdw", LONG).read_bytes()


def read_damaged(folder: Path, contents: bytes) -> SessionContents | None:
    path = folder / "damaged.obdw"
    path.write_bytes(contents)
    read, refusal = None, ""
    try:
        read = read_session(path)
    except SessionFileError as error:
        refusal = str(error)
    assert refusal.isprintable()
    assert path.read_bytes() == contents  # reading never changes a file that is not being recorded
    return read


def flip_bits(folder: Path, whole: bytes, flips: list[tuple[float, int]]) -> None:
    damaged = bytearray(whole)
    for place, bit in flips:
        damaged[int(place * len(damaged))] ^= 1 << bit
    contents = read_damaged(folder, bytes(damaged))
    if contents is not None:
        check_truth(contents, TRUE_LONG)
        check_coolant(contents)


FLIPS = st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 7)), min_size=1, max_size=40)
HEAD_FLIPS = st.lists(st.tuples(st.floats(0, 0.05), st.integers(0, 7)), min_size=1, max_size=5)


@given(FLIPS | HEAD_FLIPS)
@settings(max_examples=SMALL, deadline=None, suppress_health_check=RELAXED)
def test_flipped_bits(tmp_path: Path, long_bytes: bytes, flips: list[tuple[float, int]]) -> None:
    flip_bits(tmp_path, long_bytes, flips)


@pytest.mark.nightly
@pytest.mark.timeout(3600)
@given(FLIPS | HEAD_FLIPS)
@settings(max_examples=NIGHTLY, deadline=None, suppress_health_check=RELAXED)
def test_flipped_bits_at_length(tmp_path: Path, long_bytes: bytes, flips: list[tuple[float, int]]) -> None:
    flip_bits(tmp_path, long_bytes, flips)


CUTS = st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1), st.sampled_from(["cut", "zero", "swap"])), max_size=4)


def cut_up(folder: Path, whole: bytes, keep: float, wounds: list[tuple[float, float, str]]) -> None:
    """Overwrite, cut out or exchange whole stretches, then truncate."""
    damaged = bytearray(whole)
    for first, second, kind in wounds:
        start, end = sorted((int(first * len(damaged)), int(second * len(damaged))))
        if kind == "cut":
            del damaged[start : min(end, start + 5000)]
        elif kind == "zero":
            damaged[start : min(end, start + 5000)] = bytes(min(end, start + 5000) - start)
        elif end + 4096 <= len(damaged) and start + 4096 <= end:
            pages = start // 4096 * 4096, end // 4096 * 4096
            parts = [bytes(damaged[page : page + 4096]) for page in pages]
            for page, part in zip(pages, reversed(parts), strict=True):
                damaged[page : page + 4096] = part
    contents = read_damaged(folder, bytes(damaged[: int(keep * len(damaged))]))
    if contents is not None:
        check_truth(contents, TRUE_LONG)
        check_coolant(contents)


@given(st.floats(0, 1), CUTS)
@settings(max_examples=SMALL, deadline=None, suppress_health_check=RELAXED)
def test_cut_up_files(tmp_path: Path, long_bytes: bytes, keep: float, wounds: list[tuple[float, float, str]]) -> None:
    cut_up(tmp_path, long_bytes, keep, wounds)


@pytest.mark.nightly
@pytest.mark.timeout(3600)
@given(st.floats(0, 1), CUTS)
@settings(max_examples=NIGHTLY, deadline=None, suppress_health_check=RELAXED)
def test_cut_up_files_at_length(
    tmp_path: Path, long_bytes: bytes, keep: float, wounds: list[tuple[float, float, str]]
) -> None:
    cut_up(tmp_path, long_bytes, keep, wounds)


@pytest.fixture(scope="module")
def crashed_bytes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """A file and its log as a power cut leaves them."""
    folder = tmp_path_factory.mktemp("crashed")
    writer = SessionWriter(folder / "crashed.obdw", SESSION)
    for n in range(LONG):
        writer.exchange(long_exchange(n))
        if n % 50 == 0:
            writer.commit()
    writer.commit()
    files = {name: (folder / name).read_bytes() for name in ("crashed.obdw", "crashed.obdw-wal")}
    writer.close()
    return files


def flip_bits_of_log(folder: Path, files: dict[str, bytes], flips: list[tuple[bool, float, int]]) -> None:
    damaged = {name: bytearray(contents) for name, contents in files.items()}
    for in_log, place, bit in flips:
        contents = damaged["crashed.obdw-wal" if in_log else "crashed.obdw"]
        contents[int(place * len(contents))] ^= 1 << bit
    for name, contents in damaged.items():
        (folder / name).write_bytes(contents)
    try:
        check_truth(read_session(folder / "crashed.obdw"), TRUE_LONG)
    except SessionFileError as error:
        assert str(error).isprintable()  # noqa: PT017


LOG_FLIPS = st.lists(
    st.tuples(st.booleans(), st.floats(0, 1, exclude_max=True), st.integers(0, 7)), min_size=1, max_size=10
)


@given(LOG_FLIPS)
@settings(max_examples=SMALL // 2, deadline=None, suppress_health_check=RELAXED)
def test_flipped_bits_in_a_crashed_file_and_its_log(
    tmp_path: Path, crashed_bytes: dict[str, bytes], flips: list[tuple[bool, float, int]]
) -> None:
    flip_bits_of_log(tmp_path, crashed_bytes, flips)


@pytest.mark.nightly
@pytest.mark.timeout(3600)
@given(LOG_FLIPS)
@settings(max_examples=NIGHTLY, deadline=None, suppress_health_check=RELAXED)
def test_flipped_bits_in_a_crashed_file_and_its_log_at_length(
    tmp_path: Path, crashed_bytes: dict[str, bytes], flips: list[tuple[bool, float, int]]
) -> None:
    flip_bits_of_log(tmp_path, crashed_bytes, flips)


CELLS = (
    st.none()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False)
    | st.binary(max_size=40)
    | st.text(max_size=20)
    | st.sampled_from(["ok", "stored", "P0300", "note", "closed", "{}", b"\x41\x0c\x10\x00", 0.5, 1e308, 2024])
)
ROWS = st.lists(
    st.sampled_from(schema.TABLES).flatmap(
        lambda table: st.tuples(st.just(table), st.lists(CELLS, min_size=table.width, max_size=table.width))
    ),
    max_size=6,
)


@pytest.fixture(scope="module")
def session_bytes(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return write_session(tmp_path_factory.mktemp("session") / "a.obdw").read_bytes()


def doctored(path: Path, contents: bytes) -> sqlite3.Connection:
    """A copy of a session, open for mischief that need not survive a power cut."""
    path.write_bytes(contents)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("PRAGMA journal_mode = MEMORY")
    return connection


def add_random_rows(folder: Path, whole: bytes, rows: list[tuple[schema.Table, list[object]]]) -> None:
    """Put rows of anything into tables of no type beside the true ones."""
    path = folder / "doctored.obdw"
    connection = doctored(path, whole)
    for table in {table for table, _ in rows}:
        connection.execute(f"ALTER TABLE {table.name} RENAME TO typed")
        key = "" if table is schema.SESSION else "id INTEGER PRIMARY KEY, "
        connection.execute(f"CREATE TABLE {table.name} ({key}{table.columns})")
        connection.execute(f"INSERT INTO {table.name} SELECT * FROM typed")
        connection.execute("DROP TABLE typed")
    for table, cells in rows:
        connection.execute(table.insertion, cells)
    connection.commit()
    connection.close()
    contents = read_session(path)
    check_truth(contents, frozenset(EXCHANGES))
    assert exchanges_of(contents) == list(EXCHANGES)
    assert contents.session == SESSION
    assert bool(contents.problems) == any(table is not schema.SESSION for table, _ in rows)


@given(ROWS)
@settings(max_examples=SMALL // 2, deadline=None, suppress_health_check=RELAXED)
def test_rows_of_anything(tmp_path: Path, session_bytes: bytes, rows: list[tuple[schema.Table, list[object]]]) -> None:
    add_random_rows(tmp_path, session_bytes, rows)


@pytest.mark.nightly
@pytest.mark.timeout(3600)
@given(ROWS)
@settings(max_examples=NIGHTLY, deadline=None, suppress_health_check=RELAXED)
def test_rows_of_anything_at_length(
    tmp_path: Path, session_bytes: bytes, rows: list[tuple[schema.Table, list[object]]]
) -> None:
    add_random_rows(tmp_path, session_bytes, rows)


FORGED = st.lists(
    st.sampled_from([schema.CODE, schema.MARK, schema.MONITOR]).flatmap(
        lambda table: st.tuples(st.just(table), st.lists(CELLS, min_size=table.width - 1, max_size=table.width - 1))
    ),
    max_size=5,
)


@given(FORGED)
@settings(max_examples=SMALL // 2, deadline=None, suppress_health_check=RELAXED)
def test_rows_of_anything_with_a_right_checksum_raise_nothing(
    tmp_path: Path, session_bytes: bytes, rows: list[tuple[schema.Table, list[object]]]
) -> None:
    path = tmp_path / "forged.obdw"
    connection = doctored(path, session_bytes)
    for table, cells in rows:
        connection.execute(f"DROP TABLE {table.name}")
        connection.execute(f"CREATE TABLE {table.name} (id INTEGER PRIMARY KEY, {table.columns})")
        plain = [cell.hex() if isinstance(cell, bytes) else cell for cell in cells]
        connection.execute(table.insertion, (*plain, schema.row_checksum(plain)))
    connection.commit()
    connection.close()
    contents = read_session(path)
    assert exchanges_of(contents) == list(EXCHANGES)
