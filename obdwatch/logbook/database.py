"""The logbook's one SQLite database: its tables, how old ones are brought up to date, and every statement of SQL.

Two kinds of tables stand side by side. `car`, `event`, `session_edit` and `removed_session` hold what only the keeper
knows; `session`, `feature` and `finding` are an index that can be dropped and rebuilt from the session files.
A connection lives for one operation, so that threads and processes never share one; a writer waits for another.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain
from pathlib import Path
from typing import Any

from obdwatch.errors import LogbookError

APPLICATION_ID = 0x4F424C42  # "OBLB" in ASCII
PATIENCE = 10.0  # s; how long to wait for another process that is writing

Connection = sqlite3.Connection
Row = tuple[Any, ...]

USER_TABLES = (
    "CREATE TABLE car (id TEXT PRIMARY KEY, profile TEXT NOT NULL) WITHOUT ROWID",
    """CREATE TABLE event (
        id INTEGER PRIMARY KEY AUTOINCREMENT, car_id TEXT NOT NULL, at TEXT NOT NULL, kind TEXT NOT NULL,
        odometer_km REAL, part TEXT, answer TEXT, note TEXT NOT NULL)""",
    "CREATE INDEX event_of_car ON event (car_id, at)",
    """CREATE TABLE session_edit (
        session_id TEXT PRIMARY KEY, car_id TEXT, odometer_km REAL, soak_hours REAL, note TEXT) WITHOUT ROWID""",
    """CREATE TABLE removed_session (
        session_id TEXT PRIMARY KEY, original TEXT NOT NULL, kept TEXT NOT NULL, at TEXT NOT NULL) WITHOUT ROWID""",
)
REBUILDABLE_TABLES = (
    """CREATE TABLE session (
        id TEXT PRIMARY KEY, path TEXT NOT NULL, car_id TEXT, started_at TEXT, odometer_km REAL, soak_hours REAL,
        adapter TEXT, protocol TEXT, supported TEXT NOT NULL, origin TEXT NOT NULL, note TEXT NOT NULL,
        tool_version TEXT NOT NULL, size INTEGER NOT NULL, modified INTEGER NOT NULL) WITHOUT ROWID""",
    """CREATE TABLE feature (
        session_id TEXT NOT NULL, detector TEXT NOT NULL, name TEXT NOT NULL, value REAL NOT NULL, unit TEXT NOT NULL,
        low REAL, high REAL, healthy INTEGER NOT NULL)""",
    "CREATE INDEX feature_of_session ON feature (session_id)",
    """CREATE TABLE finding (
        session_id TEXT NOT NULL, place INTEGER NOT NULL, document TEXT NOT NULL,
        PRIMARY KEY (session_id, place)) WITHOUT ROWID""",
    """CREATE TABLE IF NOT EXISTS analysis (
        session_id TEXT PRIMARY KEY, made_from TEXT NOT NULL, remarks TEXT NOT NULL) WITHOUT ROWID""",
)
REBUILDABLE = ("session", "feature", "finding", "analysis")


def _first_tables(connection: Connection) -> None:
    """Version 1."""
    for statement in (*USER_TABLES, *REBUILDABLE_TABLES):
        connection.execute(statement)


def _analysis_table(connection: Connection) -> None:
    """Version 2: what an analysis was made from; one that was made before it is simply made again."""
    connection.execute(REBUILDABLE_TABLES[-1])


def _question_column(connection: Connection) -> None:
    """Version 3: which question of the guided inspection an entry answers; older entries answer none."""
    if all(column[1] != "question" for column in connection.execute("PRAGMA table_info(event)")):
        connection.execute("ALTER TABLE event ADD COLUMN question TEXT")


MIGRATIONS: tuple[Callable[[Connection], None], ...] = (_first_tables, _analysis_table, _question_column)


@contextlib.contextmanager
def reading(path: Path) -> Iterator[Connection]:
    """Open the database for one read; every read inside sees the same moment."""
    with _reporting(path), contextlib.closing(_connected(path)) as connection:
        connection.execute("BEGIN")
        yield connection


@contextlib.contextmanager
def writing(path: Path) -> Iterator[Connection]:
    """Open the database for one change, which happens as a whole or not at all."""
    with _reporting(path), contextlib.closing(_connected(path)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")


def prepare(path: Path) -> None:
    """Make the database, or bring an older one up to date. Raises LogbookError."""
    with _reporting(path), contextlib.closing(_connected(path)) as connection:
        if _version(path, connection) < len(MIGRATIONS):
            connection.execute("BEGIN IMMEDIATE")
            _migrate(path, connection)


def is_in_use(path: Path) -> bool:
    """Return whether another connection has a session file open: a recorder does for as long as it lives."""
    try:
        with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=rw", uri=True, timeout=0.0)) as connection:
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            connection.execute("BEGIN EXCLUSIVE")
    except sqlite3.Error as error:
        return "locked" in str(error)
    return False


def _connected(path: Path) -> Connection:
    return sqlite3.connect(path, timeout=PATIENCE, isolation_level=None)


def _version(path: Path, connection: Connection) -> int:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (application_id,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application_id != APPLICATION_ID and (tables or version):
        raise LogbookError(f"{path}: is a database of another program, not a logbook; choose another folder")
    if version > len(MIGRATIONS):
        known = len(MIGRATIONS)
        raise LogbookError(f"{path}: has format version {version}, this obdwatch reads up to {known}: update obdwatch")
    return int(version)


def _migrate(path: Path, connection: Connection) -> None:
    """Apply what is missing; another process may have done it while we waited for the lock."""
    try:
        for step in MIGRATIONS[_version(path, connection) :]:
            step(connection)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


@contextlib.contextmanager
def _reporting(path: Path) -> Iterator[None]:
    """Turn what SQLite says into one line for the keeper."""
    try:
        yield
    except sqlite3.Error as error:
        raise LogbookError(f"{path}: {_reason(error)}") from error


def _reason(error: sqlite3.Error) -> str:
    text = str(error)
    if "not a database" in text or "malformed" in text:
        return (
            f"the logbook is damaged ({text}); move that file away: the drives beside it are found again by themselves"
        )
    if "locked" in text:
        return "another program has been writing to the logbook for too long; close it and try again"
    if "readonly" in text:
        return "the logbook cannot be written; check the permissions of its folder, or choose another with --logbook"
    if "unable to open" in text:
        return "the logbook cannot be opened; check its folder, or choose another with --logbook"
    if "full" in text:
        return "the disk is full; free some space and try again"
    return f"the logbook cannot be used ({text})"


def drop_rebuildable(connection: Connection) -> None:
    """Empty the index; cars, events and the keeper's corrections stay."""
    for table in REBUILDABLE:
        connection.execute(f"DROP TABLE IF EXISTS {table}")
    for statement in REBUILDABLE_TABLES:
        connection.execute(statement)


# Cars


def put_car(connection: Connection, car_id: str, profile: str) -> None:
    """Add or replace a car."""
    connection.execute("REPLACE INTO car (id, profile) VALUES (?, ?)", (car_id, profile))


def profile_of(connection: Connection, car_id: str) -> str | None:
    """Return the profile of a car as JSON."""
    row = connection.execute("SELECT profile FROM car WHERE id = ?", (car_id,)).fetchone()
    return row[0] if row is not None else None


def profiles(connection: Connection) -> list[str]:
    """Return every profile in the order of ids."""
    return [row[0] for row in connection.execute("SELECT profile FROM car ORDER BY id")]


def delete_car(connection: Connection, car_id: str) -> None:
    """Take a car and its events out."""
    connection.execute("DELETE FROM event WHERE car_id = ?", (car_id,))
    connection.execute("DELETE FROM car WHERE id = ?", (car_id,))


# Events

EVENT_COLUMNS = "car_id, at, kind, odometer_km, part, answer, note, question"


def add_event(connection: Connection, columns: Sequence[Any]) -> int:
    """Add an event (`EVENT_COLUMNS`) and return its number."""
    cursor = connection.execute(f"INSERT INTO event ({EVENT_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", tuple(columns))
    assert cursor.lastrowid is not None
    return cursor.lastrowid


def replace_event(connection: Connection, number: int, columns: Sequence[Any]) -> bool:
    """Replace an event; False where there is none with that number."""
    names = ", ".join(f"{name} = ?" for name in EVENT_COLUMNS.split(", "))
    return connection.execute(f"UPDATE event SET {names} WHERE id = ?", (*columns, number)).rowcount > 0


def delete_event(connection: Connection, number: int) -> None:
    """Take an event out."""
    connection.execute("DELETE FROM event WHERE id = ?", (number,))


def events(connection: Connection, car_id: str | None = None, number: int | None = None) -> list[Row]:
    """Return (`EVENT_COLUMNS`, id) of all events, of one car, or of one number, oldest first."""
    query = f"SELECT {EVENT_COLUMNS}, id FROM event WHERE (?1 IS NULL OR car_id = ?1) AND (?2 IS NULL OR id = ?2)"
    return connection.execute(f"{query} ORDER BY at, id", (car_id, number)).fetchall()


# Sessions

SESSION_COLUMNS = (
    "id, path, car_id, started_at, odometer_km, soak_hours, adapter, protocol, supported, origin, note, tool_version, "
    "size, modified"
)
# What the keeper corrected stands above what the file says.
EDITED_SESSION = """
    SELECT session.id, path, coalesce(edit.car_id, session.car_id), started_at,
        coalesce(edit.odometer_km, session.odometer_km), coalesce(edit.soak_hours, session.soak_hours), adapter,
        protocol, supported, origin, coalesce(edit.note, session.note), tool_version, size, modified
    FROM session LEFT JOIN session_edit AS edit ON edit.session_id = session.id"""


def put_session(connection: Connection, columns: Sequence[Any]) -> None:
    """Add or replace a session (`SESSION_COLUMNS`) in the index."""
    places = ", ".join("?" * len(columns))
    connection.execute(f"REPLACE INTO session ({SESSION_COLUMNS}) VALUES ({places})", tuple(columns))


def delete_session(connection: Connection, session_id: str) -> None:
    """Take a session out of the index; its features and findings stay for the case that it comes back."""
    connection.execute("DELETE FROM session WHERE id = ?", (session_id,))


def sessions(connection: Connection, car_id: str | None = None) -> list[Row]:
    """Return every session as `SESSION_COLUMNS`, oldest first, undated ones before; of one car where one is named."""
    query = f"{EDITED_SESSION} WHERE ?1 IS NULL OR coalesce(edit.car_id, session.car_id) = ?1"
    return connection.execute(f"{query} ORDER BY started_at, session.id", (car_id,)).fetchall()


def session(connection: Connection, session_id: str) -> Row | None:
    """Return one session as `SESSION_COLUMNS`."""
    row: Row | None = connection.execute(f"{EDITED_SESSION} WHERE session.id = ?", (session_id,)).fetchone()
    return row


def session_ids_like(connection: Connection, start: str, most: int) -> list[str]:
    """Return up to `most` session ids that begin with `start`."""
    query = "SELECT id FROM session WHERE substr(id, 1, ?) = ? ORDER BY id LIMIT ?"
    return [row[0] for row in connection.execute(query, (len(start), start, most))]


EDIT_COLUMNS = "car_id, odometer_km, soak_hours, note"


def put_edit(connection: Connection, session_id: str, columns: Sequence[Any]) -> None:
    """Add to what the keeper corrected about a session (`EDIT_COLUMNS`); None leaves an earlier correction."""
    updates = ", ".join(f"{name} = coalesce(excluded.{name}, {name})" for name in EDIT_COLUMNS.split(", "))
    connection.execute(
        f"INSERT INTO session_edit (session_id, {EDIT_COLUMNS}) VALUES (?, ?, ?, ?, ?) "
        f"ON CONFLICT (session_id) DO UPDATE SET {updates}",
        (session_id, *columns),
    )


def edits(connection: Connection) -> list[Row]:
    """Return (session id, `EDIT_COLUMNS`) of every correction."""
    return connection.execute(f"SELECT session_id, {EDIT_COLUMNS} FROM session_edit ORDER BY session_id").fetchall()


def put_removed(connection: Connection, session_id: str, original: str, kept: str, at: str) -> None:
    """Note where the file of a removed session lay and lies now."""
    connection.execute("REPLACE INTO removed_session VALUES (?, ?, ?, ?)", (session_id, original, kept, at))


def removed(connection: Connection) -> list[Row]:
    """Return (session id, original path, path now, when) of removed sessions, the last removed first."""
    query = "SELECT session_id, original, kept, at FROM removed_session ORDER BY at DESC, session_id"
    return connection.execute(query).fetchall()


def delete_removed(connection: Connection, session_id: str) -> None:
    """Forget that a session was removed."""
    connection.execute("DELETE FROM removed_session WHERE session_id = ?", (session_id,))


# What was found in sessions

FEATURE_COLUMNS = "session_id, detector, name, value, unit, low, high, healthy"


def replace_analysis(
    connection: Connection,
    session_id: str,
    findings: Iterable[str],
    features: Iterable[Sequence[Any]],
    origin: tuple[str, str] | None = None,
) -> None:
    """Replace everything known of a session's analysis: findings as JSON, features as `FEATURE_COLUMNS`.

    `origin` is what the analysis was made from and its remarks as JSON, None where nobody says.
    """
    for table in ("finding", "feature", "analysis"):
        connection.execute(f"DELETE FROM {table} WHERE session_id = ?", (session_id,))
    if origin is not None:
        connection.execute(
            "INSERT INTO analysis (session_id, made_from, remarks) VALUES (?, ?, ?)", (session_id, *origin)
        )
    rows = ((session_id, place, document) for place, document in enumerate(findings))
    connection.executemany("INSERT INTO finding (session_id, place, document) VALUES (?, ?, ?)", rows)
    connection.executemany(f"INSERT INTO feature ({FEATURE_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", features)


def findings(connection: Connection, session_id: str) -> list[str]:
    """Return the findings of a session as JSON, in the order they were saved."""
    query = "SELECT document FROM finding WHERE session_id = ? ORDER BY place"
    return [row[0] for row in connection.execute(query, (session_id,))]


def with_findings(connection: Connection) -> list[str]:
    """Return the ids of the sessions that have findings."""
    return [row[0] for row in connection.execute("SELECT DISTINCT session_id FROM finding")]


def answers(connection: Connection, car_id: str) -> list[Row]:
    """Return (session id, detector, verdict) of every finding about a car, those of one session in the order saved."""
    query = """
        SELECT finding.session_id, json_extract(document, '$.detector'), json_extract(document, '$.verdict')
        FROM finding JOIN session ON session.id = finding.session_id
            LEFT JOIN session_edit AS edit ON edit.session_id = session.id
        WHERE coalesce(edit.car_id, session.car_id) = ? ORDER BY finding.session_id, place"""
    return connection.execute(query, (car_id,)).fetchall()


def analyses(connection: Connection) -> list[Row]:
    """Return (session id, what it was made from, remarks as JSON) of every analysis that says so."""
    return connection.execute("SELECT session_id, made_from, remarks FROM analysis").fetchall()


def feature_names(connection: Connection) -> list[tuple[str, str]]:
    """Return (detector, name) of all features, each once."""
    return connection.execute("SELECT DISTINCT detector, name FROM feature").fetchall()


def features(connection: Connection, session_id: str, names: Sequence[tuple[str, str]] | None = None) -> list[Row]:
    """Return (`FEATURE_COLUMNS`, started_at, odometer, place) of a session, in the order they were saved.

    `place` is a number by which the features of different sessions stand in that order too. Where `names` (detector,
    name) are given, only those are returned.
    """
    chosen = ""
    if names is not None:
        chosen = f"AND (detector, name) IN (VALUES {', '.join(['(?, ?)'] * len(names))})" if names else "AND FALSE"
    query = f"""
        SELECT {", ".join("feature." + name for name in FEATURE_COLUMNS.split(", "))}, session.started_at,
            coalesce(edit.odometer_km, session.odometer_km), feature.rowid
        FROM feature JOIN session ON session.id = feature.session_id
            LEFT JOIN session_edit AS edit ON edit.session_id = session.id
        WHERE feature.session_id = ? {chosen} ORDER BY feature.rowid"""
    return connection.execute(query, (session_id, *chain.from_iterable(names or ()))).fetchall()


def origins(connection: Connection, car_id: str) -> list[Row]:
    """Return (session id, started_at, odometer, what its analysis was made from or None) of every drive of a car."""
    query = """
        SELECT session.id, session.started_at, coalesce(edit.odometer_km, session.odometer_km), analysis.made_from
        FROM session LEFT JOIN session_edit AS edit ON edit.session_id = session.id
            LEFT JOIN analysis ON analysis.session_id = session.id
        WHERE coalesce(edit.car_id, session.car_id) = ?"""
    return connection.execute(query, (car_id,)).fetchall()
