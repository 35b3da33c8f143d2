"""One request to the car with everything that a single reply may call for: waiting on, asking again, resynchronising.

Stands between the transport, which knows texts, and the adapter, which knows the session.
"""

from __future__ import annotations

from collections import Counter

from obdwatch.adapters.elm327.conditions import Condition
from obdwatch.adapters.elm327.interpreting import NEGATIVE, Interpreter, Reply
from obdwatch.adapters.elm327.judging import Claims, judge
from obdwatch.adapters.elm327.timing import CAUTIOUS, PATIENT
from obdwatch.adapters.elm327.transport import RawReply, Transport
from obdwatch.clock import Clock
from obdwatch.records import Exchange, ReplyStatus

BUSY = 0x21  # ISO 14229-1 negative response: busy, repeat the request
BUSY_RETRIES = 3
BUSY_PAUSE = 0.1  # s between two tries
SHORTEST_TRY = 0.05  # s; with less left of the deadline nothing is asked again


class CarLink:
    """Asks the car through one adapter; `timing` is what the adapter was last told, `echo` whether it echoes."""

    def __init__(self, transport: Transport, interpreter: Interpreter, clock: Clock, echo: bool = False) -> None:
        self.transport = transport
        self.interpreter = interpreter
        self.timing = CAUTIOUS
        self.echo = echo
        self.protocol_lost = False
        self.last_raw: RawReply | None = None
        self.claims: Claims = {}  # once known, the service 01 ids each control unit supports
        self.strangers: Counter[int] = Counter()
        self._clock = clock

    def ask(self, payload: bytes, deadline: float) -> tuple[Exchange, ...]:
        """Send `payload` and judge the reply; raises ConnectionLost, and ValueError for a forbidden service."""
        give_up = self._clock.monotonic() + deadline
        repeated = False
        busy_left = BUSY_RETRIES
        patient = False
        try:
            while True:
                raw, reply = self._once(payload, max(0.0, give_up - self._clock.monotonic()))
                enough_time = give_up - self._clock.monotonic() > SHORTEST_TRY
                if not enough_time:
                    break
                if _out_of_step(reply) and not repeated:
                    repeated = True
                elif reply.pending and not reply.messages and not patient:
                    patient = True
                    PATIENT.apply(self.transport)
                elif _all_busy(reply) and busy_left:
                    busy_left -= 1
                    self._clock.sleep(BUSY_PAUSE)
                else:
                    break
        finally:
            if patient:
                self.timing.apply(self.transport)
        return self._judged(payload, raw, reply)

    def _once(self, payload: bytes, deadline: float) -> tuple[RawReply, Reply]:
        raw = self.last_raw = self.transport.service(payload, deadline)
        reply = self.interpreter.read(raw.text, raw.command, raw.complete)
        self.strangers.update(reply.strangers)
        if reply.echoed and not self.echo:
            self.transport.reset_seen = True  # echo is back on: the adapter has forgotten its settings
        if Condition.DISCONNECTED in reply.conditions:
            self.protocol_lost = True
        if _out_of_step(reply) or (reply.damaged and not reply.messages):
            self.transport.distrust()
        return raw, reply

    def _judged(self, payload: bytes, raw: RawReply, reply: Reply) -> tuple[Exchange, ...]:
        exchanges = judge(payload, raw, reply, self.interpreter.protocol.can, self.claims)
        if any(exchange.status is ReplyStatus.WRONG_REPLY for exchange in exchanges):
            self.transport.distrust()  # perhaps the answer to an earlier question
        return exchanges


def _out_of_step(reply: Reply) -> bool:
    stopped = reply.conditions & {Condition.STOPPED, Condition.NOT_UNDERSTOOD}
    return not reply.messages and (bool(stopped) or reply.empty)


def _all_busy(reply: Reply) -> bool:
    return bool(reply.messages) and all(
        len(message.payload) == 3 and message.payload[0] == NEGATIVE and message.payload[2] == BUSY
        for message in reply.messages
    )
