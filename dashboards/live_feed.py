"""What the page of a running recording asks for every second: only what is new since it last asked.

A cursor names the reader that gave it and the last look; whoever slept, or meets another server, gets everything that
is kept. All viewers share one reader, and it looks at most five times a second, however many ask. A recording is found
through the logbook and never by a path from outside; this is a plain GET that changes nothing and reaches no car.
"""

from __future__ import annotations

import contextlib
import secrets
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from flask import Flask, jsonify, request
from werkzeug.wrappers import Response as AnyResponse

from dashboards import live_words as words
from dashboards.live_answer import Asked, Met, answer_of
from dashboards.sessions import SessionSource
from obdwatch.clock import SystemClock
from obdwatch.errors import LogbookError, ObdwatchError, SessionFileError
from obdwatch.live_recording import LiveRecording
from obdwatch.recording.session_file import SUFFIX, read_header
from obdwatch.records import Finding

FEED = "/recording-feed"
LEAST_PAUSE = 0.18  # s between two looks at a file: five times a second at most
SCAN_EVERY = 2.0  # s between two looks for recordings
SESSIONS_EVERY = 10.0  # s between two looks for recordings outside of the logbook's folder
NEWEST = 3  # drives of the logbook that may be recorded elsewhere just now
MOST_MET = 8  # readers kept, also of recordings that ended, so that whoever looks at them is told
MOST_DRAWN = 6
FAILURES = 5  # looks in a row that must fail before a recording is given up
EARLIER = 5  # drives of a car from which its open questions are taken


def asked_from(sent: Mapping[str, Any], drawn: Sequence[str]) -> Asked:
    """Read what a browser sends; whatever does not fit is as if it had not been sent."""
    token, _, number = str(sent.get("have", ""))[:80].partition(".")
    chosen = tuple(dict.fromkeys(key[:200] for key in drawn if key))[:MOST_DRAWN]
    return Asked(
        token,
        int(number) if number.isascii() and number.isdigit() else None,
        chosen if drawn else None,
        "us" if sent.get("units") == "us" else "metric",
    )


class Recordings:
    """The recordings of one logbook that are running now. Safe to use from several threads."""

    def __init__(self, logbook: SessionSource, elapsed: Callable[[], float] | None = None) -> None:
        self._logbook = logbook
        self._elapsed = elapsed or SystemClock().elapsed
        self._lock = threading.Lock()
        self._met: dict[Path, Met] = {}
        self._scanned = self._listed = -1e9
        self._elsewhere: tuple[Path, ...] = ()

    def answer(self, asked: Asked) -> dict[str, Any]:
        """What is new for somebody who has `asked`, ready to be sent."""
        with self._lock:
            met = self._followed(asked)
            if met is None:
                return {"state": "waiting"}
            self._look(met)
            if met.problem:
                return {"state": "problem", "told": met.problem, "have": f"{met.token}.0"}
            return answer_of(met, asked, self._others(met))

    def _followed(self, asked: Asked) -> Met | None:
        """The recording that a page follows already, else the one that began last."""
        self._scan()
        followed = next((met for met in self._met.values() if met.token == asked.token), None)
        if followed is not None and not followed.problem:
            return followed
        running = [met for met in self._met.values() if met.is_running]
        return max(running, key=_begun, default=followed)

    def _others(self, shown: Met) -> bool:
        """Whether a recording has begun after the one that is shown, so that a page can go over to it."""
        return any(met.is_running and _begun(met) > _begun(shown) for met in self._met.values())

    def _look(self, met: Met) -> None:
        now = self._elapsed()
        if met.live.is_over or met.problem or now - met.looked < LEAST_PAUSE:
            return
        met.looked = now
        try:
            met.live.look()
        except SessionFileError as error:  # for a moment this is usual while a recorder closes its file
            met.failures += 1
            met.problem = str(error) if met.failures >= FAILURES else ""
        else:
            met.failures = 0

    def _scan(self) -> None:
        now = self._elapsed()
        if now - self._scanned < SCAN_EVERY:
            return
        self._scanned = now
        if now - self._listed >= SESSIONS_EVERY:
            self._listed, self._elsewhere = now, self._newest()
        for path in {*self._in_folder(), *self._elsewhere}:
            if path not in self._met and _log_of(path).exists():
                self._meet(path)
        while len(self._met) > MOST_MET:
            over = next((path for path, met in self._met.items() if not met.is_running), next(iter(self._met)))
            del self._met[over]

    def _in_folder(self) -> list[Path]:
        """Session files with a write-ahead log beside them: what is being recorded, or was cut short."""
        return [one.with_name(one.name.removesuffix("-wal")) for one in self._logs()]

    def _logs(self) -> list[Path]:
        with contextlib.suppress(OSError):
            return sorted(self._logbook.sessions_folder.glob(f"[!.]*{SUFFIX}-wal"))
        return []

    def _newest(self) -> tuple[Path, ...]:
        dated = [one for one in self._logbook.sessions() if one.started_at is not None]
        newest = sorted(dated, key=lambda one: str(one.started_at))[-NEWEST:]
        found = []
        for session in newest:
            with contextlib.suppress(LogbookError):
                found.append(self._logbook.path_of(session.id))
        return tuple(found)

    def _meet(self, path: Path) -> None:
        car_id = None
        with contextlib.suppress(SessionFileError):  # what was recorded may be sound all the same
            car_id = read_header(path).car_id
        car = next((one for one in self._logbook.cars() if one.id == car_id), None)
        findings = self._open_questions(car_id)
        wanted = {units: words.wanted_drive(findings, units) for units in ("metric", "us")}
        met = Met(LiveRecording(path, car, self._elapsed), secrets.token_hex(4), car, wanted)
        self._met[path] = met
        self._look(met)  # one that was cut short shows as such at the first look

    def _open_questions(self, car_id: str | None) -> tuple[Finding, ...]:
        """What was found in the car's last drives, oldest first."""
        if car_id is None:
            return ()
        of_car = [one for one in self._logbook.sessions() if one.car_id == car_id and one.started_at is not None]
        latest = sorted(of_car, key=lambda one: str(one.started_at))[-EARLIER:]
        return tuple(finding for session in latest for finding in self._logbook.findings(session.id))


def connect_feed(server: Flask, recordings: Recordings) -> None:
    """Let pages ask for what is new."""

    @server.get(FEED)
    def feed() -> AnyResponse:
        try:
            told = recordings.answer(asked_from(request.args, request.args.getlist("draw")))
        except ObdwatchError as error:
            told = {"state": "problem", "told": str(error)}
        answer = jsonify(told)
        answer.headers["Cache-Control"] = "no-store"
        return answer


def _begun(met: Met) -> str:
    session = met.live.session
    return str(session.started_at) if session is not None else ""


def _log_of(path: Path) -> Path:
    return path.with_name(path.name + "-wal")
