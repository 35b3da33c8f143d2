"""The virtual car on the wire: its snapshots become the replies of its control units."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from enum import StrEnum
from typing import Protocol

from obdwatch.adapters.virtual.bus import BusReply
from obdwatch.adapters.virtual.protocols import CAN_11_FIRST_REPLY, PROTOCOLS, reply_address
from obdwatch.adapters.virtual.service_replies import Refusal, reply_messages
from obdwatch.errors import InputError
from obdwatch.records import CodeKind
from obdwatch.simulation.snapshot import CarSnapshot, EcuSnapshot

ERASE = 0x04
NEGATIVE = 0x7F
CONDITIONS_NOT_CORRECT = 0x22  # ISO 14229-1
FIRST_DELAY = 0.006  # s; control units answer within 50 ms (P2, ISO 15765-4), usually far sooner (common practice)
DELAY_STEP = 0.002  # s; the next unit a little later
K_LINE_DELAY = 0.03  # s; P2 lies between 25 and 50 ms (ISO 14230-2, from memory)


class SnapshotSource(Protocol):
    """A car that can be looked at; `t` [s] never goes back from one call to the next."""

    def snapshot(self, t: float) -> CarSnapshot:
        """The car at `t`."""
        ...


class Refusing(StrEnum):
    """When a control unit says that it does not support a request, instead of keeping silent."""

    NEVER = "never"
    WHEN_ADDRESSED = "when_addressed"  # asked alone, as SAE J1979 has it
    ALWAYS = "always"  # some do


class CarBus:
    """A `Bus` with a car on it.

    `erase_with_engine_running` False makes service 04 be refused while the engine runs. A car with a method
    `erase_codes(t)` erases by itself; for any other its codes, freeze frame, readiness and results appear erased.
    """

    def __init__(
        self,
        car: SnapshotSource,
        protocol: str = "6",
        refusing: Refusing = Refusing.WHEN_ADDRESSED,
        erase_with_engine_running: bool = True,
    ) -> None:
        if protocol not in PROTOCOLS:
            raise InputError(f"protocol {protocol!r}: use one of {', '.join(PROTOCOLS)}")
        self.protocol = protocol
        self._car = car
        self._protocol = PROTOCOLS[protocol]
        self._refusing = refusing
        self._erase_running = erase_with_engine_running
        self._erased = False
        self._latest = 0.0

    def request(self, payload: bytes, target: int | None, t: float) -> Sequence[BusReply]:
        """See `Bus.request`."""
        car = self._at(t)
        if not car.awake or not payload:
            return ()
        asked = [(address, unit) for address, unit in self._units(car) if target in (None, address)]
        if payload == bytes([ERASE]):
            return self._erase(car, asked)
        return [
            BusReply(address, message, self._delay(place))
            for place, (address, unit) in enumerate(asked)
            for message in self._messages(unit, payload, alone=target is not None)
        ]

    def supply_voltage(self, t: float) -> float:
        """See `Bus.supply_voltage`."""
        return self._at(t).supply_voltage

    def ignition_on(self, t: float) -> bool:
        """See `Bus.ignition_on`."""
        return self._at(t).ignition_on

    def _at(self, t: float) -> CarSnapshot:
        # A request that was broken off may have looked further ahead than the next one starts.
        self._latest = max(self._latest, t)
        return self._car.snapshot(self._latest)

    def _units(self, car: CarSnapshot) -> Iterator[tuple[int, EcuSnapshot]]:
        """The control units with their reply addresses on this bus; those of 11-bit CAN number them."""
        for place, unit in enumerate(car.ecus):
            number = unit.ecu - CAN_11_FIRST_REPLY
            address = reply_address(self._protocol, number if 0 <= number < 8 else place)
            yield address, after_erasing(unit) if self._erased else unit

    def _messages(self, unit: EcuSnapshot, payload: bytes, alone: bool) -> list[bytes]:
        try:
            return reply_messages(unit, payload, self._protocol.is_can)
        except Refusal as refusal:
            return [bytes([NEGATIVE, payload[0], refusal.code])] if self._refuses(alone) else []

    def _refuses(self, alone: bool) -> bool:
        if not self._protocol.is_can and self._protocol.digit not in "45":
            return False  # negative replies came with ISO 14230-4
        return self._refusing is Refusing.ALWAYS or (alone and self._refusing is Refusing.WHEN_ADDRESSED)

    def _erase(self, car: CarSnapshot, asked: Sequence[tuple[int, EcuSnapshot]]) -> Sequence[BusReply]:
        message = bytes([ERASE + 0x40])
        if car.engine_running and not self._erase_running:
            message = bytes([NEGATIVE, ERASE, CONDITIONS_NOT_CORRECT])
        elif asked:
            erase = getattr(self._car, "erase_codes", None)
            if erase is None:
                self._erased = True
            else:
                erase(self._latest)
        return [BusReply(address, message, self._delay(place)) for place, (address, _) in enumerate(asked)]

    def _delay(self, place: int) -> float:
        return (FIRST_DELAY if self._protocol.is_can else K_LINE_DELAY) + place * DELAY_STEP


def after_erasing(unit: EcuSnapshot) -> EcuSnapshot:
    """The control unit once its emission-related information was erased (SAE J1979 service 04).

    Permanent codes stay; readiness starts anew; results are all zero until their monitor has run again.
    """
    permanent = unit.codes.get(CodeKind.PERMANENT, ())
    return replace(
        unit,
        codes={CodeKind.PERMANENT: permanent} if permanent else {},
        lamp_on=False,
        monitor_support={name: (has, not has) for name, (has, _) in unit.monitor_support.items()},
        monitors=tuple(
            replace(result, raw=(0, 0, 0), value=0.0, minimum=0.0, maximum=0.0, completed=False)
            for result in unit.monitors
        ),
        freeze_frame=None,
    )
