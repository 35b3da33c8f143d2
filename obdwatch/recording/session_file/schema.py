"""The tables of a session file, how one row of each is packed and checked, and how old files are brought up to date.

A session file is one SQLite database with the suffix `.obdw`. Any language reads it; what each column holds is said
beside the table below. Times `t` are seconds on the session's own axis. Every row carries a CRC-32 of its contents,
because a bit that rots on a memory card must not become a plausible number: a row that does not fit its checksum is
left out and the reader says so.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum
from struct import Struct

APPLICATION_ID = 0x4F424457  # "OBDW" in ASCII
SUFFIX = ".obdw"

LARGEST_VALUE = 16 * 1024 * 1024  # bytes; a column that claims more is damage (a sample block stays far below)

DAMAGE = (sqlite3.DatabaseError, UnicodeDecodeError)  # the latter when SQLite quotes damaged text in its message


class State(StrEnum):
    """How a session file came to its end."""

    RECORDING = "recording"  # not closed yet, or never closed
    CLOSED = "closed"
    RECOVERED = "recovered"  # was cut short; put in order afterwards


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the session file: its columns in order as SQL, the checksum last; what it `holds`, for the reader."""

    name: str
    columns: str
    holds: str

    @property
    def width(self) -> int:
        """How many columns there are."""
        return self.columns.count(",") + 1

    @property
    def insertion(self) -> str:
        """The statement that adds a row."""
        places = ", ".join("?" * self.width)
        return f"INSERT INTO {self.name} ({self.columns}) VALUES ({places})"


SESSION = Table(
    "session",
    "row, id, started_at, car_id, odometer_km, soak_hours, adapter, protocol, supported, origin, note, tool_version, "
    "state, checksum",
    "what is known of the drive (car, time, adapter)",
)
EXCHANGE = Table(
    "exchange",
    "t, latency, request, ecu, status, payload, negative_code, raw, checksum",
    "the values read from the car",
)
SAMPLES = Table("samples", "key, times, numbers, checksum", "the values taken in from a table")
CODE = Table("code", "t, kind, code, ecu, checksum", "the trouble codes")
MONITOR = Table(
    "monitor",
    "t, ecu, monitor, test, scaling, raw_value, raw_minimum, raw_maximum, value, minimum, maximum, unit, completed, "
    "checksum",
    "the results of the car's own tests",
)
MARK = Table("mark", "t, kind, text, duration, checksum", "what happened on the way")

TABLES = (SESSION, EXCHANGE, SAMPLES, CODE, MONITOR, MARK)


def _create(connection: sqlite3.Connection) -> None:
    """Version 1: all tables."""
    for statement in _VERSION_1:
        connection.execute(statement)


_VERSION_1 = (
    # One row. started_at: ISO 8601 in UTC. supported: JSON, control unit address -> service 01 parameter ids.
    """CREATE TABLE session (row INTEGER PRIMARY KEY CHECK (row = 1), id TEXT NOT NULL, started_at TEXT, car_id TEXT,
    odometer_km REAL, soak_hours REAL, adapter TEXT, protocol TEXT, supported TEXT NOT NULL, origin TEXT NOT NULL,
    note TEXT NOT NULL, tool_version TEXT NOT NULL, state TEXT NOT NULL, checksum INTEGER NOT NULL)""",
    # One row for each request and control unit that answered, in the order of time. t, latency [s]. request: service
    # bytes, or an adapter command in ASCII. payload: the checked answer from its service byte on. raw: what arrived
    # when that was no valid answer.
    """CREATE TABLE exchange (id INTEGER PRIMARY KEY, t REAL NOT NULL, latency REAL NOT NULL, request BLOB NOT NULL,
    ecu INTEGER, status TEXT NOT NULL, payload BLOB, negative_code INTEGER, raw TEXT, checksum INTEGER NOT NULL)""",
    # Imported data. times [s] and numbers are equally many IEEE 754 doubles, little-endian; a key may have many rows.
    """CREATE TABLE samples (id INTEGER PRIMARY KEY, key TEXT NOT NULL, times BLOB NOT NULL, numbers BLOB NOT NULL,
    checksum INTEGER NOT NULL)""",
    """CREATE TABLE code (id INTEGER PRIMARY KEY, t REAL NOT NULL, kind TEXT NOT NULL, code TEXT NOT NULL,
    ecu INTEGER, checksum INTEGER NOT NULL)""",
    """CREATE TABLE monitor (id INTEGER PRIMARY KEY, t REAL NOT NULL, ecu INTEGER, monitor INTEGER NOT NULL,
    test INTEGER NOT NULL, scaling INTEGER NOT NULL, raw_value INTEGER NOT NULL, raw_minimum INTEGER NOT NULL,
    raw_maximum INTEGER NOT NULL, value REAL, minimum REAL, maximum REAL, unit TEXT NOT NULL,
    completed INTEGER NOT NULL, checksum INTEGER NOT NULL)""",
    """CREATE TABLE mark (id INTEGER PRIMARY KEY, t REAL NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL,
    duration REAL NOT NULL, checksum INTEGER NOT NULL)""",
)

MIGRATIONS: tuple[Callable[[sqlite3.Connection], None], ...] = (_create,)  # version n is reached by the n-th


def upgrade(connection: sqlite3.Connection, version: int) -> None:
    """Bring a database from format `version` to the current one, in one transaction."""
    with connection:
        connection.execute("BEGIN")
        for migration in MIGRATIONS[version:]:
            migration(connection)
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")


_EXCHANGE_NUMBERS = Struct("<ddqq")
_ABSENT = -1


def exchange_checksum(
    t: float,
    latency: float,
    request: bytes,
    ecu: int | None,
    status: str,
    payload: bytes | None,
    negative_code: int | None,
    raw: str | None,
) -> int:
    """CRC-32 of one exchange: its numbers (two doubles, two 64-bit integers, little-endian, -1 for none), then the
    request, the status, the payload and the raw text, each after a byte that is 0 when it is absent.
    """
    numbers = _EXCHANGE_NUMBERS.pack(
        t, latency, _ABSENT if ecu is None else ecu, _ABSENT if negative_code is None else negative_code
    )
    answer = b"\0" if payload is None else b"\1" + payload
    text = b"\0" if raw is None else b"\1" + raw.encode()
    return zlib.crc32(b"\1".join((numbers, request, status.encode(), answer, text)))


def samples_checksum(key: str, times: bytes, numbers: bytes) -> int:
    """CRC-32 of the key in UTF-8, the times and the numbers."""
    return zlib.crc32(numbers, zlib.crc32(times, zlib.crc32(key.encode())))


def row_checksum(columns: Iterable[object]) -> int:
    """CRC-32 of the columns before the checksum, as a JSON list."""
    return zlib.crc32(json.dumps(list(columns)).encode())
