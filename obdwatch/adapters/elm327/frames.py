"""Single lines checked strictly, before anything is assembled from them.

A line is a frame only when its header is one a control unit answers with, its length is possible and, on the buses
before CAN, its checksum is right. Everything else is damage.
"""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.adapters.elm327.checksums import iso_checksum, j1850_checksum
from obdwatch.adapters.elm327.padding import FULL_FRAME
from obdwatch.adapters.elm327.protocols import Family

CAN_11_REPLIES = range(0x7E8, 0x7F0)  # ISO 15765-4: answers of up to eight control units
CAN_29_REPLY = 0x18DAF100  # ISO 15765-4: to the tester (F1), source in the last byte
TESTER = 0xF1
LEGACY_DATA = range(1, 8)  # SAE J1979: data bytes of a message before CAN
_LEGACY_HEADERS = {Family.J1850_PWM: b"\x41\x6b", Family.J1850_VPW: b"\x48\x6b", Family.ISO_9141: b"\x48\x6b"}


@dataclass(frozen=True, slots=True)
class Frame:
    """One checked line: who sent it, its text, and its data (CAN: from the length byte on; else without checksum)."""

    ecu: int
    text: str
    data: bytes


def frame_of(line: str, family: Family) -> Frame | None:
    """Check one line of hexadecimal digits; None when it is no frame a control unit could have sent."""
    if family is Family.CAN_11:
        return _can_frame(line, 3)
    if family is Family.CAN_29:
        return _can_frame(line, 8)
    return _legacy_frame(line, family)


def _can_frame(line: str, header_digits: int) -> Frame | None:
    body = line[header_digits:]
    if len(body) % 2 or not 2 <= len(body) // 2 <= FULL_FRAME:
        return None
    ecu = int(line[:header_digits], 16)
    known = ecu in CAN_11_REPLIES if header_digits == 3 else ecu & ~0xFF == CAN_29_REPLY
    return Frame(ecu, line, bytes.fromhex(body)) if known else None


def _legacy_frame(line: str, family: Family) -> Frame | None:
    if len(line) % 2:
        return None
    message = bytes.fromhex(line)
    header, data, checksum = message[:3], message[3:-1], message[-1]
    checksum_of = j1850_checksum if family in (Family.J1850_PWM, Family.J1850_VPW) else iso_checksum
    if len(data) not in LEGACY_DATA or checksum_of(message[:-1]) != checksum:
        return None
    return Frame(header[2], line, data) if _legacy_header_fits(header, len(data), family) else None


def _legacy_header_fits(header: bytes, data_length: int, family: Family) -> bool:
    if family is not Family.ISO_14230:
        return header[:2] == _LEGACY_HEADERS[family]
    addressed = header[0] & 0xC0 in (0x80, 0xC0)  # ISO 14230-2: physical or functional address, length in six bits
    return addressed and header[0] & 0x3F == data_length and header[1] == TESTER
