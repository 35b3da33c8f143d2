"""Reading what a stranger handed in: each table in a process of its own with a limit on time and memory.

Every refusal is one sentence with the name the reader knows; none of ours (folders, commands) gets into it.
"""

from __future__ import annotations

import gzip
import json
import struct
import subprocess
import sys
import threading
import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO, Any, cast

from dashboards.wording import shortened
from obdwatch.errors import InputError, ObdwatchError
from obdwatch.recording.importing.layout import headers_in
from obdwatch.recording.session_file import read_header
from obdwatch.records import Session

LARGEST = 300_000_000  # bytes, as it comes and unpacked; a day of driving as a table has about 100 MB
TIME_TO_READ = 180.0  # s
MOST_MEMORY = 3_000_000_000  # bytes of address space; pandas alone takes half of it
AT_ONCE = 2  # tables that are read at the same time; each may take all the memory that one is allowed
PATIENCE = 20.0  # s until a reader is told that others are being read
PIECE = 1 << 20  # bytes
GZIP_MAGIC = b"\x1f\x8b"
ZIP_MAGIC = b"PK\x03\x04"  # of an archive of files, and of the spreadsheets that are one (ZIP's own note, 4.3.7)
NO_ROWS = "has a header but no rows"  # as the importer says it; no choice of columns helps
PAGES = struct.Struct(">16xH10xI")  # of an SQLite file: bytes in a page, and how many there are (its format, 1.3)
TIME = "time"  # the key of the column that holds the times
MEGABYTE = 1_000_000


NO_MEMORY = ("MemoryError", "annot allocate memory", "failed to map segment")  # Python, the system, its loader


class Refused(InputError):
    """A file that no choice of columns makes readable here: too large, too slow, or one on which the reading failed."""


class Stopped(Refused):
    """The reader did not want to wait for the end."""


class Reading:
    """The process that reads one table, which another thread may end."""

    _places = threading.BoundedSemaphore(AT_ONCE)

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._stopped = False

    def stop(self) -> None:
        """End the reading, now or before it begins; safe at any time."""
        self._stopped = True
        if self._process is not None:
            self._process.kill()

    def table(self, path: Path, name: str, made: Path, columns: Mapping[str, str | None]) -> dict[str, Any]:
        """Read the table at `path` into a session file in `made`; the answer of `obdwatch import --json`.

        Raises InputError with one sentence: Refused where columns are not the problem, Stopped where `stop` was called.
        """
        no_archive(path, name)
        unpacked_within(path, name, LARGEST)
        options = ["--columns", str(_column_map(path.parent, columns))] if columns else []
        limited = [sys.executable, "-m", "dashboards.limited", str(MOST_MEMORY)]
        command = [*limited, "import", str(path), "--json", "--logbook", str(made)]
        if not self._places.acquire(timeout=PATIENCE):
            raise Refused("Other files are being read here. Wait until they are done, and hand this one in again.")
        try:
            return self._run([*command, *options], path, name)
        finally:
            self._places.release()

    def _run(self, command: Sequence[str], path: Path, name: str) -> dict[str, Any]:
        pipes = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        with subprocess.Popen(command, **pipes) as process:  # type: ignore[call-overload]
            self._process = process
            if self._stopped:
                process.kill()
            try:
                answer, said = process.communicate(timeout=TIME_TO_READ)
            except subprocess.TimeoutExpired:
                process.kill()
                raise Refused(f"Reading {name} takes too long. Import it with obdwatch import.") from None
        if self._stopped:
            raise Stopped(f"Reading {name} was stopped. Nothing was kept.")
        if process.returncode != 0:
            raise _why(process.returncode, said.decode("utf-8", "replace"), path, name)
        return cast(dict[str, Any], json.loads(answer))


def recording_at(path: Path, name: str) -> tuple[Session, tuple[str, ...]]:
    """What a recording says of itself, and sentences on what is wrong with its file. Raises InputError."""
    try:
        session = read_header(path)
    except ObdwatchError as error:
        raise InputError(f"{_in_its_name(str(error), path, name).replace(f'{name}: ', f'{name} ', 1)}.") from None
    with path.open("rb") as file:
        size, count = PAGES.unpack(file.read(PAGES.size))
    whole = (65_536 if size == 1 else size) * count
    if path.stat().st_size >= whole:
        return session, ()
    return session, ("The file is shorter than it should be: its end is missing. What can still be read is kept.",)


def columns_of(path: Path) -> tuple[str, ...]:
    """The headers of a text table, as far as one can be seen; empty where it is no text or has one column only."""
    if path.suffix in {".parquet", ".mf4"}:
        return ()
    try:
        return headers_in(path)
    except ObdwatchError:
        return ()


def no_archive(path: Path, name: str) -> None:
    """Raise InputError where a file is an archive, or a spreadsheet, whatever its name says."""
    with path.open("rb") as file:
        if file.read(len(ZIP_MAGIC)) == ZIP_MAGIC:
            raise Refused(
                f"{name} is a packed archive (zip) or a spreadsheet, not a table: unpack it, or save the sheet as CSV,"
                " and hand that in."
            )


def unpacked_within(path: Path, name: str, most: int) -> None:
    """Raise InputError where `path` is packed (gzip) and would unpack to more than `most` bytes.

    A file that breaks off is left to its reader, who says so.
    """
    with path.open("rb") as file:
        packed = file.read(2) == GZIP_MAGIC
    if not packed:
        return
    size = 0
    try:
        with cast(IO[bytes], gzip.open(path)) as content:
            while piece := content.read(PIECE):
                size += len(piece)
                if size > most:
                    raise Refused(
                        f"{name} unpacks to more than {most // MEGABYTE} MB, which is more than is read here."
                    )
    except (OSError, EOFError, zlib.error):
        return


def _column_map(folder: Path, columns: Mapping[str, str | None]) -> Path:
    """The reader's choices as a column map; a JSON string is a TOML string, but for a DEL, which TOML wants escaped."""
    times = [header for header, key in columns.items() if key == TIME]
    lines = ["[time]", f"column = {_quoted(times[0])}"] if times else []
    lines.append("[columns]")
    for header, key in columns.items():
        if key != TIME:
            lines.append(f"{_quoted(header)} = {_quoted(key) if key is not None else 'false'}")
    path = folder / "columns.toml"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


def _quoted(text: str) -> str:
    return json.dumps(text).replace("\x7f", "\\u007f")


def _why(code: int, said: str, path: Path, name: str) -> InputError:
    """The importer's one line, with the name the reader knows in place of ours; a process that was killed says none."""
    lines = [line for line in said.splitlines() if line.strip()]
    if code < 0 or not lines or any(sign in said for sign in NO_MEMORY):
        return Refused(f"{name} needs more memory than a file may take here. Import it with obdwatch import.")
    if lines[-1].endswith(NO_ROWS):
        return Refused(f"{name} {NO_ROWS}: nothing was recorded in it.")
    if "Traceback" in said:
        return Refused(f"{name} cannot be read as a table: is its suffix the right one?")
    return InputError(_in_its_name(lines[-1].removeprefix("Error: ").removeprefix("obdwatch: "), path, name))


def _in_its_name(line: str, path: Path, name: str) -> str:
    return shortened(line.replace(str(path), name).replace(str(path.parent), ""), 600)
