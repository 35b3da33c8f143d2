"""Service 09: vehicle identification number, calibrations, in-use counters and the control unit's name.

On CAN a reply is one piece with a count of items; on older links it comes in numbered messages of four bytes, which
`join_messages` puts together. Everything is kept as it came: nothing is cut off but padding.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from obdwatch.decoding.parameters import supported_in
from obdwatch.decoding.replies import ITEM_BYTES, LEGACY_LENGTHS, LEGACY_MESSAGE_BYTES, information_content
from obdwatch.decoding.tables import table_rows
from obdwatch.errors import ShortReply, WrongReply
from obdwatch.records import VehicleInformation

VIN, CALIBRATION_ID, CALIBRATION_VERIFICATION, ECU_NAME = 0x02, 0x04, 0x06, 0x0A
SPARK_COUNTERS, COMPRESSION_COUNTERS = 0x08, 0x0B
_REPLY = 0x49
_VIN_LENGTH = 17
_VIN_PATTERN = re.compile(r"[A-HJ-NPR-Z0-9]{17}")
_PADDING = b"\x00"
# 49 CFR 565.15, tables III and IV: what each letter counts, and the weight of each place (0: the check digit itself).
_LETTER_VALUES = dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", "12345678123457923456789", strict=True))
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_CHECK_PLACE = 8


def _read_counters() -> dict[int, tuple[str, ...]]:
    rows = table_rows("in_use_counters.csv")
    return {item: tuple(row["key"] for row in rows if int(row["item"], 16) == item) for item in (0x08, 0x0B)}


IN_USE_COUNTERS: Mapping[int, tuple[str, ...]] = MappingProxyType(_read_counters())
"""The names of the in-use counters in order, for spark (08) and compression ignition (0B)."""


def vin_check_digit(vin: str) -> str:
    """Return the check digit that a 17-character VIN must have in its ninth place (49 CFR 565.15).

    Raises ValueError for characters a VIN cannot have.

    >>> vin_check_digit("1" * 17)
    '1'
    """
    if not _VIN_PATTERN.fullmatch(vin):
        raise ValueError("a VIN has 17 digits or capital letters, without I, O and Q")
    total = sum(int(_LETTER_VALUES.get(sign, sign)) * weight for sign, weight in zip(vin, _WEIGHTS, strict=True))
    return "X" if total % 11 == 10 else str(total % 11)


def vin_fits(vin: str) -> bool | None:
    """Whether the check digit of a VIN fits; None for a text that is no 17 characters long.

    North America requires the digit; elsewhere a VIN without one is no error.
    """
    if len(vin) != _VIN_LENGTH:
        return None
    return bool(_VIN_PATTERN.fullmatch(vin)) and vin_check_digit(vin) == vin[_CHECK_PLACE]


def join_messages(messages: Sequence[bytes]) -> bytes:
    """Put the numbered messages `49 item number data` of an older link together, in their order, without the numbers.

    Raises ShortReply where one is missing and WrongReply where they do not belong together.
    """
    if not messages or any(len(message) != 3 + LEGACY_MESSAGE_BYTES for message in messages):
        raise ShortReply("a reply of service 09 comes in messages of seven bytes")
    ordered = sorted(set(messages), key=lambda message: message[2])
    if ordered[0][0] != _REPLY or len({message[:2] for message in ordered}) > 1:
        raise WrongReply("these messages are not one reply of service 09")
    if [message[2] for message in ordered] != list(range(1, len(ordered) + 1)):
        raise ShortReply("a message of service 09 is missing or came in two versions")
    return ordered[0][:2] + b"".join(message[3:] for message in ordered)


def supported_items(payload: bytes) -> tuple[int, ...]:
    """Return the items that a checked reply to item 00 claims."""
    return supported_in(payload[1], information_content(payload, None))


def decode_texts(payload: bytes, can: bool | None = None) -> tuple[str, ...]:
    """Return the texts of a checked reply of item 02, 04 or 0A, without padding.

    Raises ShortReply or WrongReply for a wrong length and for bytes that are no text.
    """
    content, item = information_content(payload, can), payload[1]
    if item == VIN:  # on older links with padding in front
        return (_text(content),)
    size = ITEM_BYTES[item]
    return tuple(_text(content[place : place + size]) for place in range(0, len(content), size))


def decode_verification(payload: bytes, can: bool | None = None) -> tuple[str, ...]:
    """Return the calibration verification numbers of a checked reply of item 06, eight hexadecimal digits each."""
    content, size = information_content(payload, can), ITEM_BYTES[CALIBRATION_VERIFICATION]
    return tuple(content[place : place + size].hex().upper() for place in range(0, len(content), size))


def decode_counters(payload: bytes, can: bool | None = None) -> dict[str, int]:
    """Return the in-use counters of a checked reply of item 08 or 0B by name.

    A counter beyond the published ones is kept as `counter_` and its place.
    """
    content, names = information_content(payload, can), IN_USE_COUNTERS[payload[1]]
    counts = [int.from_bytes(content[place : place + 2], "big") for place in range(0, len(content), 2)]
    keys = [names[place] if place < len(names) else f"counter_{place + 1}" for place in range(len(counts))]
    return dict(zip(keys, counts, strict=True))


def gather_information(ecu: int | None, payloads: Iterable[bytes], can: bool | None = None) -> VehicleInformation:
    """Put the checked replies of one control unit together; a later reply replaces an earlier one.

    Raises ShortReply or WrongReply for a reply that cannot be read.
    """
    information = VehicleInformation(ecu)
    for payload in payloads:
        information = with_item(information, payload, can)
    return information


def with_item(information: VehicleInformation, payload: bytes, can: bool | None = None) -> VehicleInformation:
    """Return the information with what one more checked reply says; items that are not published change nothing."""
    item = payload[1]
    if item == VIN:
        vin = decode_texts(payload, can)[0]
        return replace(information, vin=vin or None, vin_check=vin_fits(vin))
    if item == CALIBRATION_ID:
        return replace(information, calibration_ids=decode_texts(payload, can))
    if item == CALIBRATION_VERIFICATION:
        return replace(information, calibration_verification=decode_verification(payload, can))
    if item in IN_USE_COUNTERS:
        return replace(information, in_use_counters=MappingProxyType(decode_counters(payload, can)))
    if item == ECU_NAME:
        return replace(information, ecu_name=" ".join(decode_texts(payload, can)) or None)
    return information


def encode_item(item: int, contents: Sequence[bytes], can: bool) -> list[bytes]:
    """Return the replies of a stand-in for one item of service 09: one on CAN, numbered messages on older links.

    `contents` are texts or numbers as bytes; each is padded to its size (a VIN in front on older links).
    Raises ValueError for one that is too long.
    """
    size = ITEM_BYTES[item]
    if any(len(content) > size for content in contents):
        raise ValueError(f"item {item:02X} holds {size} bytes")
    head = bytes([_REPLY, item])
    if can:
        return [head + bytes([len(contents)]) + b"".join(content.ljust(size, _PADDING) for content in contents)]
    data = b"".join(_padded(item, content) for content in contents)
    data += _PADDING * (-len(data) % LEGACY_MESSAGE_BYTES)
    pieces = (data[place : place + LEGACY_MESSAGE_BYTES] for place in range(0, len(data), LEGACY_MESSAGE_BYTES))
    return [head + bytes([number]) + piece for number, piece in enumerate(pieces, start=1)]


def _padded(item: int, content: bytes) -> bytes:
    """Fill one item of an older link up to its size; a VIN is the only one padded in front."""
    length = LEGACY_LENGTHS.get(item, ITEM_BYTES[item])
    return content.rjust(length, _PADDING) if item == VIN else content.ljust(length, _PADDING)


def _text(content: bytes) -> str:
    """Read text; NUL is padding wherever it stands (a control unit's name has it in the middle)."""
    kept = content.replace(_PADDING, b"")
    if not all(0x20 <= byte <= 0x7E for byte in kept):
        raise WrongReply(f"'{content.hex(' ').upper()}' is no text")
    return kept.decode("ascii").strip()
