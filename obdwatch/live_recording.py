"""A recording that is still running, as somebody beside the driver sees it: values, rate, coverage so far, dangers.

Works on what is new alone. `look` costs the same in the first minute and after hours; a long recording that is met for
the first time is caught up with in steps. Nothing here can reach the car: it only reads the file.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from obdwatch.detectors.cooling import danger
from obdwatch.recording.session_file import State
from obdwatch.records import Car, Drive, Finding, FloatArray, Mark, MarkKind, Session, Signal
from obdwatch.signals.coverage import Coverage
from obdwatch.signals.growing_drive import GrowingDrive, Piece
from obdwatch.signals.running_coverage import RunningCoverage
from obdwatch.watching import ESCALATION, KEPT, KEYS

WINDOW = 600.0
"""So much of every signal is kept in memory [s]."""
COVERAGE_EVERY = 30.0
"""The coverage is brought up to date after so much of a drive [s], from that piece alone; some milliseconds."""
STEP = 15.0
"""While catching up, a danger is looked for at least every so often [s]: several times while one is kept in view."""
RATE_NOW, RATE_LONG = 5.0, 120.0
"""The rate is that of the last seconds, and of the last minutes [s]."""
SILENT = 3.0
"""A recorder commits once per second: with nothing new for longer [s], nothing comes in."""
MOST_WARNINGS = 50
MOST_NEWS = 600
"""Looks that brought something are remembered one by one: ten minutes, because a recorder commits once per second.
Whoever slept for longer gets all that is kept."""


@dataclass(frozen=True, slots=True)
class Warned:
    """A danger that came, or got worse, at `t` [s]; `finding` is None for the car's own engine lamp coming on."""

    t: float
    finding: Finding | None


@dataclass(frozen=True, slots=True)
class News:
    """What is new since a certain look; `number` is where the next question goes on.

    `anew` says that `signals` hold all that is kept, because nobody can tell any more what the asker has. `first_seen`
    are keys that the asker has not met.
    """

    number: int
    anew: bool
    signals: Mapping[str, Signal]
    first_seen: frozenset[str]
    coverage: bool
    warnings: bool


@dataclass(slots=True)
class LiveRecording:
    """One session file that is being written. Not safe to use from several threads at once.

    `elapsed` tells seconds, and `age` how long ago the file was written to when it is met [s].
    """

    path: Path
    car: Car | None = None
    elapsed: Callable[[], float] = time.monotonic
    session: Session | None = None
    state: State | None = None
    until: float = 0.0
    catching_up: bool = True
    signals: dict[str, Signal] = field(default_factory=dict)
    danger: Finding | None = None
    warnings: list[Warned] = field(default_factory=list)
    lamps: dict[int | None, bool] = field(default_factory=dict)
    marks: tuple[Mark, ...] = ()
    problems: tuple[str, ...] = ()
    number: int = 0
    _drive: GrowingDrive = field(init=False)
    _coverage: RunningCoverage = field(init=False)
    _covered_until: float = 0.0
    _coverage_at: int = 0
    _warned_at: int = 0
    _came_at: float = 0.0
    _first_seen: dict[str, int] = field(default_factory=dict)
    _news: deque[tuple[int, Mapping[str, Signal]]] = field(default_factory=lambda: deque(maxlen=MOST_NEWS))
    _counts: list[tuple[FloatArray, FloatArray]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._drive = GrowingDrive(self.path)
        self._coverage = RunningCoverage(self.path)
        self._came_at = self.elapsed() - _age(self.path)

    @property
    def is_over(self) -> bool:
        """Whether the recorder has closed the file, or died and left it."""
        return self.state is not None and self.state is not State.RECORDING

    @property
    def coverage(self) -> Coverage:
        """What the drive has shown so far."""
        return self._coverage.total

    @property
    def silence(self) -> float:
        """How long nothing has come in [s]."""
        return max(self.elapsed() - self._came_at, 0.0)

    @property
    def now(self) -> float:
        """The present moment on the time axis of the drive [s]."""
        return self.until + (0.0 if self.is_over else self.silence)

    @property
    def lamp_on(self) -> bool:
        """Whether any control unit says that the engine lamp is on."""
        return any(self.lamps.values())

    @property
    def link_lost(self) -> Mark | None:
        """The mark of a link that was lost and has not come back."""
        links = [one for one in self.marks if one.kind in (MarkKind.LINK_LOST, MarkKind.RECONNECT)]
        return links[-1] if links and links[-1].kind is MarkKind.LINK_LOST else None

    def look(self) -> None:
        """Take in what is new, at most some minutes of a drive at once. Raises SessionFileError."""
        was_catching_up = self.catching_up
        piece = self._drive.look()
        self.session, self.state = piece.session, piece.state
        self.marks, self.problems, self.catching_up = piece.marks, piece.problems, piece.more
        if piece.rows:
            if not was_catching_up:  # what is caught up with was written at some time before
                self._came_at = self.elapsed()
            self.number += 1
            self.until = piece.until
            self._take(piece)
            self._see_lamp(piece)
            self._see_dangers(piece)
        if self.until - self._covered_until >= COVERAGE_EVERY or self.is_over:
            self._cover(piece.session)
        self._forget()

    def rate(self, seconds: float) -> float:
        """Parameter values per second over the last `seconds` [1/s], or over the whole recording where it is shorter.

        A second without a commit is usual and no pause; a longer silence counts.
        """
        end = self.now if self.silence > SILENT else self.until
        counted = sum(float(counts[times > end - seconds].sum()) for times, counts in self._counts)
        return counted / max(min(seconds, end), 1.0)

    def since(self, number: int | None) -> News:
        """What came after look `number`; everything where that is None or too long ago."""
        oldest = self._news[0][0] if self._news else 1
        anew = number is None or not oldest - 1 <= number <= self.number
        known = -1 if anew or number is None else number
        pieces: dict[str, list[Signal]] = {}
        if anew:
            pieces = {key: [signal] for key, signal in self.signals.items()}
        else:
            for at, signals in self._news:
                if at > known:
                    for key, signal in signals.items():
                        pieces.setdefault(key, []).append(signal)
        return News(
            self.number,
            anew,
            {key: _joined(signals) for key, signals in pieces.items()},
            frozenset(key for key, at in self._first_seen.items() if at > known),
            anew or self._coverage_at > known,
            anew or self._warned_at > known,
        )

    def _take(self, piece: Piece) -> None:
        self._news.append((self.number, piece.signals))
        for key, signal in piece.signals.items():
            self._first_seen.setdefault(key, self.number)
            self.signals[key] = _joined([self.signals[key], signal]) if key in self.signals else signal
        self._counts.append((piece.times, piece.counts))

    def _see_lamp(self, piece: Piece) -> None:
        for reading in piece.readiness:
            if reading.lamp_on and self.lamps.get(reading.ecu) is False:
                self._warn(Warned(reading.t, None))
            if reading.lamp_on is not None:
                self.lamps[reading.ecu] = reading.lamp_on

    def _see_dangers(self, piece: Piece) -> None:
        """Look at the end of each step, so that a danger that came and went while nobody looked is told as well."""
        if not any(key in piece.signals for key in KEYS):
            return
        first = min(float(piece.signals[key].times[0]) for key in KEYS if key in piece.signals)
        for end in (*np.arange(first + STEP, self.until, STEP), self.until):
            seen = {key: _between(self.signals[key], end - KEPT, end) for key in KEYS if key in self.signals}
            found = danger(Drive(piece.session, {k: s for k, s in seen.items() if len(s.times)}), self.car)
            before = self.danger.urgency if self.danger is not None else None
            if found is not None and ESCALATION.index(found.urgency) > ESCALATION.index(before):
                self._warn(Warned(float(end), found))
            self.danger = found

    def _warn(self, warned: Warned) -> None:
        self.warnings = [*self.warnings, warned][-MOST_WARNINGS:]
        self._warned_at = self.number

    def _cover(self, session: Session) -> None:
        new = {key: _between(signal, self._covered_until, self.until) for key, signal in self.signals.items()}
        new = {key: signal for key, signal in new.items() if len(signal.times)}
        if new:
            self._coverage.add(Drive(session, new))
            self._covered_until, self._coverage_at = self.until, self.number

    def _forget(self) -> None:
        kept = self.until - WINDOW
        for key, signal in self.signals.items():
            if signal.times[0] < kept - COVERAGE_EVERY:
                self.signals[key] = _between(signal, min(kept, float(signal.times[-1]) - 1e-9), self.until)
        while self._counts and self._counts[0][0][-1] < self.until - RATE_LONG:
            del self._counts[0]


def _age(path: Path) -> float:
    """How long ago a recorder last wrote [s]; 0 where that cannot be told."""
    for one in (path.with_name(path.name + "-wal"), path):
        try:
            return max(time.time() - one.stat().st_mtime, 0.0)
        except OSError:
            continue
    return 0.0


def _joined(signals: list[Signal]) -> Signal:
    if len(signals) == 1:
        return signals[0]
    times, values = np.concatenate([s.times for s in signals]), np.concatenate([s.values for s in signals])
    return replace(signals[-1], times=times, values=values)


def _between(signal: Signal, start: float, end: float) -> Signal:
    """The values after `start` and up to `end` [s]."""
    first, last = np.searchsorted(signal.times, (start, end), side="right")
    return replace(signal, times=signal.times[first:last], values=signal.values[first:last])
