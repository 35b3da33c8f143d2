"""A real ELM327-compatible adapter behind the `Adapter` interface: connecting, requests, and getting over trouble."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from operator import itemgetter

from obdwatch.adapters.adapter import DEFAULT_DEADLINE
from obdwatch.adapters.elm327.batching import Batching, is_joint
from obdwatch.adapters.elm327.car_link import CarLink
from obdwatch.adapters.elm327.contact import lost_is_silence, prepare
from obdwatch.adapters.elm327.exploring import introduce
from obdwatch.adapters.elm327.judging import judge
from obdwatch.adapters.elm327.meeting import Acquaintance, address_all, meet
from obdwatch.adapters.elm327.pace import PaceKeeper
from obdwatch.adapters.elm327.ports import AUTO
from obdwatch.adapters.elm327.protocol_search import FIRST_REQUEST, SLOW_DEADLINE
from obdwatch.adapters.elm327.protocols import PROTOCOL_BY_DIGIT, BusProtocol
from obdwatch.adapters.elm327.reaching import Reached, reach, reach_given
from obdwatch.adapters.elm327.refusals import Refusals
from obdwatch.adapters.elm327.services import ERASE_SERVICE, EraseConfirmation, erase_text, request_text
from obdwatch.adapters.elm327.transport import Notice
from obdwatch.adapters.elm327.voltage import decimals_of, voltage_of
from obdwatch.adapters.stream import Stream
from obdwatch.clock import Clock
from obdwatch.errors import AdapterSilent, ConnectionLost
from obdwatch.records import Connection, Exchange, ReplyStatus

RESTORE_INTERVAL = 5.0  # s between two attempts to bring a lost protocol back
DAMAGED_RUN = 3  # replies in a row that make no sense before the adapter's settings are suspected
STRANGER_SIGHTINGS = 5  # answers from an unknown address before it is asked who it is
ERASE_DEADLINE = 3.0  # s; control units take their time for it
VOLTAGE_COMMAND = "ATRV"


def _say_nothing(text: str) -> None:
    """Stands in for a user interface."""


class Elm327Adapter:
    """An `Adapter` over a port name (`auto`, a device, `socket://HOST:PORT`) or a stream that is open already.

    `notice` is told, in words for the user, whenever something takes longer than three seconds. `protocol` (the
    adapter's digit) and `rate` [bit/s] are what worked last time, if known; they are tried first.
    """

    def __init__(
        self,
        stream_or_port: Stream | str,
        clock: Clock,
        *,
        notice: Notice = _say_nothing,
        protocol: str | None = None,
        rate: int | None = None,
    ) -> None:
        self._target = stream_or_port
        self._clock = clock
        self._notice = notice
        self._protocol: BusProtocol | None = PROTOCOL_BY_DIGIT.get(protocol or "")
        self._rate = rate
        self._reached: Reached | None = None
        self._link: CarLink | None = None
        self._known: Acquaintance | None = None
        self._found_port: str | None = None
        self._batching = Batching()
        self._refusals = Refusals()
        self._pace: PaceKeeper | None = None
        self._damaged_run = 0
        self._next_restore = 0.0

    @property
    def protocol(self) -> str | None:
        """The protocol digit that worked, to be handed in next time; None before a connection."""
        return self._protocol.digit if self._protocol else None

    @property
    def rate(self) -> int | None:
        """The line speed [bit/s] that worked, to be handed in next time; None where there is none."""
        return self._rate

    @property
    def parameters_per_request(self) -> int:
        """How many parameters a request may hold at the moment; requests with more are split."""
        return self._batching.limit

    def connect(self) -> Connection:
        """See `Adapter.connect`; may be called again at any time, and is quick when it meets the same car."""
        self._drop()
        reached = self._reached = self._reach()
        try:
            self._link, self._known = meet(reached, self._clock, self._protocol, self._known)
        except ConnectionLost as problem:
            self._drop()
            raise lost_is_silence(reached.port, problem) from problem
        except BaseException:
            self._drop()
            raise
        self._protocol = self._link.interpreter.protocol
        self._rate = reached.rate
        self._found_port = reached.port
        self._batching = Batching(self._known.parameters_per_request)
        self._refusals, self._pace = Refusals(), PaceKeeper(self._link, self._notice)
        self._damaged_run, self._next_restore = 0, 0.0
        return _connection(reached, self._protocol, self._known)

    def request(self, payload: bytes, deadline: float = DEFAULT_DEADLINE) -> tuple[Exchange, ...]:
        """See `Adapter.request`. A request for more parameters than this link takes is sent in parts.

        A request that was refused is answered from memory for a while: status negative, latency 0, `raw` says so.
        """
        request_text(payload)
        link = self._connected()
        give_up = self._clock.monotonic() + deadline
        exchanges: list[Exchange] = []
        with self._noticing_loss():
            self._mend(link)
            link.transport.begin("waiting for the car to answer")
            self._batching.advance(self._clock.monotonic())
            for part in self._batching.split(payload):
                left = give_up - self._clock.monotonic() if exchanges else deadline
                if left <= 0.0:
                    break
                exchanges += self._ask(link, part, left)
        return tuple(exchanges)

    def voltage(self) -> Exchange:
        """See `Adapter.voltage`; anything but one plausible figure in this adapter's format is a wrong reply."""
        link = self._connected()
        with self._noticing_loss():
            self._mend(link)
            reply = link.transport.adapter_command(VOLTAGE_COMMAND)
        volts = voltage_of(reply.text) if reply.complete else None
        decimals = self._known.voltage_decimals if self._known else 0
        request = VOLTAGE_COMMAND.encode("ascii")
        if volts is None or decimals_of(reply.text) != (decimals or decimals_of(reply.text)):
            status = ReplyStatus.WRONG_REPLY if reply.complete else ReplyStatus.TIMEOUT
            link.transport.distrust()
            return Exchange(reply.sent_at, reply.latency, request, None, status, raw=reply.text)
        figure = f"{volts:.{decimals_of(reply.text)}f}V".encode("ascii")
        return Exchange(reply.sent_at, reply.latency, request, None, ReplyStatus.OK, payload=figure)

    def erase_codes(self, confirmation: EraseConfirmation) -> tuple[Exchange, ...]:
        """Erase codes, freeze frames, monitor results and readiness: the only thing that changes the car.

        Sent once and never repeated. Raises ValueError without a real confirmation, ConnectionLost as `request`.
        """
        erase_text(confirmation)
        link = self._connected()
        with self._noticing_loss():
            self._mend(link)
            link.transport.begin("waiting for the car to erase its codes")
            raw = link.transport.erase(confirmation, ERASE_DEADLINE)
        reply = link.interpreter.read(raw.text, raw.command, raw.complete)
        return judge(bytes([ERASE_SERVICE]), raw, reply, link.interpreter.protocol.can)

    def close(self) -> None:
        """See `Adapter.close`."""
        self._drop()
        if not isinstance(self._target, str):
            self._target.close()

    def _reach(self) -> Reached:
        if isinstance(self._target, str):
            before = self._found_port if self._target == AUTO else None
            return reach(self._target, self._rate, self._clock, self._notice, before)
        return reach_given(self._target, self._clock, self._notice)

    def _ask(self, link: CarLink, payload: bytes, deadline: float) -> tuple[Exchange, ...]:
        standing = self._refusals.standing(payload, self._clock.monotonic(), self._clock.elapsed())
        if standing is not None:
            return (standing,)
        give_up = self._clock.monotonic() + deadline
        exchanges = link.ask(payload, deadline)
        if self._pace:
            exchanges = self._pace.check(payload, exchanges, give_up - self._clock.monotonic())
        if not is_joint(payload):  # a refusal to join parameters says nothing of the parameters
            self._refusals.watch(payload, exchanges, self._clock.monotonic())
        self._watch_damage(link, exchanges)
        self._meet_strangers(link)
        if self._known and self._batching.watch(payload, exchanges, self._known.offer.supported):
            self._try_single(link, payload)
        return exchanges

    def _try_single(self, link: CarLink, payload: bytes) -> None:
        """Joint requests keep failing: if a single one works, put fewer together."""
        single = link.ask(payload[:2], DEFAULT_DEADLINE)
        if any(exchange.status is ReplyStatus.OK for exchange in single):
            self._batching.retreat(self._clock.monotonic())
            self._notice(f"joint requests fail; asking for {self._batching.limit} parameter(s) at a time from now on")
        else:
            self._batching.forgive()

    def _meet_strangers(self, link: CarLink) -> None:
        """A control unit that was not there when connecting, seen again and again, has woken up late."""
        stranger, sightings = max(link.strangers.items(), key=itemgetter(1), default=(0, 0))
        if sightings >= STRANGER_SIGHTINGS:
            link.strangers.clear()
            if introduce(link, stranger):
                self._notice(f"another control unit ({stranger:X}) has begun to answer; its values are recorded, too")

    def _watch_damage(self, link: CarLink, exchanges: tuple[Exchange, ...]) -> None:
        """Replies that make no sense again and again: the adapter may have forgotten its settings unnoticed."""
        senseless = all(exchange.status is ReplyStatus.WRONG_REPLY for exchange in exchanges)
        self._damaged_run = self._damaged_run + 1 if senseless else 0
        if self._damaged_run >= DAMAGED_RUN:
            link.transport.reset_seen = True
            self._damaged_run = 0

    def _mend(self, link: CarLink) -> None:
        """Bring back what the adapter has lost: its settings after a restart, the protocol after a bus failure."""
        due = self._clock.monotonic() >= self._next_restore
        if not link.transport.reset_seen and not (link.protocol_lost and due):
            return
        self._next_restore = self._clock.monotonic() + RESTORE_INTERVAL
        transport, protocol = link.transport, link.interpreter.protocol
        transport.begin("bringing the adapter's settings back")
        try:
            link.echo = prepare(transport, self._reached.port if self._reached else "")
        except AdapterSilent as problem:
            raise ConnectionLost(str(problem)) from problem
        transport.adapter_command(f"ATTP{protocol.digit}")
        address_all(transport, protocol)
        link.timing.apply(transport)
        link.protocol_lost = transport.reset_seen = False
        if not protocol.can:
            link.ask(FIRST_REQUEST, SLOW_DEADLINE)  # wakes the bus, which takes longer than a request may

    def _connected(self) -> CarLink:
        if self._link is None:
            raise ConnectionLost("there is no connection; connect first")
        return self._link

    @contextmanager
    def _noticing_loss(self) -> Iterator[None]:
        try:
            yield
        except ConnectionLost:
            self._drop()
            raise

    def _drop(self) -> None:
        """Let go of the link; a stream that was handed in stays open, its owner may want to connect again."""
        reached, self._reached, self._link = self._reached, None, None
        if reached is not None and isinstance(self._target, str):
            reached.transport.close()


def _connection(reached: Reached, protocol: BusProtocol, known: Acquaintance) -> Connection:
    return Connection(
        port=reached.port,
        adapter=reached.identity,
        protocol=protocol.name,
        ecus=known.offer.ecus,
        supported=known.offer.supported,
        parameters_per_request=known.parameters_per_request,
        rate=known.rate,
        services=known.offer.services,
    )
