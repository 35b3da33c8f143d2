"""The session file: one SQLite database `<id>.obdw` per recording or import (see `schema` for its tables).

`SessionWriter` fills one, `read_session` reads it whole, `read_header` only what is known about it, `read_since` what
came after a row already seen. All SQL about sessions stays in this folder.
"""

from obdwatch.recording.session_file.reader import SessionContents, read_header, read_session, read_since
from obdwatch.recording.session_file.schema import SUFFIX, State
from obdwatch.recording.session_file.writer import SessionWriter

__all__ = ["SUFFIX", "SessionContents", "SessionWriter", "State", "read_header", "read_session", "read_since"]
