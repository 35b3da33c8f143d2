"""What was worked out of session files at some cost, kept for the next time: a file that may be deleted at any time.

Its own database beside the logbook's, so that keeping something is no change of the logbook. Nothing here ever fails: a
file that cannot be read holds nothing, and what cannot be written is worked out again.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

KEPT = "kept.sqlite3"
PATIENCE = 1.0  # s; working it out again costs no more
TABLE = """CREATE TABLE IF NOT EXISTS kept (
    session_id TEXT, what TEXT, made_from TEXT NOT NULL, document TEXT NOT NULL, PRIMARY KEY (session_id, what))"""


class KeptResults:
    """Documents by session and by what they hold, for the logbook in `directory`. Safe for several threads."""

    def __init__(self, directory: Path) -> None:
        self._path = directory / KEPT

    def get(self, session_id: str, what: str, made_from: str) -> str | None:
        """Return a document that was made from the same things, None where there is none."""
        if not self._path.exists():
            return None
        with self._reported(), self._connected() as connection:
            query = "SELECT document FROM kept WHERE session_id = ? AND what = ? AND made_from = ?"
            row = connection.execute(query, (session_id, what, made_from)).fetchone()
            return str(row[0]) if row is not None else None
        return None

    def put(self, session_id: str, what: str, made_from: str, document: str) -> None:
        """Keep a document in place of an earlier one."""
        with self._reported(), self._connected() as connection, connection:
            connection.execute(TABLE)
            connection.execute("REPLACE INTO kept VALUES (?, ?, ?, ?)", (session_id, what, made_from, document))

    @contextlib.contextmanager
    def _connected(self) -> Iterator[sqlite3.Connection]:
        with contextlib.closing(sqlite3.connect(self._path, timeout=PATIENCE)) as connection:
            connection.execute("PRAGMA synchronous = OFF")  # what a power cut takes is worked out again
            yield connection

    @contextlib.contextmanager
    def _reported(self) -> Iterator[None]:
        """A damaged file is begun anew; one that is busy, or a folder that is read-only, is left as it is."""
        try:
            yield
        except sqlite3.OperationalError:
            pass
        except sqlite3.DatabaseError:
            with contextlib.suppress(OSError):
                self._path.unlink()
