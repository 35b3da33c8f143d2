"""The car's side of the virtual adapter: which protocol is in use, how it is found, and one request on the bus.

Time here is counted in seconds from the client's carriage return; `now` is that moment on the bus's own time axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from obdwatch.adapters.virtual.answer import Answer, Line, say
from obdwatch.adapters.virtual.bus import Bus, BusReply
from obdwatch.adapters.virtual.framing import BusFrame, can_frames, can_header, frame_lines, legacy_frame
from obdwatch.adapters.virtual.link_faults import LinkFaults
from obdwatch.adapters.virtual.protocols import (
    NOBODY,
    PROTOCOLS,
    SEARCH_ORDER,
    Addressee,
    BusKind,
    BusProtocol,
    addressee,
)
from obdwatch.adapters.virtual.settings import Settings
from obdwatch.adapters.virtual.timing import (
    K_LINE_BETWEEN_MESSAGES,
    K_LINE_BETWEEN_REQUESTS,
    K_LINE_SESSION,
    SEPARATION,
    AdapterTiming,
    AnswerWait,
)

SUPPORT_REQUEST = b"\x01\x00"  # what a search sends; every control unit answers it
FLOW_CONTROL_CONTINUE = 0x30
SEARCHING, UNABLE = "SEARCHING...", "UNABLE TO CONNECT"
AUTOMATIC = "0"


@dataclass(frozen=True, slots=True)
class Choice:
    """A protocol as the user chose it: its digit (`0` for none in particular) and whether to search for others."""

    digit: str = AUTOMATIC
    automatic: bool = True


@dataclass(frozen=True, slots=True)
class Opening:
    """How opening a protocol went: what was printed, how long it took [s], and whether a request may follow."""

    lines: tuple[Line, ...]
    seconds: float
    usable: bool


class BusLink:
    """The protocol side of one adapter on one bus.

    `padding` fills CAN frames up to eight bytes; None leaves them as short as they are.
    """

    def __init__(self, bus: Bus, timing: AdapterTiming, faults: LinkFaults, padding: int | None = 0x00) -> None:
        self.bus = bus
        self.choice = Choice()
        self.last_frame = b""
        self._timing = timing
        self._faults = faults
        self._padding = padding
        self._stored = Choice()
        self._open = False
        self._wait = AnswerWait()
        self._bus_free_at = 0.0

    @property
    def protocol(self) -> BusProtocol | None:
        """The protocol in use or about to be tried; None while any would do."""
        return PROTOCOLS.get(self.choice.digit)

    @property
    def is_open(self) -> bool:
        """Whether the protocol has been initialised."""
        return self._open

    def choose(self, choice: Choice, store: bool) -> None:
        """Take a protocol for the next request (`AT SP`, `AT TP`), and after resets too if `store`."""
        if choice != self.choice:
            self.close()
        self.choice = choice
        if store:
            self._stored = choice

    def close(self) -> None:
        """End the session (`AT PC`); the next request opens it anew."""
        self._open = False
        self._wait.forget()

    def reset(self) -> None:
        """Go back to the stored protocol, not yet open."""
        self.close()
        self.choice = self._stored

    def initialise(self, now: float, settings: Settings) -> Answer:
        """Open the chosen K-line protocol on command (`AT FI`, `AT SI`)."""
        self.close()
        opening = self._opened(now, settings)
        return Answer(opening.lines, opening.seconds, interruptible=True)

    def send(self, data: bytes, settings: Settings, most_lines: int | None, now: float) -> Answer:
        """Put a request on the bus and listen; `most_lines` ends the listening early (the count after a request)."""
        opening = self._opened(now, settings)
        if not opening.usable:
            return Answer(opening.lines, opening.seconds, interruptible=True)
        protocol = PROTOCOLS[self.choice.digit]
        if protocol.is_can and not self._electrically_fits(protocol, now):
            failed = say("CAN ERROR", after=opening.seconds + settings.timeout)
            return replace(failed, lines=opening.lines + failed.lines, interruptible=True)
        answer = self._exchange(protocol, data, settings, most_lines, now + opening.seconds)
        return _after(opening, answer)

    # -- opening -----------------------------------------------------------------------------------------------

    def _opened(self, now: float, settings: Settings) -> Opening:
        if self._open and not self._session_ended(now, settings):
            return Opening((), 0.0, usable=True)
        if self.choice.automatic:
            return self._search(now, settings)
        return self._open_chosen(now)

    def _session_ended(self, now: float, settings: Settings) -> bool:
        protocol = self.protocol
        if protocol is None or not protocol.is_k_line:
            return False
        idle = not settings.wake_up and now - self._bus_free_at > K_LINE_SESSION
        return idle or not self.bus.ignition_on(now)

    def _open_chosen(self, now: float) -> Opening:
        protocol = PROTOCOLS[self.choice.digit]
        if not protocol.is_k_line:
            self._open = True
            return Opening((), 0.0, usable=True)
        seconds = protocol.search_seconds
        if self._answers(protocol, now + seconds):
            self._open = True
            return Opening((Line(seconds, "BUS INIT: OK"),), seconds, usable=True)
        return Opening((Line(seconds, "BUS INIT: ...ERROR"),), seconds, usable=False)

    def _search(self, now: float, settings: Settings) -> Opening:
        first = self.choice.digit
        seconds = self._timing.turnaround
        for digit in dict.fromkeys(first + SEARCH_ORDER):
            protocol = PROTOCOLS.get(digit)
            if protocol is None:
                continue
            seconds += protocol.search_seconds
            if self._answers(protocol, now + seconds):
                self.choose(Choice(digit, automatic=True), store=settings.memory)
                self._open = True
                return Opening((Line(0.0, SEARCHING),), seconds, usable=True)
        return Opening((Line(0.0, SEARCHING), Line(seconds, UNABLE)), seconds, usable=False)

    def _answers(self, protocol: BusProtocol, now: float) -> bool:
        return protocol.digit == self.bus.protocol and bool(self.bus.request(SUPPORT_REQUEST, None, now))

    def _electrically_fits(self, protocol: BusProtocol, now: float) -> bool:
        """Whether some control unit is there to acknowledge the frame: same kind of bus, same bit rate, awake."""
        car = PROTOCOLS[self.bus.protocol]
        return car.is_can and car.rate == protocol.rate and self.bus.ignition_on(now)

    # -- one request -------------------------------------------------------------------------------------------

    def _exchange(
        self, protocol: BusProtocol, data: bytes, settings: Settings, most_lines: int | None, now: float
    ) -> Answer:
        sent = self._timing.turnaround + self._timing.frame(protocol, len(data))
        if protocol.is_k_line:
            sent = max(sent, self._bus_free_at + K_LINE_BETWEEN_REQUESTS - now)
        replies = self._replies(protocol, data, settings, now + sent)
        if not settings.responses:
            self._bus_free_at = now + sent
            return replace(say(after=sent), interruptible=True)
        frames = self._frames(protocol, replies, settings, sent)
        heard, ended = self._listen(frames, settings, most_lines, sent)
        self._bus_free_at = now + (heard[-1].at if heard else sent)
        if not heard:
            return replace(say("NO DATA", after=ended), interruptible=True)
        self.last_frame = heard[-1].data
        return self._printed(heard, settings, ended)

    def _printed(self, heard: Sequence[BusFrame], settings: Settings, ended: float) -> Answer:
        fixed = self._timing.request_time
        ready = ended if fixed is None else fixed
        style = settings.line_format
        lines = [Line(min(frame.at, ready), text) for frame in heard for text in frame_lines(frame, style)]
        return Answer(tuple(lines), ready, interruptible=True)

    def _replies(self, protocol: BusProtocol, data: bytes, settings: Settings, at: float) -> Sequence[BusReply]:
        to = self._addressee(protocol, settings)
        payload = data if settings.automatic_format or not protocol.is_can else _single_frame(data)
        if not to.heard or not payload:
            return ()
        return self._faults.on_bus(payload, self.bus.request(payload, to.target, at), at)

    def _addressee(self, protocol: BusProtocol, settings: Settings) -> Addressee:
        if protocol.digit != self.bus.protocol or settings.extended_address is not None:
            return NOBODY
        return addressee(protocol, settings.request_header(protocol))

    def _frames(
        self, protocol: BusProtocol, replies: Sequence[BusReply], settings: Settings, sent: float
    ) -> list[BusFrame]:
        if protocol.is_can:
            frames = [frame for reply in replies for frame in self._can_message(protocol, reply, settings, sent)]
        else:
            frames = self._one_after_another(protocol, replies, sent)
        return [frame for frame in frames if _accepted(frame, settings, protocol)]

    def _can_message(self, protocol: BusProtocol, reply: BusReply, settings: Settings, sent: float) -> list[BusFrame]:
        at = sent + reply.delay
        header = can_header(protocol, reply.ecu)
        frames: list[BusFrame] = []
        for data in can_frames(reply.payload, self._padding):
            at += self._timing.frame(protocol, len(data)) + (SEPARATION if frames else 0.0)
            frames.append(BusFrame(at, reply.ecu, header, data))
        return frames if _flow_continues(protocol, reply.ecu, settings) else frames[:1]

    def _one_after_another(self, protocol: BusProtocol, replies: Sequence[BusReply], sent: float) -> list[BusFrame]:
        frames: list[BusFrame] = []
        for reply in sorted(replies, key=lambda reply: reply.delay):
            free = frames[-1].at if frames else sent
            at = max(sent + reply.delay, free + K_LINE_BETWEEN_MESSAGES)
            at += self._timing.frame(protocol, len(reply.payload))
            frames.append(legacy_frame(protocol, reply.ecu, reply.payload, at))
        return frames

    def _listen(
        self, frames: list[BusFrame], settings: Settings, most_lines: int | None, sent: float
    ) -> tuple[list[BusFrame], float]:
        """The frames that came before the wait ran out, and when the adapter stopped listening."""
        heard: list[BusFrame] = []
        wait, last, slowest = self._wait.seconds(settings.adaptive, settings.timeout), sent, 0.0
        for frame in sorted(frames, key=lambda frame: frame.at):
            if len(heard) == most_lines or frame.at - last > (wait if heard else settings.timeout):
                break
            slowest = max(slowest, frame.at - last)
            heard.append(frame)
            last = frame.at
        if not heard:
            return heard, sent + settings.timeout
        self._wait.learn(slowest)
        return heard, last + (0.0 if len(heard) == most_lines else wait)


def _after(opening: Opening, answer: Answer) -> Answer:
    later = tuple(Line(line.at + opening.seconds, line.text) for line in answer.lines)
    return replace(answer, lines=opening.lines + later, ready=answer.ready + opening.seconds)


def _single_frame(data: bytes) -> bytes:
    """The message in a frame the client laid out itself (`AT CAF0`); empty if it is not a whole single frame."""
    length = data[0]
    return data[1 : 1 + length] if 0 < length <= len(data) - 1 else b""


def _accepted(frame: BusFrame, settings: Settings, protocol: BusProtocol) -> bool:
    if not protocol.is_can:
        return settings.receive_source is None or frame.header[1] == settings.receive_source
    if settings.receive is not None:
        pattern, mask = settings.receive
        return frame.ecu & mask == pattern & mask
    if protocol.kind is BusKind.CAN_11:
        return frame.ecu & 0x7F8 == 0x7E8
    return frame.ecu & 0x1FFFFF00 == 0x18DAF100


def _flow_continues(protocol: BusProtocol, ecu: int, settings: Settings) -> bool:
    """Whether the control unit gets a flow control frame it obeys, and so sends the rest of a long message."""
    if not settings.flow_control_on:
        return False
    control = settings.flow_control
    if control.mode == 0:
        return True
    if control.data[:1] != bytes([FLOW_CONTROL_CONTINUE]):
        return False
    return control.mode == 2 or addressee(protocol, control.header or 0).target == ecu
