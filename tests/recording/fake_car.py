"""A car and its adapter in one, for the tests of this folder: answers at once under an injected clock."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field

from obdwatch.adapters.adapter import DEFAULT_DEADLINE
from obdwatch.clock import InjectedClock
from obdwatch.decoding.parameters import fields_of, possible_lengths, support_bitmap
from obdwatch.errors import CarSilent, ConnectionLost
from obdwatch.records import Connection, Exchange, ReplyStatus

ENGINE = 0x7E8
USUAL_PIDS = (
    *(0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x14, 0x15, 0x1C, 0x1F, 0x21),
    *(0x2E, 0x2F, 0x30, 0x31, 0x33, 0x42, 0x43, 0x44, 0x45, 0x46, 0x47, 0x49, 0x4A, 0x4C, 0x51),
)
USUAL_MONITORS = (
    0x01,
    0x02,
    0x05,
    0x21,
    0x31,
    0x35,
    0x36,
    0x39,
    0x3A,
    0x3B,
    0x3C,
    0x41,
    0x42,
    0xA1,
    0xA2,
    0xA3,
    0xA4,
    0xA5,
)


@dataclass
class FakeCar:
    """Implements `Adapter`. Replace `answer`, or set the switches, to misbehave."""

    clock: InjectedClock
    pids: Collection[int] = USUAL_PIDS
    monitors: Collection[int] = USUAL_MONITORS
    most: int = 6
    seconds_per_request: float = 0.04
    engine_speed: Callable[[float], float] = lambda t: 800.0
    awake: Callable[[float], bool] = lambda t: True
    plugged: Callable[[float], bool] = lambda t: True
    volts: Callable[[float], float] = lambda t: 12.6
    refused: Collection[int] = ()
    alone: Collection[int] = ()
    codes: Mapping[int, bytes] = field(default_factory=dict)
    requests: list[tuple[float, bytes]] = field(default_factory=list)
    keeps_requests: bool = True
    opened: int = 0
    closed: int = 0

    def connect(self) -> Connection:
        self.opened += 1
        if not self.plugged(self.clock.elapsed()):
            raise ConnectionLost("the adapter is gone")
        if not self.awake(self.clock.elapsed()):
            raise CarSilent("the car does not answer; is the ignition on?")
        return self.connection()

    def connection(self) -> Connection:
        return Connection(
            port="fake",
            adapter="fake adapter",
            protocol="ISO 15765-4 (CAN 11/500)",
            ecus=(ENGINE,),
            supported={ENGINE: tuple(self.pids)},
            parameters_per_request=self.most,
            rate=1.0 / self.seconds_per_request,
            services={ENGINE: {0x06: tuple(self.monitors), 0x09: (0x02, 0x04, 0x06)}},
        )

    def request(self, payload: bytes, deadline: float = DEFAULT_DEADLINE) -> tuple[Exchange, ...]:
        t = self._sent(payload)
        if not self.awake(t):
            self.clock.sleep(min(deadline, 0.2))
            return (self._exchange(t, payload, ReplyStatus.NO_DATA),)
        self.clock.sleep(self.seconds_per_request)
        answer = self.answer(payload, t)
        if answer is None:
            return (self._exchange(t, payload, ReplyStatus.NO_DATA),)
        return (self._exchange(t, payload, ReplyStatus.OK, answer),)

    def voltage(self) -> Exchange:
        t = self._sent(b"ATRV")
        self.clock.sleep(self.seconds_per_request)
        return self._exchange(t, b"ATRV", ReplyStatus.OK, f"{self.volts(t):.1f}V".encode())

    def close(self) -> None:
        self.closed += 1

    def answer(self, payload: bytes, t: float) -> bytes | None:
        """The reply of the engine's control unit, None for silence."""
        service, rest = payload[0], payload[1:]
        if service == 0x01:
            if rest == b"\x00":
                return b"\x41\x00" + support_bitmap(self.pids, 0x00)
            known = [pid for pid in rest if pid in self.pids and pid not in self.refused]
            known = [pid for pid in known if len(rest) == 1 or pid not in self.alone]
            return b"\x41" + b"".join(bytes((pid,)) + self.data(pid, t) for pid in known) if known else None
        if service == 0x06:
            return bytes((0x46, rest[0], 0x0B, 0x24)) + bytes(6) if rest[0] in self.monitors else None
        if service == 0x09:
            return bytes((0x49, rest[0], 0x01)) + b"0" * 17
        if service in (0x03, 0x07, 0x0A):
            return bytes((service + 0x40,)) + self.codes.get(service, b"\x00")
        if payload == b"\x02\x02\x00":
            return b"\x42\x02\x00" + (self.codes.get(0x03, b"\x00\x00\x00")[1:3])
        return None

    def data(self, pid: int, t: float) -> bytes:
        if pid == 0x0C:
            return round(4 * self.engine_speed(t)).to_bytes(2, "big")
        return bytes(possible_lengths(pid)[0]) if fields_of(pid) else b"\x00"

    def _sent(self, payload: bytes) -> float:
        t = self.clock.elapsed()
        if not self.plugged(t):
            raise ConnectionLost("the adapter is gone")
        if self.keeps_requests:
            self.requests.append((t, payload))
        return t

    def _exchange(self, t: float, request: bytes, status: ReplyStatus, payload: bytes | None = None) -> Exchange:
        ecu = ENGINE if payload is not None and request != b"ATRV" else None
        return Exchange(t, self.clock.elapsed() - t, request, ecu, status, payload)
