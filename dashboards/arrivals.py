"""Files that a reader hands in: taken up in pieces, read by a process of their own, kept only when the reader says so.

How a file is read, so that one made to hang or to swell takes nothing down with it, is in `arrival_reading`. The name a
file came with is shown and gives its kind; it never becomes a path.
"""

from __future__ import annotations

import secrets
import shutil
import tempfile
import threading
import weakref
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from flask import Flask, Response, jsonify, request

from dashboards.arrival_reading import LARGEST, MEGABYTE, PIECE, Reading, Refused, Stopped, columns_of, recording_at
from dashboards.wording import shortened
from obdwatch.errors import InputError
from obdwatch.recording.importers import IMPORTERS
from obdwatch.recording.session_file import SUFFIX
from obdwatch.records import Session

ARRIVALS = "/arrivals"
KINDS = (SUFFIX, *IMPORTERS)
MOST_WAITING = 5  # files that wait for their reader; the oldest goes when another comes


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file that was handed in: its own folder, the name it came with, and the file."""

    folder: Path
    name: str
    path: Path
    reading: Reading = field(default_factory=Reading)


@dataclass(frozen=True, slots=True)
class Preview:
    """What a file would become: the session file made of it, and the importer's report.

    A recording has no report but a `session`, with `remarks` on its file. A table of which nothing was recognised has a
    `problem` and its `headers`, for the reader to say what they are; its session file is not there.
    """

    arrival: str
    name: str
    session_file: Path
    report: Mapping[str, Any] = field(default_factory=dict)
    session: Session | None = None
    remarks: tuple[str, ...] = ()
    problem: str = ""
    headers: tuple[str, ...] = ()


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
            old.reading.stop()
            shutil.rmtree(old.folder, ignore_errors=True)
        return number

    def preview(self, number: str, columns: Mapping[str, str | None]) -> Preview:
        """Read a file that waits; `columns` are the reader's own: header to signal key, None to leave it out.

        Raises InputError with one line for the reader.
        """
        arrival = self._arrival(number)
        if arrival.path.name.endswith(SUFFIX):
            session, remarks = recording_at(arrival.path, arrival.name)
            return Preview(number, arrival.name, arrival.path, session=session, remarks=remarks)
        made = arrival.folder / "made"
        shutil.rmtree(made, ignore_errors=True)
        try:
            answer = arrival.reading.table(arrival.path, arrival.name, made, columns)
        except Stopped:
            self.kept(number)
            raise
        except InputError as error:
            headers = () if isinstance(error, Refused) else columns_of(arrival.path)
            if not headers:
                raise
            return Preview(number, arrival.name, made, problem=str(error), headers=headers)
        return Preview(number, arrival.name, Path(answer["file"]), answer["report"])

    def kept(self, number: str) -> None:
        """Forget a file: it is in the logbook now, or nobody wants it."""
        with self._lock:
            arrival = self._waiting.pop(number, None)
        if arrival is not None:
            arrival.reading.stop()
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

    @server.post(f"{ARRIVALS}/<number>/stop")
    def stop(number: str) -> Response:
        arrivals.kept(number)
        return jsonify(stopped=number)


def _store(stream: IO[bytes], path: Path, most: int) -> None:
    written = 0
    with path.open("xb") as target:
        while piece := stream.read(PIECE):
            written += len(piece)
            if written > most:
                raise InputError(f"The file is larger than {most // MEGABYTE} MB. Import it with obdwatch import.")
            target.write(piece)
    if not written:
        raise InputError("The file is empty.")
