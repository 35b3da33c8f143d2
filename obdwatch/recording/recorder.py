"""Records one session: asks what the plan says, writes what comes back, and keeps going until told to stop.

The only loop of the capture path, meant to be its only thread. Link loss, a silent car, a sleeping computer and a
clock that was set are marks in the same session, never its end.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

from obdwatch.adapters.adapter import Adapter
from obdwatch.clock import Clock
from obdwatch.errors import AdapterError, ConnectionLost, SessionFileError
from obdwatch.recording.clock_watch import ClockWatch
from obdwatch.recording.extra_requests import VOLTAGE
from obdwatch.recording.poll_plan import Ask, Phase, PollPlan
from obdwatch.recording.recording_rate import RecordingRate
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Connection, Exchange, Mark, MarkKind, PollClass, Session

COMMIT_EVERY = 1.0  # s; what a power cut may cost
LONGEST_SLEEP = 0.2  # s; how long a wish to stop may go unnoticed while waiting
FIRST_PAUSE = 1.0  # s before connecting again; doubles each time
LONGEST_PAUSE = 30.0  # s


class Link(StrEnum):
    """How the link stands."""

    UP = "up"
    CAR_SILENT = "car_silent"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class RecordingStatus:
    """What a screen can say while a session is recorded.

    `duration` [s]; `values_per_second`, `requests_per_second` over the last seconds; `ages` maps each poll class to the
    age [s] of its oldest last value; `trouble` is the last thing that went wrong, empty when all is well.
    """

    path: Path
    session: Session
    link: Link
    phase: Phase
    duration: float
    values_per_second: float
    requests_per_second: float
    ages: Mapping[PollClass, float]
    marks: int
    trouble: str


class Recorder:
    """Writes one session from an adapter that is already connected.

    The time axis of the session starts when the recorder is made. `on_status` is called once per second.
    """

    def __init__(
        self,
        adapter: Adapter,
        writer: SessionWriter,
        plan: PollPlan,
        clock: Clock,
        on_status: Callable[[RecordingStatus], None] | None = None,
    ) -> None:
        self._adapter = adapter
        self._writer = writer
        self._plan = plan
        self._clock = clock
        self._on_status = on_status
        self._zero = clock.elapsed()
        self._last_t = 0.0
        self._committed_at = self._zero
        self._watch = ClockWatch(clock)
        self._rate = RecordingRate()
        self._marks = 0
        self._is_linked = True
        self._trouble = ""

    def run(self, stop: Callable[[], bool], seconds: float | None = None) -> None:
        """Record until `stop` says so or `seconds` have passed, then close the session file and the adapter.

        Raises SessionFileError when the file cannot be written any more; what was committed before is kept.
        """
        end = None if seconds is None else self._zero + seconds
        try:
            while not (stop() or self._is_past(end)):
                self._step(stop, end)
            self._finish("time is up" if self._is_past(end) else "stopped")
        except BaseException:  # whatever ends it, what is recorded is kept
            with contextlib.suppress(SessionFileError):
                self._writer.close()
            raise
        finally:
            self._adapter.close()

    def _step(self, stop: Callable[[], bool], end: float | None) -> None:
        """One request, or a wait for its time."""
        ask = self._plan.next(self._clock.elapsed())
        if not self._wait_until(ask.at, stop, end):
            return
        try:
            exchanges = self._send(ask)
        except ConnectionLost as error:
            self._reconnect(str(error), stop, end)
            return
        self._take(ask, exchanges)
        self._each_second()

    def _send(self, ask: Ask) -> tuple[Exchange, ...]:
        if ask.request == VOLTAGE:
            return (self._adapter.voltage(),)
        return self._adapter.request(ask.request, ask.deadline)

    def _take(self, ask: Ask, exchanges: tuple[Exchange, ...]) -> None:
        for exchange in exchanges:
            self._last_t = max(self._last_t, exchange.t - self._zero)
            self._writer.exchange(replace(exchange, t=self._last_t))
        self._rate.add(exchanges)
        self._write_marks(self._plan.heard(ask, exchanges, self._clock.elapsed()))

    def _write_marks(self, marks: Iterable[Mark]) -> None:
        """Write marks whose times are those of the clock."""
        for mark in marks:
            self._writer.mark(replace(mark, t=max(0.0, mark.t - self._zero)))
            self._marks += 1

    def _each_second(self) -> None:
        now = self._clock.elapsed()
        self._write_marks(self._watch.look())
        if now - self._committed_at < COMMIT_EVERY:
            return
        self._writer.commit()
        self._rate.close(now - self._committed_at)
        self._committed_at = now
        if self._on_status is not None:
            self._on_status(self.status())

    def status(self) -> RecordingStatus:
        """What is being recorded right now."""
        now, phase = self._clock.elapsed(), self._plan.phase
        silent = phase is Phase.SILENT
        return RecordingStatus(
            path=self._writer.path,
            session=self._writer.session,
            link=Link.LOST if not self._is_linked else Link.CAR_SILENT if silent else Link.UP,
            phase=phase,
            duration=now - self._zero,
            values_per_second=self._rate.values,
            requests_per_second=self._rate.requests,
            ages=self._plan.ages(now),
            marks=self._marks,
            trouble=self._trouble,
        )

    def _reconnect(self, reason: str, stop: Callable[[], bool], end: float | None) -> None:
        """Try to open the link again, with growing pauses, for as long as nobody says stop."""
        lost_at = self._clock.elapsed()
        self._is_linked, self._trouble = False, reason
        self._write_marks([Mark(lost_at, MarkKind.LINK_LOST, reason)])
        self._writer.commit()
        pause = FIRST_PAUSE
        while self._wait_until(self._clock.elapsed() + pause, stop, end):
            pause = min(2 * pause, LONGEST_PAUSE)
            try:
                connection = self._adapter.connect()
            except AdapterError as error:
                self._trouble = str(error)
                self._each_second()
                continue
            self._resume(connection, lost_at)
            return

    def _resume(self, connection: Connection, lost_at: float) -> None:
        now = self._clock.elapsed()
        self._is_linked, self._trouble = True, ""
        self._plan.reconnected(connection)
        self._write_marks([Mark(now, MarkKind.RECONNECT, connection.port, now - lost_at)])
        supported = dict(self._writer.session.supported) | dict(connection.supported)
        if supported != self._writer.session.supported:
            self._writer.update(replace(self._writer.session, supported=supported))

    def _wait_until(self, at: float, stop: Callable[[], bool], end: float | None) -> bool:
        """Sleep until `at` in small steps; False when it is time to stop first."""
        while self._clock.elapsed() < at:
            if stop() or self._is_past(end):
                return False
            self._clock.sleep(min(LONGEST_SLEEP, at - self._clock.elapsed()))
            self._each_second()
        return True

    def _is_past(self, end: float | None) -> bool:
        return end is not None and self._clock.elapsed() >= end

    def _finish(self, reason: str) -> None:
        if self._is_linked:
            with contextlib.suppress(ConnectionLost):
                for ask in self._plan.closing_requests():
                    self._take(ask, self._send(ask))
        now = self._clock.elapsed()
        self._write_marks([*self._plan.closing_marks(now), Mark(now, MarkKind.END, reason)])
        self._writer.close()
