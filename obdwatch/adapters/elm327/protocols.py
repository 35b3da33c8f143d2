"""The vehicle bus protocols of OBD-II under the digit an ELM327-compatible adapter gives them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum


class Family(Enum):
    """How the protocols frame and protect a message."""

    CAN_11 = "11 bit CAN"
    CAN_29 = "29 bit CAN"
    J1850_PWM = "J1850 PWM"
    J1850_VPW = "J1850 VPW"
    ISO_9141 = "ISO 9141-2"
    ISO_14230 = "ISO 14230-4"


@dataclass(frozen=True, slots=True)
class BusProtocol:
    """One protocol: the adapter's digit, its name for the user, its family, and python-OBD's parser class."""

    digit: str
    name: str
    family: Family
    parser: str

    @property
    def can(self) -> bool:
        """Whether messages travel as ISO 15765-2 frames."""
        return self.family in (Family.CAN_11, Family.CAN_29)

    @property
    def functional_header(self) -> tuple[str, ...]:
        """The commands that address every emission-related control unit (ISO 15765-4); none on older buses."""
        if self.family is Family.CAN_11:
            return ("ATSH7DF",)
        return ("ATCP18", "ATSHDB33F1") if self.family is Family.CAN_29 else ()


PROTOCOLS: tuple[BusProtocol, ...] = (
    BusProtocol("6", "ISO 15765-4 (CAN 11 bit, 500 kbit/s)", Family.CAN_11, "ISO_15765_4_11bit_500k"),
    BusProtocol("8", "ISO 15765-4 (CAN 11 bit, 250 kbit/s)", Family.CAN_11, "ISO_15765_4_11bit_250k"),
    BusProtocol("7", "ISO 15765-4 (CAN 29 bit, 500 kbit/s)", Family.CAN_29, "ISO_15765_4_29bit_500k"),
    BusProtocol("9", "ISO 15765-4 (CAN 29 bit, 250 kbit/s)", Family.CAN_29, "ISO_15765_4_29bit_250k"),
    BusProtocol("5", "ISO 14230-4 (fast initialisation)", Family.ISO_14230, "ISO_14230_4_fast"),
    BusProtocol("4", "ISO 14230-4 (5 baud initialisation)", Family.ISO_14230, "ISO_14230_4_5baud"),
    BusProtocol("3", "ISO 9141-2", Family.ISO_9141, "ISO_9141_2"),
    BusProtocol("2", "SAE J1850 VPW", Family.J1850_VPW, "SAE_J1850_VPW"),
    BusProtocol("1", "SAE J1850 PWM", Family.J1850_PWM, "SAE_J1850_PWM"),
)
PROTOCOL_BY_DIGIT = {protocol.digit: protocol for protocol in PROTOCOLS}

# A described protocol (ATDP) by the words that single it out; for adapters that do not know ATDPN.
_DESCRIPTIONS: tuple[tuple[str, str], ...] = (
    (r"11/500", "6"),
    (r"29/500", "7"),
    (r"11/250", "8"),
    (r"29/250", "9"),
    (r"14230.*FAST|KWP.*FAST", "5"),
    (r"14230|KWP", "4"),
    (r"9141", "3"),
    (r"VPW", "2"),
    (r"PWM", "1"),
)


def protocol_from_number(answer: str) -> BusProtocol | None:
    """The protocol an answer to ATDPN (`6`, `A6`) names, None for anything else."""
    match = re.fullmatch(r"A?([1-9])", answer)
    return PROTOCOL_BY_DIGIT[match.group(1)] if match else None


def protocol_from_description(answer: str) -> BusProtocol | None:
    """The protocol an answer to ATDP (`AUTO, ISO 15765-4 (CAN 11/500)`) describes, None for anything else."""
    for pattern, digit in _DESCRIPTIONS:
        if re.search(pattern, answer.upper()):
            return PROTOCOL_BY_DIGIT[digit]
    return None


def protocol_from_frame(hex_line: str) -> BusProtocol | None:
    """The likeliest protocol by the header of an answer to 0100; the last resort, so only where it is unmistakable."""
    if re.match(r"7E[89A-F]0641", hex_line):
        return PROTOCOL_BY_DIGIT["6"]
    if re.match(r"18DAF1..0641", hex_line):
        return PROTOCOL_BY_DIGIT["7"]
    if re.match(r"[8C]6F1..41", hex_line):
        return PROTOCOL_BY_DIGIT["5"]
    if re.match(r"416B..41", hex_line):
        return PROTOCOL_BY_DIGIT["1"]
    return None
