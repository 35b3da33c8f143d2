"""What stands behind a virtual adapter: a vehicle bus with control units that answer service requests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class BusReply:
    """The answer of one control unit, from its service byte on, `delay` [s] after the request was on the bus."""

    ecu: int
    payload: bytes
    delay: float = 0.0


class Bus(Protocol):
    """A car as an adapter sees it through the diagnostic connector.

    `protocol` is the ELM327 protocol digit (`6` ISO 15765-4 11 bit 500 kbit/s, `7` 29 bit, `3` ISO 9141-2, `5` ISO
    14230-4 fast ...).
    """

    protocol: str

    def request(self, payload: bytes, target: int | None, t: float) -> Sequence[BusReply]:
        """Answer service bytes sent at `t` [s] to one control unit (`target`, its reply address) or to all (None).

        Returns nothing when nobody answers (no such parameter, ignition off).
        """
        ...

    def supply_voltage(self, t: float) -> float:
        """Voltage at pin 16 [V]."""
        ...

    def ignition_on(self, t: float) -> bool:
        """Whether the ignition sense line is high."""
        ...
