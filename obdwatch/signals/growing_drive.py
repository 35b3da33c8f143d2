"""Reads along with a session file that is being written, a piece at a time, each value once.

Nothing is decoded twice. What the decoding of a piece needs to know of the rest is remembered: replies that say how
others are scaled, who sends what, and the last values, by which the next are judged. A newest value that jumps farther
than its quantity can move waits for the next one: it may have been damaged on the way.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from obdwatch.decoding.parameters import MAXIMA_PIDS
from obdwatch.decoding.replies import split_parameters
from obdwatch.errors import ReplyError
from obdwatch.recording.session_file import SessionContents, State, read_since
from obdwatch.records import BoolArray, FloatArray, Mark, Readiness, ReplyStatus, Session, Signal
from obdwatch.signals.drives import drive_from, primary_units, signal_key
from obdwatch.signals.plausibility import inertia_by_key, isolated_jumps

MOST_ROWS = 3_000
"""Exchanges taken in at once: some minutes of a drive, decoded in some tenths of a second."""
NEIGHBOURS = 3
"""So many values of a signal are remembered to judge the next: two sound ones, and one that waits."""
SCALES_KEPT = 8
"""Replies that say how other parameters are scaled are kept for the whole drive; a car sends them once or twice."""
_CURRENT_DATA = 0x01

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Piece:
    """What one look brought. `signals` hold only values that no look brought before.

    `state` is that of the file; `until` the time of its last exchange [s]; `rows` how many exchanges are new, `counts`
    how many parameter values each brought, at `times` [s]; `more` whether the file holds further ones already.
    `marks` and `problems` are all of the file's.
    """

    session: Session
    state: State | None
    until: float
    rows: int
    times: FloatArray
    counts: FloatArray
    signals: Mapping[str, Signal]
    readiness: tuple[Readiness, ...]
    marks: tuple[Mark, ...]
    problems: tuple[str, ...]
    more: bool


@dataclass(slots=True)
class GrowingDrive:
    """The reader of one file; the cost of a look is that of the new rows and of the last seconds."""

    path: Path
    most_rows: int = MOST_ROWS
    row: int = 0
    _until: float = 0.0
    _scales: SessionContents | None = None
    _counts: Counter[tuple[str, int | None]] = field(default_factory=Counter)
    _judged: dict[str, Signal] = field(default_factory=dict)
    _met: dict[str, float] = field(default_factory=dict)
    _last_readiness: float = -np.inf

    def look(self) -> Piece:
        """Read and decode what is new. Raises SessionFileError."""
        new = replace(read_since(self.path, self.row, self.most_rows), samples={})
        more = new.last_row - self.row >= self.most_rows
        self.row = new.last_row
        signals: Mapping[str, Signal] = {}
        readiness: tuple[Readiness, ...] = ()
        if len(new.t):
            self._until = float(new.t[-1])
            drive = drive_from(_joined([self._scales, new]))
            signals = {key: sound for key, one in self._named(drive.signals).items() if (sound := self._sound(one))}
            readiness = tuple(one for one in drive.readiness if one.t > self._last_readiness)
            self._last_readiness = max((one.t for one in readiness), default=self._last_readiness)
            self._keep_scales(new)
        return Piece(
            new.session,
            new.state,
            self._until,
            len(new.t),
            new.t,
            np.array([values_in(*pair) for pair in zip(new.status, new.payload, strict=True)], dtype=float),
            signals,
            readiness,
            new.marks,
            new.problems,
            more,
        )

    def _named(self, signals: Mapping[str, Signal]) -> dict[str, Signal]:
        """What is new of each signal, under the key that its control unit has over the whole drive so far."""
        sources = [(one.key.partition("@")[0], one.ecu, one) for one in signals.values()]
        for key, ecu, one in sources:
            self._counts[key, ecu] += len(one.times)
        primary = primary_units(self._counts)
        found = {}
        for key, ecu, one in sources:
            name = signal_key(key, ecu, primary)
            new = one.times > self._met.get(name, -np.inf)  # the replies kept for their scales are not new
            if new.any():
                self._met[name] = float(one.times[-1])
                found[name] = replace(one, key=name, times=one.times[new], values=one.values[new])
        return found

    def _sound(self, new: Signal) -> Signal | None:
        """The new values and one that waited, without single ones that the quantity cannot have taken."""
        if new.key.partition("@")[0] not in inertia_by_key():
            return new
        before = self._judged.get(new.key)
        told = float(before.times[-1]) if before is not None else -np.inf
        if before is not None:
            if waits(before):
                told = float(before.times[-2])
            new = _with(new, np.concatenate([before.times, new.times]), np.concatenate([before.values, new.values]))
        good = ~isolated_jumps(new.key, new.times, new.values)
        new = _with(new, new.times[good], new.values[good])
        self._judged[new.key] = _with(new, new.times[-NEIGHBOURS:], new.values[-NEIGHBOURS:])
        tell = new.times > told
        tell[-1] &= not waits(new)
        return _with(new, new.times[tell], new.values[tell]) if tell.any() else None

    def _keep_scales(self, new: SessionContents) -> None:
        says = np.array([_scales_in(*pair) for pair in zip(new.status, new.request, strict=True)], dtype=np.bool_)
        if says.any():
            scales = _joined([self._scales, _chosen(new, says)])
            self._scales = _chosen(scales, np.arange(len(scales.t)) >= len(scales.t) - SCALES_KEPT)


def waits(signal: Signal) -> bool:
    """Whether the last value of a signal is farther from the one before than its quantity can have moved."""
    limits = inertia_by_key().get(signal.key.partition("@")[0])
    if limits is None or len(signal.values) < 2:
        return False
    reach = limits.rate * float(signal.times[-1] - signal.times[-2])
    change = float(signal.values[-1] - signal.values[-2])
    return change > limits.jump_up + reach or -change > limits.jump_down + reach


def _with(signal: Signal, times: FloatArray, values: FloatArray) -> Signal:
    return Signal(signal.key, signal.unit, times, values, signal.ecu)


def values_in(status: ReplyStatus, payload: bytes | None) -> int:
    """How many parameter values of service 01 a reply holds."""
    if status is not ReplyStatus.OK or payload is None or payload[:1] != b"\x41":
        return 0
    try:
        return len(split_parameters(payload))
    except ReplyError:
        return 0


def _scales_in(status: ReplyStatus, request: bytes) -> bool:
    """Whether an exchange may say how others are scaled."""
    asked = request[1:] if request[:1] == bytes([_CURRENT_DATA]) else b""
    return status is ReplyStatus.OK and any(pid in asked for pid in MAXIMA_PIDS)


def _joined(parts: Sequence[SessionContents | None]) -> SessionContents:
    """The exchanges of all parts, one after the other; what is known beside them is the last part's."""
    there = [part for part in parts if part is not None]
    return replace(
        there[-1],
        t=np.concatenate([part.t for part in there]),
        latency=np.concatenate([part.latency for part in there]),
        request=[one for part in there for one in part.request],
        ecu=[one for part in there for one in part.ecu],
        status=[one for part in there for one in part.status],
        payload=[one for part in there for one in part.payload],
        negative_code=[one for part in there for one in part.negative_code],
        raw=[one for part in there for one in part.raw],
    )


def _chosen(contents: SessionContents, which: BoolArray) -> SessionContents:
    """Some of the exchanges."""

    def of(column: list[T]) -> list[T]:
        return [one for one, kept in zip(column, which, strict=True) if kept]

    return replace(
        contents,
        t=contents.t[which],
        latency=contents.latency[which],
        request=of(contents.request),
        ecu=of(contents.ecu),
        status=of(contents.status),
        payload=of(contents.payload),
        negative_code=of(contents.negative_code),
        raw=of(contents.raw),
    )
