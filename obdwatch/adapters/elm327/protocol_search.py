"""Finds the bus protocol on which the car answers, and says what it is when none does.

Only a whole and proper answer to the first request (service 01, parameter 00) counts as a car; an adapter that merely
goes on talking does not.
"""

from __future__ import annotations

from collections.abc import Iterable

from obdwatch.adapters.elm327.conditions import Condition
from obdwatch.adapters.elm327.contact import words
from obdwatch.adapters.elm327.interpreting import Interpreter
from obdwatch.adapters.elm327.protocols import (
    PROTOCOL_BY_DIGIT,
    PROTOCOLS,
    BusProtocol,
    protocol_from_description,
    protocol_from_frame,
    protocol_from_number,
)
from obdwatch.adapters.elm327.reply_text import sort_lines
from obdwatch.adapters.elm327.transport import RawReply, Transport
from obdwatch.adapters.elm327.voltage import voltage_of
from obdwatch.decoding.replies import check_reply
from obdwatch.errors import CarSilent, ReplyError

FIRST_REQUEST = b"\x01\x00"
KNOWN_DEADLINE = 3.0  # s on the protocol that worked last time
SEARCH_DEADLINE = 20.0  # s; adapters try up to nine protocols, the slowest for about five seconds each
CAN_DEADLINE = 1.5  # s
SLOW_DEADLINE = 5.0  # s; waking a bus at 5 baud takes about three (ISO 9141-2)
DAMAGE_RETRIES = 3


class ProtocolSearch:
    """One search for the car behind `transport`."""

    def __init__(self, transport: Transport, port: str) -> None:
        self._transport = transport
        self._port = port
        self._heard: list[str] = []

    def find(self, last: BusProtocol | None) -> Interpreter:
        """Return an interpreter for the protocol the car answers on, `last` tried first; raises CarSilent."""
        self._transport.begin("waiting for the car to answer")
        if last is not None:
            found = self._fixed(last, KNOWN_DEADLINE)
            if found is not None:
                return found
        found = self._automatic() or self._one_by_one()
        if found is None:
            raise CarSilent(self._silence())
        return found

    def _fixed(self, protocol: BusProtocol, deadline: float) -> Interpreter | None:
        if words(self._transport.adapter_command(f"ATTP{protocol.digit}"))[-1:] != ["OK"]:
            return None
        return self._understood(self._first_reply(deadline), [protocol])

    def _automatic(self) -> Interpreter | None:
        if words(self._transport.adapter_command("ATSP0"))[-1:] != ["OK"]:
            self._transport.adapter_command("ATTP0")
        for _ in range(DAMAGE_RETRIES):
            reply = self._first_reply(SEARCH_DEADLINE)
            lines = sort_lines(reply.text, reply.command)
            if not lines.hex_lines:
                return None
            found = self._understood(reply, self._named_protocols(lines.hex_lines))
            if found is not None:
                return found
        return None

    def _named_protocols(self, hex_lines: tuple[str, ...]) -> list[BusProtocol]:
        """What the adapter says the protocol is, then what the frames look like."""
        number = words(self._transport.adapter_command("ATDPN"))
        description = words(self._transport.adapter_command("ATDP"))
        named = [
            protocol_from_number(number[-1]) if number else None,
            protocol_from_description(description[-1]) if description else None,
            *(protocol_from_frame(line) for line in hex_lines),
        ]
        return list(dict.fromkeys(protocol for protocol in named if protocol))

    def _one_by_one(self) -> Interpreter | None:
        """For adapters whose automatic search fails; after a clear "unable to connect" only the quick buses."""
        clear = any("UNABLE" in text.upper() for text in self._heard)
        for protocol in PROTOCOLS:
            if protocol.can or not clear:
                found = self._fixed(protocol, CAN_DEADLINE if protocol.can else SLOW_DEADLINE)
                if found is not None:
                    return found
        return None

    def _first_reply(self, deadline: float) -> RawReply:
        reply = self._transport.service(FIRST_REQUEST, deadline)
        stumbled = sort_lines(reply.text, reply.command)
        if stumbled.empty or stumbled.conditions & {Condition.STOPPED, Condition.NOT_UNDERSTOOD}:
            self._transport.distrust()
            reply = self._transport.service(FIRST_REQUEST, deadline)
        self._heard.append(reply.text)
        return reply

    def _understood(self, reply: RawReply, protocols: Iterable[BusProtocol]) -> Interpreter | None:
        for protocol in protocols:
            interpreter = Interpreter(protocol)
            messages = interpreter.read(reply.text, reply.command, reply.complete).messages
            if any(_answers_first(message.payload, protocol.can) for message in messages):
                return interpreter
        return None

    def _silence(self) -> str:
        voltage = voltage_of(self._transport.adapter_command("ATRV").text)
        supply = f"{voltage:.1f} V at the plug" if voltage is not None else "voltage at the plug unknown"
        last = " ".join(self._heard[-1].split()) if self._heard else ""
        said = f"adapter says {last!r}, {supply}" if last else supply
        return f"{self._port}: the adapter answers, the car does not ({said}); switch the ignition on and try again"


def _answers_first(payload: bytes, can: bool) -> bool:
    try:
        check_reply(FIRST_REQUEST, payload, can)
    except ReplyError:
        return False
    return True


def protocol_of(digit: str | None) -> BusProtocol | None:
    """The protocol with this digit, None where there is none."""
    return PROTOCOL_BY_DIGIT.get(digit or "")
