"""Reads a session file back: whole, its header only, or what came after a row already seen.

A row is taken only when its types and its checksum are right; what is left out is counted and said in `problems`.
Nothing is ever repaired by guessing.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

import numpy as np

from obdwatch.errors import SessionFileError
from obdwatch.recording.session_file import columns as packed
from obdwatch.recording.session_file import schema
from obdwatch.recording.session_file.opening import Opened, opened
from obdwatch.recording.session_file.schema import State, Table
from obdwatch.records import BoolArray, CodeReading, FloatArray, Mark, MonitorResult, ReplyStatus, Session

Row = Sequence[Any]
Record = TypeVar("Record", CodeReading, MonitorResult, Mark)

LAST_ROW = 2**62  # no session has as many
UNLIMITED = -1
_STATUS = {str(status): status for status in ReplyStatus}

RECOVERED = (
    "the recording was cut short (power cut, kill or full disk) and recovered; at most its last second is missing"
)
UNFINISHED = "the recording is not closed: it is still running, or was cut short and its end is missing"
_STATE_MEANING = {State.RECORDING: UNFINISHED, State.RECOVERED: RECOVERED}


@dataclass(frozen=True, slots=True)
class SessionContents:
    """All that a session file holds.

    The exchange columns have equal length and the order of time: `t` and `latency` [s], and beside them `request`,
    `ecu`, `status`, `payload`, `negative_code` and `raw` as in `Exchange`. `samples` maps a key to times [s] and
    values. `state` is None where it cannot be read, `last_row` is where `read_since` goes on.
    `problems` are sentences for the user.
    """

    session: Session
    state: State | None
    t: FloatArray
    latency: FloatArray
    request: list[bytes]
    ecu: list[int | None]
    status: list[ReplyStatus]
    payload: list[bytes | None]
    negative_code: list[int | None]
    raw: list[str | None]
    samples: Mapping[str, tuple[FloatArray, FloatArray]]
    codes: tuple[CodeReading, ...]
    monitors: tuple[MonitorResult, ...]
    marks: tuple[Mark, ...]
    problems: tuple[str, ...]
    last_row: int


def read_session(path: Path | str) -> SessionContents:
    """Read a whole session file; raises SessionFileError when nothing in it can be used."""
    return read_since(path, 0)


def read_services(path: Path | str, services: Collection[bytes]) -> SessionContents:
    """Read only the exchanges of these services, each a byte (0x03: stored codes), and no samples; raises as above.

    SQLite picks them, so that the codes of a long drive are read in a moment.
    """
    return _read(Path(path), 0, UNLIMITED, frozenset(services))


def read_since(path: Path | str, row: int, most: int = UNLIMITED) -> SessionContents:
    """Read what a live reader has not seen: exchanges after `row` (its last `last_row`), and all the other tables.

    `most` rows at a time keep the cost of catching up bounded; damaged rows count, so that reading always gets on.
    """
    return _read(Path(path), row, most, None)


def _read(path: Path, row: int, most: int, services: frozenset[bytes] | None) -> SessionContents:
    with opened(path) as file:
        tables = _Tables(file)
        header = _header(tables)
        exchanges, last_row = _exchanges(tables, row, most, _only(services))
        samples = _samples(tables) if services is None else MappingProxyType({})
        codes = _records(tables, schema.CODE, packed.code_from)
        monitors = _records(tables, schema.MONITOR, packed.monitor_from)
        marks = _records(tables, schema.MARK, packed.mark_from)
    if header is None and not exchanges and not samples:
        raise SessionFileError(path, "is damaged: nothing in it can be read")
    session, state = header or (Session(id=path.stem, started_at=None), None)
    columns: list[Row] = list(zip(*exchanges, strict=True)) or [()] * (schema.EXCHANGE.width + 1)
    return SessionContents(
        session=session,
        state=state,
        t=np.array(columns[1], dtype=float),
        latency=np.array(columns[2], dtype=float),
        request=list(columns[3]),
        ecu=list(columns[4]),
        status=[_STATUS[text] for text in columns[5]],
        payload=list(columns[6]),
        negative_code=list(columns[7]),
        raw=list(columns[8]),
        samples=samples,
        codes=codes,
        monitors=monitors,
        marks=marks,
        problems=tuple(tables.problems),
        last_row=last_row,
    )


def read_header(path: Path | str) -> Session:
    """Read what is known about a session without its data; raises SessionFileError when that is damaged."""
    with opened(Path(path)) as file:
        header = _header(_Tables(file))
    if header is None:
        raise SessionFileError(path, "is damaged: what is known about the session cannot be read")
    return header[0]


class _Tables:
    """The rows of one open file, as far as they can be read, and what was lost on the way."""

    def __init__(self, file: Opened) -> None:
        self._file = file
        self.problems = list(file.problems)
        self.problems += [f"the file lacks {table.holds}" for table in schema.TABLES if table not in file.tables]
        file.connection.execute("BEGIN")  # one moment of a file that may be growing

    def rows(self, table: Table, after: int = 0, most: int = UNLIMITED, only: str = "") -> list[Row]:
        """The row number and the columns of each row that can be read, jumping over damaged pages.

        About `most` rows where a number is given: more only behind a damaged page. `only` is a further condition.
        """
        found: list[Row] = []
        jump = 1
        damaged = False
        while table in self._file.tables and after < LAST_ROW:
            place = after
            rows, whole = self._until_damage(table, after, most, only)
            for row in rows:
                if row[0] > after:
                    after = row[0]
                    found.append(row)
            if whole:
                break
            damaged = True
            after, jump = (after, 1) if after > place else (after + jump, 2 * jump)
        if damaged:
            self.problems.append(
                f"part of {table.holds} is damaged and lost; the rest is kept, and what was lost stays a gap"
            )
        return found

    def _until_damage(self, table: Table, after: int, most: int, only: str) -> tuple[list[Row], bool]:
        """Rows up to the first that cannot be read, and whether there was none such."""
        query = f"SELECT rowid, {table.columns} FROM {table.name} WHERE rowid > ?{only} ORDER BY rowid LIMIT ?"
        rows: list[Row] = []
        whole = True
        for limit in (most, 1):  # reading ahead, SQLite swallows the last good row, which is then asked for alone
            try:
                rows.extend(self._file.connection.execute(query, (rows[-1][0] if rows else after, limit)))
            except schema.DAMAGE:
                whole = False
            if whole:
                break
        return rows, whole

    def sound(self, table: Table, is_sound: Callable[[Row], bool]) -> list[Row]:
        """The rows that fit their checksum; says how many did not."""
        return self.checked(table, self.rows(table), is_sound)

    def checked(self, table: Table, rows: list[Row], is_sound: Callable[[Row], bool]) -> list[Row]:
        """Keep those of `rows` that fit their checksum; say how many did not."""
        kept = [row for row in rows if is_sound(row)]
        self.left_out(table, len(rows) - len(kept), "damaged")
        return kept

    def left_out(self, table: Table, count: int, why: str) -> None:
        """Note that `count` rows are not used."""
        if count:
            entries, are = ("entry", "is") if count == 1 else ("entries", "are")
            self.problems.append(f"{count:,} {entries} among {table.holds} {are} {why} and left out")


def _header(tables: _Tables) -> tuple[Session, State] | None:
    """The session row; says what its state means for the user."""
    for _, *row in tables.rows(schema.SESSION):
        found = packed.session_from(row)
        if found is not None:
            if found[1] in _STATE_MEANING:
                tables.problems.append(_STATE_MEANING[found[1]])
            return found
    tables.problems.append("what was known about the session (car, time, adapter) is damaged and lost")
    return None


def _only(services: frozenset[bytes] | None) -> str:
    """The condition that picks the exchanges of some services: hexadecimal digits of our own, nobody's text."""
    if services is None:
        return ""
    listed = ", ".join(f"x'{one.hex()}'" for one in sorted(services))
    return f" AND substr(request, 1, 1) IN ({listed})"


def _exchanges(tables: _Tables, after: int, most: int, only: str) -> tuple[list[Row], int]:
    """The exchanges that can be used, and the number of the last row that was looked at."""
    found = tables.rows(schema.EXCHANGE, after, most, only)
    rows = tables.checked(schema.EXCHANGE, found, _exchange_is_sound)
    t = np.array([row[1] for row in rows], dtype=float)
    in_order = _in_order(t)
    if not in_order.all():
        tables.left_out(schema.EXCHANGE, int((~in_order).sum()), "out of time order")
        rows = [row for row, keep in zip(rows, in_order, strict=True) if keep]
    return rows, found[-1][0] if found else after


def _in_order(t: FloatArray, *, strictly: bool = False) -> BoolArray:
    """Which times are finite and not before (`strictly`: after) all earlier ones."""
    finite = np.isfinite(t)
    latest = np.maximum.accumulate(np.where(finite, t, -np.inf))
    if not strictly:
        return finite & (t >= latest)
    before = np.concatenate(([-np.inf], latest[:-1]))[: len(t)]
    return finite & (t > before)


def _exchange_is_sound(row: Row) -> bool:
    try:
        return bool(row[-1] == schema.exchange_checksum(*row[1:-1])) and row[5] in _STATUS
    except (TypeError, AttributeError, ValueError, struct.error):
        return False


def _row_is_sound(row: Row) -> bool:
    try:
        return bool(row[-1] == schema.row_checksum(row[1:-1]))
    except (TypeError, ValueError):
        return False


def _samples_are_sound(row: Row) -> bool:
    _, key, times, numbers, checksum = row
    try:
        sound = checksum == schema.samples_checksum(key, times, numbers)
    except (TypeError, AttributeError):
        return False
    return sound and len(times) == len(numbers) and len(times) % np.dtype("<f8").itemsize == 0


def _samples(tables: _Tables) -> Mapping[str, tuple[FloatArray, FloatArray]]:
    blocks: dict[str, tuple[list[FloatArray], list[FloatArray]]] = {}
    for _, key, times, numbers, _ in tables.sound(schema.SAMPLES, _samples_are_sound):
        columns = blocks.setdefault(key, ([], []))
        columns[0].append(np.frombuffer(times, dtype="<f8"))
        columns[1].append(np.frombuffer(numbers, dtype="<f8"))
    signals = {key: (np.concatenate(times), np.concatenate(values)) for key, (times, values) in blocks.items()}
    return MappingProxyType({key: _usable(tables, key, *signal) for key, signal in signals.items()})


def _usable(tables: _Tables, key: str, times: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    good = _in_order(times, strictly=True) & np.isfinite(values)
    if not good.all():
        tables.problems.append(f"{int((~good).sum()):,} samples of '{key}' are out of order or no number and left out")
    return times[good], values[good]


def _records(tables: _Tables, table: Table, make: Callable[..., Record]) -> tuple[Record, ...]:
    """The records of a small table; `make` raises ValueError or TypeError for what it cannot be."""
    records: list[Record] = []
    lost = 0
    for _, *columns, _ in tables.sound(table, _row_is_sound):
        try:
            records.append(make(*columns))
        except (ValueError, TypeError):
            lost += 1
    tables.left_out(table, lost, "not what they should be")
    return tuple(records)
