"""A virtual car that writes down every reply it really sends, to compare a recording with."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

from obdwatch.adapters.virtual.bus import BusReply
from obdwatch.adapters.virtual.car_bus import CarBus
from obdwatch.adapters.virtual.interpreter import ElmInterpreter
from obdwatch.adapters.virtual.scaled_clock import ScaledClock
from obdwatch.adapters.virtual.server import serving
from obdwatch.adapters.virtual.timing import AdapterTiming
from obdwatch.simulation.car import VirtualCar
from obdwatch.simulation.layouts import layout_named
from obdwatch.simulation.trips import trip_named


class WitnessedBus:
    """A bus that keeps what its control units sent: (request, control unit, reply)."""

    def __init__(self, bus: CarBus) -> None:
        self._bus = bus
        self.protocol = bus.protocol
        self.sent: set[tuple[bytes, int, bytes]] = set()

    def request(self, payload: bytes, target: int | None, t: float) -> Sequence[BusReply]:
        replies = self._bus.request(payload, target, t)
        self.sent |= {(payload, reply.ecu, reply.payload) for reply in replies}
        for ecu in {reply.ecu for reply in replies}:
            self.sent.add((payload, ecu, _joined([reply.payload for reply in replies if reply.ecu == ecu])))
        return replies

    def supply_voltage(self, t: float) -> float:
        return self._bus.supply_voltage(t)

    def ignition_on(self, t: float) -> bool:
        return self._bus.ignition_on(t)


def _joined(messages: list[bytes]) -> bytes:
    """Several K-line messages as one: service and item once, message numbers left out (ISO 15031-5)."""
    head, data = (2, 3) if messages[0][0] == 0x49 else (1, 1)
    return messages[0][:head] + b"".join(message[data:] for message in messages)


@contextmanager
def served_car(protocol: str = "6", request_time: float | None = 0.02) -> Iterator[tuple[WitnessedBus, str]]:
    """Serve a car that is being driven; gives its witness and the port to open."""
    trip = replace(trip_named("hwfet"), crank_at=1.0)
    bus = WitnessedBus(CarBus(VirtualCar(layout_named("vee_six_both"), trip, seed=3), protocol))
    clock = ScaledClock()
    interpreter = ElmInterpreter(bus, clock, timing=AdapterTiming(request_time=request_time))
    with serving(interpreter, clock) as port:
        yield bus, port
