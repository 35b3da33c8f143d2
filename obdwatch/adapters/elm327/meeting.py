"""From an adapter that answers to a car that answers: protocol, control units, parameters, pace.

What was found out is kept, so that reconnecting to the same car takes a few requests instead of some dozens.
"""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.adapters.elm327 import pace
from obdwatch.adapters.elm327.batching import probe
from obdwatch.adapters.elm327.car_link import CarLink
from obdwatch.adapters.elm327.contact import prepare
from obdwatch.adapters.elm327.exploring import CURRENT_DATA, CarOffer, agreed_bitmaps, explore
from obdwatch.adapters.elm327.interpreting import Interpreter
from obdwatch.adapters.elm327.protocol_search import FIRST_REQUEST, ProtocolSearch
from obdwatch.adapters.elm327.protocols import BusProtocol
from obdwatch.adapters.elm327.reaching import Reached
from obdwatch.adapters.elm327.timing import Timing
from obdwatch.adapters.elm327.transport import Transport
from obdwatch.adapters.elm327.voltage import decimals_of, voltage_of
from obdwatch.clock import Clock


@dataclass(frozen=True, slots=True)
class Acquaintance:
    """A car and adapter as they were met: everything that need not be found out again."""

    interpreter: Interpreter
    bitmaps: dict[int, bytes]
    offer: CarOffer
    timing: Timing
    parameters_per_request: int
    rate: float
    voltage_decimals: int

    @property
    def claims(self) -> dict[int, frozenset[int]]:
        """The service 01 ids each control unit supports."""
        return {ecu: frozenset(pids) for ecu, pids in self.offer.supported.items()}


def meet(
    reached: Reached, clock: Clock, protocol: BusProtocol | None, before: Acquaintance | None
) -> tuple[CarLink, Acquaintance]:
    """Set the adapter up and get to know the car; `protocol` is tried first. Raises AdapterSilent or CarSilent."""
    transport = reached.transport
    echo = prepare(transport, reached.port)
    interpreter = ProtocolSearch(transport, reached.port).find(protocol)
    transport.begin("finding out what the car offers")
    address_all(transport, interpreter.protocol)
    link = CarLink(transport, interpreter, clock, echo)
    if before is not None and _is_same_car(link, before):
        link.interpreter = before.interpreter
        link.claims = before.claims
        before.timing.apply(transport)
        link.timing = before.timing
        return link, before
    known = _get_to_know(link, clock)
    link.claims = known.claims
    return link, known


def address_all(transport: Transport, protocol: BusProtocol) -> None:
    """Send to every emission-related control unit; adapters that do not know the commands do so anyway."""
    for command in protocol.functional_header:
        transport.adapter_command(command)


def _is_same_car(link: CarLink, before: Acquaintance) -> bool:
    same_protocol = link.interpreter.protocol == before.interpreter.protocol
    return same_protocol and agreed_bitmaps(link, CURRENT_DATA, 0) == before.bitmaps


def _get_to_know(link: CarLink, clock: Clock) -> Acquaintance:
    offer, bitmaps = explore(link)
    timing = pace.tune(link, FIRST_REQUEST, offer.ecus)
    parameters = probe(link, offer.main_ecu, offer.supported[offer.main_ecu])
    rate = pace.measure_rate(link, FIRST_REQUEST, clock)
    link.interpreter.habits.learning = False
    decimals = _voltage_decimals(link.transport)
    return Acquaintance(link.interpreter, bitmaps, offer, timing, parameters, rate, decimals)


def _voltage_decimals(transport: Transport) -> int:
    """How many decimals this adapter gives; 0 where two answers do not agree or are no voltage."""
    texts = [transport.adapter_command("ATRV").text for _ in range(2)]
    if any(voltage_of(text) is None for text in texts):
        return 0
    decimals = {decimals_of(text) for text in texts}
    return decimals.pop() if len(decimals) == 1 else 0
