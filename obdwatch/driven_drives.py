"""What a comparison needs of the drives of a logbook: read from a session file once, and kept for the next time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from obdwatch.comparing.driven import driven_from, driven_of, driven_text
from obdwatch.comparing.proof_records import Driven
from obdwatch.logbook.kept import KeptResults
from obdwatch.records import Drive
from obdwatch.sources import digest_of

WHAT = "driven"
MADE_FROM = ("decoding", "recording/session_file", "signals", "physics", "comparing", "detectors")


class DrivenDrives:
    """The drives of the logbook in `directory`. Safe to use from several threads."""

    def __init__(self, directory: Path) -> None:
        self._kept = KeptResults(directory)

    def of(self, session_id: str, path: Path, read: Callable[[], Drive]) -> Driven:
        """Return what was driven, from `read` only where the file at `path` changed since. Raises as `read`."""
        try:
            state = path.stat()
        except OSError:
            return driven_of(read())
        made_from = f"{state.st_size} {state.st_mtime_ns} {digest_of(MADE_FROM)}"
        text = self._kept.get(session_id, WHAT, made_from)
        if text is not None:
            return driven_from(text)
        driven = driven_of(read())
        self._kept.put(session_id, WHAT, made_from, driven_text(driven))
        return driven
