"""Files that a reader hands in: taken up in pieces, read by a process of their own, kept only when the reader says so.

A table is read by `obdwatch import` in a child process with a limit on time and memory, so that a file made to hang or
to swell takes nothing down with it. The name a file came with is shown and gives its kind; it never becomes a path.
"""

from __future__ import annotations

import json
import secrets
import shutil
import subprocess
import sys
import tempfile
import threading
import weakref
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from flask import Flask, Response, jsonify, request

from dashboards.wording import shortened
from obdwatch.errors import InputError
from obdwatch.recording.importers import IMPORTERS
from obdwatch.recording.session_file import SUFFIX

ARRIVALS = "/arrivals"
KINDS = (SUFFIX, *IMPORTERS)
LARGEST = 300_000_000  # bytes; a day of driving as a table has about 100 MB
MOST_WAITING = 5  # files that wait for their reader; the oldest goes when another comes
PIECE = 1 << 20  # bytes
TIME_TO_READ = 180.0  # s


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file that was handed in: its own folder, the name it came with, and the file."""

    folder: Path
    name: str
    path: Path


@dataclass(frozen=True, slots=True)
class Preview:
    """What a file would become: the session file made of it, and the importer's report (empty for a session)."""

    arrival: str
    name: str
    session_file: Path
    report: Mapping[str, Any]


class Arrivals:
    """Files that wait for their reader to decide. Safe to use from several threads."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="obdwatch-"))
        self._gone = weakref.finalize(self, shutil.rmtree, self.folder, True)  # also when Python ends
        self._waiting: OrderedDict[str, Arrival] = OrderedDict()
        self._lock = threading.Lock()

    def take(self, name: str, stream: IO[bytes], most: int = LARGEST) -> str:
        """Take up a file and return what it is called from now on. Raises InputError for a wrong kind or too much."""
        suffix = next((kind for kind in sorted(KINDS, key=len, reverse=True) if name.lower().endswith(kind)), None)
        if suffix is None:
            raise InputError(f"{shortened(name, 80)} is of no kind that can be read here: {', '.join(KINDS)}.")
        number = secrets.token_hex(8)
        folder = self.folder / number
        folder.mkdir()
        path = folder / f"arrived{suffix}"
        try:
            _store(stream, path, most)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        with self._lock:
            self._waiting[number] = Arrival(folder, shortened(name, 120), path)
            gone = [self._waiting.popitem(last=False)[1] for _ in range(len(self._waiting) - MOST_WAITING)]
        for old in gone:
            shutil.rmtree(old.folder, ignore_errors=True)
        return number

    def preview(self, number: str, columns: Mapping[str, str | None]) -> Preview:
        """Read a file that waits; `columns` are the reader's own: header to signal key, None to leave it out.

        Raises InputError with one line for the reader.
        """
        arrival = self._arrival(number)
        if arrival.path.name.endswith(SUFFIX):
            return Preview(number, arrival.name, arrival.path, {})
        made = arrival.folder / "made"
        shutil.rmtree(made, ignore_errors=True)
        options = ["--columns", str(_column_map(arrival.folder, columns))] if columns else []
        answer = _import(arrival, made, options)
        return Preview(number, arrival.name, Path(answer["file"]), answer["report"])

    def kept(self, number: str) -> None:
        """Forget a file: it is in the logbook now, or nobody wants it."""
        with self._lock:
            arrival = self._waiting.pop(number, None)
        if arrival is not None:
            shutil.rmtree(arrival.folder, ignore_errors=True)

    def _arrival(self, number: str) -> Arrival:
        with self._lock:
            if number in self._waiting:
                self._waiting.move_to_end(number)
                return self._waiting[number]
        raise InputError("That file is no longer here. Hand it in again.")


def connect_arrivals(server: Flask, arrivals: Arrivals) -> None:
    """Let `server` take files up: the plain bytes as the body of a POST, the name in the address.

    The answer names the arrival or the problem; a refusal is an answer too, no error for a browser to report.
    """

    @server.post(ARRIVALS)
    def take() -> Response:
        request.max_content_length = LARGEST  # what every other address refuses at a megabyte
        try:
            return jsonify(arrival=arrivals.take(request.args.get("name", ""), request.stream))
        except InputError as error:
            return jsonify(problem=str(error))


def _store(stream: IO[bytes], path: Path, most: int) -> None:
    written = 0
    with path.open("xb") as target:
        while piece := stream.read(PIECE):
            written += len(piece)
            if written > most:
                raise InputError(f"The file is larger than {most / 1e6:,.0f} MB. Import it with obdwatch import.")
            target.write(piece)
    if not written:
        raise InputError("The file is empty.")


def _column_map(folder: Path, columns: Mapping[str, str | None]) -> Path:
    """The reader's choices as a column map; a JSON string is a TOML string, but for a DEL, which TOML wants escaped."""
    lines = ["[columns]"]
    for header, key in columns.items():
        name = json.dumps(header).replace("\x7f", "\\u007f")
        lines.append(f"{name} = {json.dumps(key) if key is not None else 'false'}")
    path = folder / "columns.toml"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


def _import(arrival: Arrival, made: Path, options: Sequence[str]) -> dict[str, Any]:
    command = [
        sys.executable,
        "-m",
        "obdwatch",
        "import",
        str(arrival.path),
        "--json",
        "--logbook",
        str(made),
        *options,
    ]
    try:
        done = subprocess.run(
            command,
            capture_output=True,
            timeout=TIME_TO_READ,
            check=False,
            stdin=subprocess.DEVNULL,
        )
    except subprocess.TimeoutExpired:
        raise InputError(f"Reading {arrival.name} takes too long. Import it with obdwatch import.") from None
    if done.returncode != 0:
        raise InputError(_why(done.stderr.decode("utf-8", "replace"), arrival))
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


def _why(said: str, arrival: Arrival) -> str:
    """The importer's one line, with the name the reader knows in place of ours."""
    lines = [line for line in said.splitlines() if line.strip()]
    if not lines or "Traceback" in said:
        return f"{arrival.name} cannot be read: it needs more memory than there is, or it is no such table."
    line = lines[-1].replace(str(arrival.path), arrival.name).replace(str(arrival.folder), "")
    return shortened(line.removeprefix("Error: "), 600)
