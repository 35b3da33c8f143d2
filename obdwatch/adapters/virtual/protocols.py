"""The vehicle buses an ELM327-compatible adapter speaks, and how a request finds its control unit on each.

Names and digits are those an adapter reports to `AT DP` and `AT DPN` (ELM327 data sheet, from memory); addresses are
those of ISO 15765-4, ISO 14230-4, ISO 9141-2 and SAE J1850 as SAE J1979 uses them (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

TESTER = 0xF1  # the address of the tester on every bus with source and target bytes
CAN_11_FUNCTIONAL = 0x7DF
CAN_11_FIRST_REPLY = 0x7E8  # to 0x7EF; the request address of the same unit is 8 less
CAN_29_FUNCTIONAL = 0x18DB33F1
CAN_29_PHYSICAL = 0x18DA0000  # then target and source
ADDRESS_STEP = 8  # between the source bytes of neighbouring functions: engine 10, transmission 18 (SAE J2178)
ENGINE_SOURCE = 0x10


class BusKind(Enum):
    """How messages travel, which decides framing and timing."""

    CAN_11 = "CAN with 11-bit identifiers"
    CAN_29 = "CAN with 29-bit identifiers"
    K_LINE = "ISO 9141-2"
    K_LINE_KEYWORD = "ISO 14230-4"
    J1850 = "SAE J1850"


@dataclass(frozen=True, slots=True)
class BusProtocol:
    """One protocol: its digit and name to the user, the header of a functional request, the bit rate [kbit/s].

    `search_seconds` [s] is how long an automatic search needs to find out that nobody speaks it (a model; the
    five-baud initialisation alone sends ten bits at 5 bit/s).
    """

    digit: str
    name: str
    kind: BusKind
    functional: int
    rate: float
    search_seconds: float

    @property
    def is_can(self) -> bool:
        """Whether it is CAN, with segmented messages and several parameters per request."""
        return self.kind in (BusKind.CAN_11, BusKind.CAN_29)

    @property
    def is_k_line(self) -> bool:
        """Whether a session has to be initialised before the first request."""
        return self.kind in (BusKind.K_LINE, BusKind.K_LINE_KEYWORD)


_CAN_11, _CAN_29 = BusKind.CAN_11, BusKind.CAN_29

PROTOCOLS: dict[str, BusProtocol] = {
    protocol.digit: protocol
    for protocol in (
        BusProtocol("1", "SAE J1850 PWM", BusKind.J1850, 0x616AF1, 41.6, 0.15),
        BusProtocol("2", "SAE J1850 VPW", BusKind.J1850, 0x686AF1, 10.4, 0.15),
        BusProtocol("3", "ISO 9141-2", BusKind.K_LINE, 0x686AF1, 10.4, 2.6),
        BusProtocol("4", "ISO 14230-4 (KWP 5BAUD)", BusKind.K_LINE_KEYWORD, 0xC233F1, 10.4, 2.6),
        BusProtocol("5", "ISO 14230-4 (KWP FAST)", BusKind.K_LINE_KEYWORD, 0xC233F1, 10.4, 0.4),
        BusProtocol("6", "ISO 15765-4 (CAN 11/500)", _CAN_11, CAN_11_FUNCTIONAL, 500.0, 0.2),
        BusProtocol("7", "ISO 15765-4 (CAN 29/500)", _CAN_29, CAN_29_FUNCTIONAL, 500.0, 0.2),
        BusProtocol("8", "ISO 15765-4 (CAN 11/250)", _CAN_11, CAN_11_FUNCTIONAL, 250.0, 0.2),
        BusProtocol("9", "ISO 15765-4 (CAN 29/250)", _CAN_29, CAN_29_FUNCTIONAL, 250.0, 0.2),
        BusProtocol("A", "SAE J1939 (CAN 29/250)", _CAN_29, CAN_29_FUNCTIONAL, 250.0, 0.2),
        BusProtocol("B", "USER1 (CAN 11/125)", _CAN_11, CAN_11_FUNCTIONAL, 125.0, 0.2),
        BusProtocol("C", "USER2 (CAN 11/50)", _CAN_11, CAN_11_FUNCTIONAL, 50.0, 0.2),
    )
}

SEARCH_ORDER = "687953412"  # the quick ones first; A, B and C are never searched for (common practice)


@dataclass(frozen=True, slots=True)
class Addressee:
    """Who hears a request: nobody, one control unit (`target`, its reply address), or all (`target` None)."""

    heard: bool
    target: int | None = None


NOBODY = Addressee(heard=False)
EVERYBODY = Addressee(heard=True)


def addressee(protocol: BusProtocol, header: int) -> Addressee:
    """Find out who hears a request sent under `header` (identifier on CAN, three header bytes elsewhere)."""
    if header == protocol.functional:
        return EVERYBODY
    match protocol.kind:
        case BusKind.CAN_11 if 0x7E0 <= header <= 0x7E7:
            return Addressee(heard=True, target=header + 8)
        case BusKind.CAN_29 if header & 0xFFFF00FF == CAN_29_PHYSICAL | TESTER:
            return Addressee(heard=True, target=CAN_29_PHYSICAL | TESTER << 8 | header >> 8 & 0xFF)
        case BusKind.K_LINE_KEYWORD if header >> 22 == 0b11 and header >> 8 & 0xFF == 0x33:
            return EVERYBODY  # the length bits of the format byte are the adapter's own business
        case BusKind.K_LINE_KEYWORD if header >> 22 == 0b10:
            return Addressee(heard=True, target=header >> 8 & 0xFF)
        case _:
            return NOBODY


def reply_address(protocol: BusProtocol, number: int) -> int:
    """Reply address of control unit `number` (0 engine, 1 transmission, ...) on this bus."""
    if protocol.kind is BusKind.CAN_11:
        return CAN_11_FIRST_REPLY + number
    source = ENGINE_SOURCE + ADDRESS_STEP * number
    if protocol.kind is BusKind.CAN_29:
        return CAN_29_PHYSICAL | TESTER << 8 | source
    return source
