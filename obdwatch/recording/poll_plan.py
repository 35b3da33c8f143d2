"""Decides what the recorder asks next: the only place that knows what matters when.

At key-on it asks once for what only a standing engine shows: the pressure in the manifold is then that of the air
outside, and after a night all temperatures are the same. Then, until the engine runs, it watches the starter: supply
voltage and engine speed only, as fast as the link goes. While the engine runs it fills every request with the
parameters that are most overdue, and slips in one of the other requests (codes, monitor results, vehicle information)
now and then. While the control units are silent it reads the voltage at the adapter and looks now and then whether
they are back.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from obdwatch.adapters.adapter import DEFAULT_DEADLINE
from obdwatch.decoding.parameters import decode_fields
from obdwatch.decoding.replies import split_parameters
from obdwatch.errors import ReplyError
from obdwatch.recording.batch_size import BatchSize
from obdwatch.recording.engine_state import Change, EngineState
from obdwatch.recording.extra_requests import CODE_REQUESTS, VOLTAGE, ExtraRequests
from obdwatch.recording.poll_queue import ParameterQueue
from obdwatch.recording.poll_targets import intervals, read_wishes
from obdwatch.recording.silence import Silence
from obdwatch.records import Connection, Exchange, Mark, MarkKind, PollClass, ReplyStatus

ENGINE_SPEED = 0x0C
SUPPLY_VOLTAGE = 0x42
CURRENT_DATA = 0x01
AT_STANDSTILL = (0x0C, 0x0B, 0x33, 0x05, 0x0F, 0x46)  # engine speed; manifold, outside pressure; coolant, air, outside

# At most one request in so many is not a full one, which keeps the values per second above 92 % of the ceiling even
# while everything is asked for the first time or waits too long, and above 95 % otherwise.
SPACING_PRESSING = 16
SPACING = 25
PRESSING = 2.0  # times its interval that something has waited
PATIENCE = 30.0  # s of key-on without a running engine, after which the rest is asked too
SPACING_WAITING = 5  # then one request in so many is not for the starter
RATE_WEIGHT = 0.05  # of one request in the running mean of how long a request takes
RATE_STEP = 0.2  # relative change of the rate that is worth new intervals

SHORTEST_REQUEST = 0.001  # s; against a rate of a stand-in that takes no time at all
RESTART_AFTER = 30.0  # s of silence, after which the engine has been off (common practice)

_DAMAGE = frozenset({ReplyStatus.SHORT, ReplyStatus.WRONG_REPLY, ReplyStatus.BUS_ERROR, ReplyStatus.TIMEOUT})
_ALIVE = frozenset({ReplyStatus.OK, ReplyStatus.NEGATIVE, ReplyStatus.SHORT, ReplyStatus.WRONG_REPLY})


class Phase(StrEnum):
    """What the plan is about at the moment."""

    STARTING = "starting"  # key on, engine not running (or not known yet)
    RUNNING = "running"
    SILENT = "silent"  # no control unit answers


@dataclass(frozen=True, slots=True)
class Ask:
    """One request to send, not before `at` [s]; `deadline` [s] as in `Adapter.request`."""

    request: bytes
    at: float
    deadline: float = DEFAULT_DEADLINE

    @property
    def pids(self) -> tuple[int, ...]:
        """The service 01 parameters in it."""
        return tuple(self.request[1:]) if self.request[0] == CURRENT_DATA else ()


@dataclass(frozen=True, slots=True)
class Urgent:
    """A request that takes the whole link for itself, and how long it has waited against how long it may."""

    urgency: float
    request: bytes


class PollPlan:
    """What to ask one car over one link; all times are those of the adapter's clock [s]."""

    def __init__(self, connection: Connection) -> None:
        self._wishes = read_wishes()
        self._engine = EngineState()
        self._silence = Silence()
        self.reconnected(connection)

    def reconnected(self, connection: Connection) -> None:
        """Start anew on a link that has just been opened; what is known of the engine stays."""
        self._queue = ParameterQueue(pid for pids in connection.supported.values() for pid in pids)
        self._extras = ExtraRequests(connection, needs_voltage=SUPPLY_VOLTAGE not in self._queue)
        self._batch = BatchSize(connection.parameters_per_request)
        self._seconds_per_request = 1.0 / connection.rate if connection.rate > 0 else DEFAULT_DEADLINE
        self._starting_since: float | None = None
        self._standing: list[int] = []
        self._since_other = 0
        self._turn = 0
        self._set_intervals()

    @property
    def phase(self) -> Phase:
        """What the plan is about at the moment."""
        if self._silence.is_certain:
            return Phase.SILENT
        if self._engine.running or ENGINE_SPEED not in self._queue:
            return Phase.RUNNING
        return Phase.STARTING

    def next(self, now: float) -> Ask:
        """Return the next request and the earliest moment to send it."""
        if self._silence.is_suspected:
            request, at, deadline = self._silence.request(now, self._probe)
            return Ask(request, at, deadline)
        if self.phase is Phase.STARTING:
            return self._while_starting(now)
        self._starting_since = None
        return self._while_running(now)

    def heard(self, ask: Ask, exchanges: Sequence[Exchange], now: float) -> tuple[Mark, ...]:
        """Learn from what came back; return what that shows about the drive."""
        if ask.request == VOLTAGE:
            self._extras.heard(ask.request, exchanges, now)
            self._silence.voltage_heard(exchanges[0].payload if exchanges else None, now)
            return ()
        if ask.pids:
            self._learn_parameters(ask.pids, exchanges, now)
        else:
            self._extras.heard(ask.request, exchanges, now)
        return (*self._learn_silence(ask, exchanges, now), *self._learn_engine(exchanges, now))

    def closing_requests(self) -> tuple[Ask, ...]:
        """What to ask once more before the session ends: the codes, if anyone answers."""
        if self.phase is Phase.SILENT:
            return ()
        return tuple(Ask(request, 0.0) for request in CODE_REQUESTS)

    def closing_marks(self, now: float) -> tuple[Mark, ...]:
        """What is still open when the session ends."""
        since = self._silence.since
        return () if since is None else (_gap(since, now),)

    def ages(self, now: float) -> Mapping[PollClass, float]:
        """For each class the age [s] of its oldest last answer."""
        return self._queue.ages(now)

    @property
    def _probe(self) -> bytes:
        return bytes((CURRENT_DATA, ENGINE_SPEED if ENGINE_SPEED in self._queue else 0x00))

    def _while_starting(self, now: float) -> Ask:
        if self._starting_since is None:
            self._starting_since = now
            self._standing = [pid for pid in AT_STANDSTILL if self._queue.is_available(pid, now)]
        if self._standing:
            return self._at_standstill(now)
        self._turn += 1
        if now - self._starting_since > PATIENCE and self._turn % SPACING_WAITING == 0:
            return self._while_running(now, spacing=2)
        if not self._queue.is_available(SUPPLY_VOLTAGE, now):
            return Ask(VOLTAGE if self._turn % 2 else self._probe, now)
        if self._batch.at(now) > 1:
            return Ask(bytes((CURRENT_DATA, ENGINE_SPEED, SUPPLY_VOLTAGE)), now)
        return Ask(bytes((CURRENT_DATA, SUPPLY_VOLTAGE if self._turn % 2 else ENGINE_SPEED)), now)

    def _at_standstill(self, now: float) -> Ask:
        """Once, and not again when the answer is lost: the starter may turn at any moment."""
        count = self._batch.at(now)
        asked, self._standing = self._standing[:count], self._standing[count:]
        return Ask(bytes((CURRENT_DATA, *asked)), now)

    def _while_running(self, now: float, spacing: int | None = None) -> Ask:
        self._since_other += 1
        other = self._other(now)
        if other is not None and self._since_other >= (spacing or _spacing(other.urgency)):
            self._since_other = 0
            return Ask(other.request, now)
        pids = self._queue.batch(now, self._batch.at(now))
        if pids:
            return Ask(bytes((CURRENT_DATA, *pids)), now)
        self._since_other = 0
        return Ask(self._probe if other is None else other.request, now)

    def _other(self, now: float) -> Urgent | None:
        """The most urgent request that takes the whole link for itself."""
        single, extra = self._queue.single(now), self._extras.most_urgent(now)
        waiting = [Urgent(single[0], bytes((CURRENT_DATA, single[1])))] if single is not None else []
        waiting += [Urgent(*extra)] if extra is not None else []
        return max(waiting, key=lambda urgent: urgent.urgency, default=None)

    def _learn_parameters(self, pids: Sequence[int], exchanges: Sequence[Exchange], now: float) -> None:
        in_company = len(pids) > 1
        answered = {pid for pid, _ in _parameters(exchanges)}
        missing = [pid for pid in pids if pid not in answered]
        self._queue.asked(pids, now)
        self._queue.answered(answered, now, in_company=in_company)
        damaged = any(exchange.status in _DAMAGE for exchange in exchanges)
        self._queue.unanswered(missing, now, in_company=in_company, damaged=damaged)
        if answered:
            self._learn_rate(now - exchanges[0].t)
        if in_company and answered:
            self._batch.worked()
        elif in_company and self._batch.failed(now):
            self._queue.forgive()

    def _learn_rate(self, seconds: float) -> None:
        """Take note of how long a full request took; a much faster or slower link changes what is asked how often."""
        self._seconds_per_request += RATE_WEIGHT * (seconds - self._seconds_per_request)
        if abs(self._capacity - self._planned_for) > RATE_STEP * self._planned_for:
            self._set_intervals()

    @property
    def _capacity(self) -> float:
        """How many values the link carries [1/s]."""
        return self._batch.size / max(self._seconds_per_request, SHORTEST_REQUEST)

    def _set_intervals(self) -> None:
        self._planned_for = self._capacity
        self._queue.set_intervals(intervals(self._queue.pids, self._planned_for, self._wishes))

    def _learn_silence(self, ask: Ask, exchanges: Sequence[Exchange], now: float) -> Iterator[Mark]:
        sent_at = exchanges[0].t if exchanges else now
        is_answered = any(e.ecu is not None or e.status in _ALIVE for e in exchanges)
        began = self._silence.heard(sent_at, now, is_probe=ask.request == self._probe, is_answered=is_answered)
        if began is None:
            return
        self._queue.forgive()
        self._extras.forgive()
        yield _gap(began, now)
        if now - began > RESTART_AFTER and self._engine.running:
            self._engine = EngineState(running=False)
            yield Mark(began, MarkKind.ENGINE_STOP, "some time while no control unit answered", now - began)

    def _learn_engine(self, exchanges: Sequence[Exchange], now: float) -> Iterator[Mark]:
        speeds = [_engine_speed(data) for pid, data in _parameters(exchanges) if pid == ENGINE_SPEED]
        known = [speed for speed in speeds if speed is not None]
        change = self._engine.observe(max(known)) if known else None
        if change is not None:
            kind = MarkKind.ENGINE_START if change is Change.STARTED else MarkKind.ENGINE_STOP
            yield Mark(exchanges[0].t, kind)


def _spacing(urgency: float) -> int:
    return SPACING_PRESSING if urgency > PRESSING else SPACING


def _gap(began: float, now: float) -> Mark:
    return Mark(began, MarkKind.GAP, "no control unit answered (ignition off?)", now - began)


def _parameters(exchanges: Sequence[Exchange]) -> Iterator[tuple[int, bytes]]:
    """The service 01 parameters in valid answers."""
    for exchange in exchanges:
        payload = exchange.payload
        if exchange.status is ReplyStatus.OK and payload is not None and payload[:1] == b"\x41":
            try:
                yield from split_parameters(payload)
            except ReplyError:
                continue


def _engine_speed(data: bytes) -> float | None:
    try:
        return decode_fields(ENGINE_SPEED, data).get("engine_speed")
    except ReplyError:
        return None
