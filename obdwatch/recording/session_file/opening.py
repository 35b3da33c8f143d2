"""Opens a session file for reading, whatever state it is in, and puts one in order that a crash left open.

A closed file is opened as immutable: nothing is created beside it, so it may lie on a read-only medium, and a file
that is not ours is not touched at all. A file with a write-ahead log beside it is either being recorded (then it is
read along with the recorder) or was cut short (then it is recovered).
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import stat
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum, auto
from pathlib import Path

from obdwatch.errors import SessionFileError
from obdwatch.recording.session_file import schema
from obdwatch.recording.session_file.columns import session_from
from obdwatch.recording.session_file.schema import State

SQLITE_MAGIC = b"SQLite format 3\0"  # these offsets: "Database File Format", sqlite.org/fileformat2.html
PAGE_SIZE_AT = slice(16, 18)
VERSIONS_AT = slice(18, 20)  # 1 = rollback journal, 2 = write-ahead log
PAGE_COUNT_AT = slice(28, 32)
USER_VERSION_AT = slice(60, 64)
APPLICATION_ID_AT = slice(68, 72)
HEADER_LENGTH = 100

LARGEST_SALVAGE = 2**31 - 1  # bytes; a damaged file is repaired in memory
READ_TIMEOUT = 5.0  # s; how long a recorder that is just closing may keep a reader waiting
NOT_OURS = "is no recording of obdwatch"
BEYOND_REPAIR = "is damaged: nothing in it can be read"
DAMAGED = "the file is damaged; only what could still be read is shown"


@dataclass(frozen=True, slots=True)
class Opened:
    """A database to read from, and what there is to say about it."""

    connection: sqlite3.Connection
    tables: frozenset[schema.Table]
    problems: tuple[str, ...] = ()


class _Log(Enum):
    """What became of the write-ahead log beside a file."""

    FOLDED_IN = auto()
    IN_USE = auto()
    READ_ONLY = auto()


@contextlib.contextmanager
def opened(path: Path) -> Iterator[Opened]:
    """Open a session file for reading; raises SessionFileError when nothing in it can be read."""
    path = _checked(path)
    with contextlib.ExitStack() as stack:
        problems: tuple[str, ...] = ()
        try:
            connection = _open(path, stack)
            tables = _tables(path, connection)
        except schema.DAMAGE:
            problems = (DAMAGED,)
            connection = stack.enter_context(contextlib.closing(_salvage(path)))
            tables = _salvaged_tables(path, connection)
        yield Opened(connection, tables, problems)


def _checked(path: Path) -> Path:
    """Return the real path of a non-empty regular file."""
    try:
        status = path.stat()
    except FileNotFoundError:
        raise SessionFileError(path, "no such file") from None
    except (OSError, ValueError) as error:
        raise SessionFileError(path, f"cannot be read ({getattr(error, 'strerror', error)})") from error
    if stat.S_ISDIR(status.st_mode):
        raise SessionFileError(path, f"is a folder; name one session file (*{schema.SUFFIX}) in it")
    if not stat.S_ISREG(status.st_mode):
        raise SessionFileError(path, "is not a regular file")
    if not os.access(path, os.R_OK):
        raise SessionFileError(path, "no permission to read it")
    if status.st_size < HEADER_LENGTH:
        raise SessionFileError(path, "is empty" if status.st_size == 0 else NOT_OURS)
    return path.resolve()


def _open(path: Path, stack: contextlib.ExitStack) -> sqlite3.Connection:
    with contextlib.closing(_connect(path, "mode=ro&immutable=1")) as probe:
        version = _checked_version(path, probe)
    if not _log_of(path).exists():
        return _opened(path, "mode=ro&immutable=1", version, stack)
    log = _fold_in_log(path)
    if log is _Log.IN_USE or (log is _Log.READ_ONLY and _readable_in_place(path)):
        return _opened(path, "mode=ro", version, stack)
    if log is _Log.READ_ONLY:
        path = _copied(path, stack)
        _fold_in_log(path)
    return _opened(path, "mode=ro&immutable=1", version, stack)


def _opened(path: Path, options: str, version: int, stack: contextlib.ExitStack) -> sqlite3.Connection:
    """Connect, and bring an older format up to date in memory; the file stays as it is."""
    connection = stack.enter_context(contextlib.closing(_connect(path, options)))
    _harden(connection)
    if version == len(schema.MIGRATIONS):
        return connection
    current = stack.enter_context(contextlib.closing(sqlite3.connect(":memory:", check_same_thread=False)))
    connection.backup(current)
    schema.upgrade(current, version)
    _harden(current)
    return current


def _connect(path: Path, options: str) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.as_uri()}?{options}", uri=True, timeout=READ_TIMEOUT, check_same_thread=False)


def _log_of(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def _checked_version(path: Path, connection: sqlite3.Connection) -> int:
    """Return the format version of a file that is ours and not too new."""
    try:
        (application_id,) = connection.execute("PRAGMA application_id").fetchone()
        (version,) = connection.execute("PRAGMA user_version").fetchone()
    except schema.DAMAGE as error:
        if "not a database" in str(error):
            raise SessionFileError(path, NOT_OURS) from error
        raise
    _check_identity(path, application_id, version)
    return int(version)


def _check_identity(path: Path, application_id: int, version: int) -> None:
    if application_id != schema.APPLICATION_ID:
        raise SessionFileError(path, NOT_OURS)
    if version > len(schema.MIGRATIONS):
        known = len(schema.MIGRATIONS)
        raise SessionFileError(
            path, f"has format version {version}, this obdwatch reads up to {known}: update obdwatch"
        )
    if version < 1:
        raise SessionFileError(path, f"has the impossible format version {version}")


def _fold_in_log(path: Path) -> _Log:
    """Recover a file that nobody has open; the lock tells, because a recorder holds it as long as it lives."""
    try:
        connection = sqlite3.connect(f"{path.as_uri()}?mode=rw", uri=True, timeout=0.0, isolation_level=None)
    except sqlite3.OperationalError:
        return _Log.READ_ONLY
    with contextlib.closing(connection):
        try:
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            _mark_recovered(connection)
            connection.execute("PRAGMA journal_mode = DELETE")
            path.with_name(path.name + "-shm").unlink(missing_ok=True)  # of the process that died; nobody has it open
        except sqlite3.OperationalError as error:
            return _Log.IN_USE if "locked" in str(error) else _Log.READ_ONLY
    return _Log.FOLDED_IN


def _readable_in_place(path: Path) -> bool:
    """Whether a file in a read-only place can be read with its log: a recorder of another user keeps the index."""
    try:
        with contextlib.closing(_connect(path, "mode=ro")) as connection:
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        return False
    return True


def _mark_recovered(connection: sqlite3.Connection) -> None:
    row = connection.execute(f"SELECT {schema.SESSION.columns} FROM session").fetchone()
    found = session_from(row) if row is not None else None
    if found is not None and found[1] is State.RECORDING:
        *columns, _, _ = row
        columns.append(str(State.RECOVERED))
        update = "UPDATE session SET state = ?, checksum = ?"
        connection.execute(update, (columns[-1], schema.row_checksum(columns)))


def _copied(path: Path, stack: contextlib.ExitStack) -> Path:
    """Copy a file and its log from a read-only place to where they can be put together."""
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="obdwatch-")))
    copy = folder / "session.obdw"
    try:
        shutil.copyfile(path, copy)
        shutil.copyfile(_log_of(path), _log_of(copy))
    except OSError as error:
        raise SessionFileError(path, f"cannot be read ({error.strerror})") from error
    return copy


def _tables(path: Path, connection: sqlite3.Connection) -> frozenset[schema.Table]:
    """The tables of ours that are there; raises SessionFileError where a view or a virtual table poses as one."""
    kinds = {
        name: "virtual table" if kind == "table" and not root_page else kind
        for name, kind, root_page in connection.execute("SELECT name, type, rootpage FROM sqlite_master")
    }
    for table in schema.TABLES:
        kind = kinds.get(table.name, "table")
        if kind != "table":
            raise SessionFileError(path, f"{NOT_OURS}: its '{table.name}' is a {kind}")
    return frozenset(table for table in schema.TABLES if table.name in kinds)


def _salvaged_tables(path: Path, connection: sqlite3.Connection) -> frozenset[schema.Table]:
    try:
        return _tables(path, connection)
    except schema.DAMAGE as error:
        raise SessionFileError(path, BEYOND_REPAIR) from error


def _salvage(path: Path) -> sqlite3.Connection:
    """Load what is left of a damaged file into memory, with a header that fits its real length."""
    try:
        if path.stat().st_size > LARGEST_SALVAGE:
            raise SessionFileError(path, "is damaged and too large to repair")
        contents = bytearray(path.read_bytes())
    except OSError as reading:
        raise SessionFileError(path, f"cannot be read ({reading.strerror})") from reading
    if not contents.startswith(SQLITE_MAGIC):
        raise SessionFileError(path, NOT_OURS)
    version = int.from_bytes(contents[USER_VERSION_AT], "big")
    _check_identity(path, int.from_bytes(contents[APPLICATION_ID_AT], "big"), version)
    page_size = int.from_bytes(contents[PAGE_SIZE_AT], "big")
    page_size = 65536 if page_size == 1 else page_size
    if page_size < 512 or page_size & (page_size - 1):
        raise SessionFileError(path, BEYOND_REPAIR)
    del contents[len(contents) // page_size * page_size :]
    contents[VERSIONS_AT] = b"\1\1"
    contents[PAGE_COUNT_AT] = (len(contents) // page_size).to_bytes(4, "big")
    connection = sqlite3.connect(":memory:", check_same_thread=False)
    try:
        connection.deserialize(bytes(contents))
        connection.execute("PRAGMA writable_schema = ON")
    except sqlite3.Error as still:
        connection.close()
        raise SessionFileError(path, BEYOND_REPAIR) from still
    _harden(connection)
    return connection


def _harden(connection: sqlite3.Connection) -> None:
    """Keep a doctored file from running anything or filling the memory."""
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA cell_size_check = ON")
    connection.text_factory = _text
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, schema.LARGEST_VALUE)


def _text(stored: bytes) -> str:
    """Decode a text that may be damaged; its checksum tells."""
    return stored.decode(errors="replace")
