"""Writes one session file: what is committed survives a kill, a power cut and a full disk.

While a session is recorded the file is in write-ahead mode with full synchronisation, so that another process reads
along; closing makes it one single file again. The recorder commits once per second.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import ArrayLike

from obdwatch.errors import SessionFileError
from obdwatch.recording.session_file import schema
from obdwatch.recording.session_file.columns import code_columns, mark_columns, monitor_columns, session_columns
from obdwatch.recording.session_file.schema import State
from obdwatch.records import CodeReading, Exchange, FloatArray, Mark, MonitorResult, Session

SAMPLES_PER_BLOCK = 100_000  # of at most 0.8 MB; a damaged block costs no more than that
CLOSE_ATTEMPTS = 40  # a live page holds the file for milliseconds; waited for at most two seconds
CLOSE_PAUSE = 0.05  # s


class SessionWriter:
    """Fills a new session file; to be used by one thread at a time.

    Values must be finite and the times of exchanges, and of the samples of one key, must not run backwards: the
    caller decides what to do with such data, so the writer refuses it with ValueError. Every method raises
    SessionFileError when the file cannot be written; what was committed before stays readable.
    """

    def __init__(self, path: Path | str, session: Session) -> None:
        self.path = Path(path)
        self.session = session
        self._is_cut_short = False
        self._last_t = -np.inf
        self._last_sample: dict[str, float] = {}
        self._pending: dict[str, tuple[list[float], list[float]]] = {}
        _create(self.path, session)
        with self._reporting():
            self._connection = sqlite3.connect(self.path, check_same_thread=False)
            self._connection.execute("PRAGMA journal_mode = WAL")
            self._connection.execute("PRAGMA synchronous = FULL")
        self._open = True

    def exchange(self, exchange: Exchange) -> None:
        """Add one exchange; its `t` must not lie before that of the last."""
        if not (np.isfinite(exchange.t) and np.isfinite(exchange.latency) and exchange.t >= self._last_t):
            raise ValueError(f"exchange at {exchange.t} s after one at {self._last_t} s")
        self._last_t = exchange.t
        row = (float(exchange.t), float(exchange.latency), exchange.request, exchange.ecu, str(exchange.status))
        raw = None if exchange.raw is None else exchange.raw.encode(errors="backslashreplace").decode()
        columns = (*row, exchange.payload, exchange.negative_code, raw)
        self._insert(schema.EXCHANGE, (*columns, schema.exchange_checksum(*columns)))

    def sample(self, key: str, t: float, value: float) -> None:
        """Add one value of imported data; kept in memory until the next commit."""
        self._check_samples(key, np.array([t], dtype=float), np.array([value], dtype=float))
        times, values = self._pending.setdefault(key, ([], []))
        times.append(float(t))
        values.append(float(value))

    def samples(self, key: str, times: ArrayLike, values: ArrayLike) -> None:
        """Add many values of one key; `times` [s] increase, also over earlier calls."""
        t, numbers = np.asarray(times, dtype="<f8"), np.asarray(values, dtype="<f8")
        self._flush_pending(key)
        self._check_samples(key, t, numbers)
        for start in range(0, len(t), SAMPLES_PER_BLOCK):
            part = slice(start, start + SAMPLES_PER_BLOCK)
            block = (key, t[part].tobytes(), numbers[part].tobytes())
            self._insert(schema.SAMPLES, (*block, schema.samples_checksum(*block)))

    def code(self, reading: CodeReading) -> None:
        """Add a trouble code."""
        self._insert(schema.CODE, code_columns(reading))

    def monitor(self, result: MonitorResult) -> None:
        """Add an on-board monitor test result."""
        self._insert(schema.MONITOR, monitor_columns(result))

    def mark(self, mark: Mark) -> None:
        """Add a mark."""
        self._insert(schema.MARK, mark_columns(mark))

    def update(self, session: Session) -> None:
        """Replace what is known about the session as a whole; its id must stay."""
        if session.id != self.session.id:
            raise ValueError(f"session {self.session.id} cannot become {session.id}")
        self._write_session(session, State.RECORDING)
        self.session = session

    def commit(self) -> None:
        """Bring everything added so far safely to disk."""
        for key in list(self._pending):
            self._flush_pending(key)
        with self._reporting():
            self._connection.commit()

    def close(self) -> None:
        """Commit, mark the session as closed and make it a single file; safe to call twice.

        After an error it is marked as cut short instead, because what came after the last commit is lost.
        """
        if not self._open:
            return
        self._open = False
        try:
            self._write_session(self.session, State.RECOVERED if self._is_cut_short else State.CLOSED)
            self.commit()
            with self._reporting():
                self._leave_write_ahead_mode()
        finally:
            with contextlib.suppress(sqlite3.Error):
                self._connection.close()

    def __enter__(self) -> SessionWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _leave_write_ahead_mode(self) -> None:
        """Fold the write-ahead log into the file; where a reader never lets go, the log stays beside it."""
        for _ in range(CLOSE_ATTEMPTS):
            try:
                self._connection.execute("PRAGMA journal_mode = DELETE")
            except sqlite3.OperationalError as error:
                if "locked" not in str(error):
                    raise
                time.sleep(CLOSE_PAUSE)
            else:
                return

    def _write_session(self, session: Session, state: State) -> None:
        columns = session_columns(session, state)
        with self._reporting():
            self._connection.execute("DELETE FROM session")
        self._insert(schema.SESSION, columns)

    def _check_samples(self, key: str, times: FloatArray, values: FloatArray) -> None:
        if times.ndim != 1 or times.shape != values.shape:
            raise ValueError(f"{key}: {times.shape} times for {values.shape} values")
        if not (np.isfinite(times).all() and np.isfinite(values).all()):
            raise ValueError(f"{key}: a time or value is not a finite number")
        if len(times) and not (times[0] > self._last_sample.get(key, -np.inf) and (np.diff(times) > 0).all()):
            raise ValueError(f"{key}: times do not increase")
        if len(times):
            self._last_sample[key] = float(times[-1])

    def _flush_pending(self, key: str) -> None:
        if key in self._pending:
            times, values = (np.array(column, dtype="<f8").tobytes() for column in self._pending.pop(key))
            self._insert(schema.SAMPLES, (key, times, values, schema.samples_checksum(key, times, values)))

    def _insert(self, table: schema.Table, columns: Sequence[object]) -> None:
        with self._reporting():
            self._connection.execute(table.insertion, tuple(columns))

    @contextlib.contextmanager
    def _reporting(self) -> Iterator[None]:
        try:
            with reporting(self.path):
                yield
        except SessionFileError:
            self._is_cut_short = True
            raise


@contextlib.contextmanager
def reporting(path: Path) -> Iterator[None]:
    """Turn what SQLite says on writing into one line for the user."""
    try:
        yield
    except sqlite3.Error as error:
        raise SessionFileError(path, _reason(error)) from error


def _reason(error: sqlite3.Error) -> str:
    text = str(error)
    if "full" in text:
        return "the disk is full; everything up to the last second is kept: free some space, then record again"
    return f"cannot be written ({text}); everything up to the last second is kept"


def _create(path: Path, session: Session) -> None:
    """Make a complete empty session file under another name, then move it into place in one step."""
    if path.exists():
        raise SessionFileError(path, "exists already; recordings are never overwritten, choose another name")
    beside = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with reporting(path):
            _fill_new(beside, session)
        os.replace(beside, path)
    except OSError as error:
        raise SessionFileError(path, f"cannot be created ({error.strerror})") from error
    finally:
        _remove(beside)


def _fill_new(path: Path, session: Session) -> None:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        schema.upgrade(connection, 0)
        with connection:
            connection.execute(schema.SESSION.insertion, session_columns(session, State.RECORDING))


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)
