"""Trouble codes as bytes and as text (SAE J2012, ISO 15031-6), and the replies of services 03, 07 and 0A.

What a code means is said in `explanations`; here it is only read and written.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from obdwatch.errors import ShortReply, WrongReply
from obdwatch.records import CodeKind

CODE_SERVICES = {0x03: CodeKind.STORED, 0x07: CodeKind.PENDING, 0x0A: CodeKind.PERMANENT}
_LETTERS = "PCBU"
_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")
_CODES_PER_LEGACY_MESSAGE = 3
_PADDING = b"\x00\x00"


def decode_code(two_bytes: bytes) -> str:
    """Return a code as text, always in capitals: `b"\\x01\\x33"` is `P0133`.

    Raises ShortReply or WrongReply unless there are exactly two bytes.
    """
    if len(two_bytes) != 2:
        text = f"a trouble code has two bytes, not {len(two_bytes)}"
        raise ShortReply(text) if len(two_bytes) < 2 else WrongReply(text)
    number = int.from_bytes(two_bytes, "big")
    return f"{_LETTERS[number >> 14]}{number >> 12 & 3}{number & 0xFFF:03X}"


def encode_code(code: str) -> bytes:
    """Return the two bytes of a code such as `P0133`, in any case. Raises ValueError for anything else."""
    text = code.upper()
    if not _CODE.fullmatch(text):
        raise ValueError(f"'{code}' is not a trouble code such as P0133")
    number = _LETTERS.index(text[0]) << 14 | int(text[1]) << 12 | int(text[2:], 16)
    return number.to_bytes(2, "big")


def decode_codes(payload: bytes, can: bool) -> tuple[str, ...]:
    """Return the codes in a checked reply of service 03, 07 or 0A; empty only where the car says it has none.

    On CAN a count follows the service byte; older links send three codes per message. Padding (0000) is no code.
    Raises ShortReply or WrongReply for a reply that is not one.
    """
    data = _can_data(payload) if can else _legacy_data(payload)
    pairs = (data[place : place + 2] for place in range(0, len(data), 2))
    return tuple(decode_code(pair) for pair in pairs if pair != _PADDING)


def encode_codes(service: int, codes: Sequence[str], can: bool) -> list[bytes]:
    """Return the reply messages of a stand-in for service 03, 07 or 0A: one on CAN, one per three codes otherwise."""
    head = bytes([service + 0x40])
    data = [encode_code(code) for code in codes]
    if can:
        return [head + bytes([len(data)]) + b"".join(data)]
    step = _CODES_PER_LEGACY_MESSAGE
    data += [_PADDING] * (-len(data) % step or (0 if data else step))
    return [head + b"".join(data[place : place + step]) for place in range(0, len(data), step)]


def _can_data(payload: bytes) -> bytes:
    _check_service(payload)
    if len(payload) < 2:
        raise ShortReply("the list of codes ends before its count")
    if len(payload) != 2 + 2 * payload[1]:
        text = f"{payload[1]} codes announced, {len(payload) - 2} bytes received"
        raise ShortReply(text) if len(payload) < 2 + 2 * payload[1] else WrongReply(text)
    return payload[2:]


def _legacy_data(payload: bytes) -> bytes:
    _check_service(payload)
    size = 2 * _CODES_PER_LEGACY_MESSAGE
    if len(payload) == 1 or (len(payload) - 1) % size:
        raise ShortReply(f"a list of codes comes in messages of {size} bytes, {len(payload) - 1} received")
    return payload[1:]


def _check_service(payload: bytes) -> None:
    if not payload:
        raise ShortReply("an empty reply holds no list of codes")
    if payload[0] - 0x40 not in CODE_SERVICES:
        raise WrongReply(f"reply {payload[0]:02X} holds no list of codes")
