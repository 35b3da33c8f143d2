"""From the answer of a control unit to frames on the bus, and from frames to the lines an adapter prints.

Segmentation follows ISO 15765-2, headers and checksums ISO 9141-2, ISO 14230-2 and SAE J1850; the printed form is
that of the ELM327 data sheet (all from memory). Nothing here knows what the bytes mean.
"""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.adapters.virtual.protocols import TESTER, BusKind, BusProtocol

SINGLE_FRAME_BYTES = 7
FIRST_FRAME_BYTES = 6
MOST_CAN_BYTES = 0xFFF  # of a segmented message
CAN_FRAME_BYTES = 8
FUNCTIONAL_REPLY = 0x6B  # target byte of replies on ISO 9141-2 and J1850


@dataclass(frozen=True, slots=True)
class BusFrame:
    """One frame from a control unit: when it ended on the bus [s], who sent it, header, data, check byte (not on CAN).

    `data` begins with the protocol control byte on CAN, with the service byte elsewhere.
    """

    at: float
    ecu: int
    header: bytes
    data: bytes
    check: int | None = None


@dataclass(frozen=True, slots=True)
class LineFormat:
    """What of a frame is printed, and how."""

    headers: bool = False
    spaces: bool = True
    length_digit: bool = False  # the data length code, CAN with headers only
    automatic: bool = True  # CAN: hide control bytes and the filling of single frames

    def hexadecimal(self, data: bytes) -> str:
        """Bytes as printed, each followed by a space where spaces are on."""
        return "".join(f"{byte:02X} " for byte in data) if self.spaces else data.hex().upper()


def can_frames(payload: bytes, padding: int | None) -> list[bytes]:
    """Segment a message into the data fields of its CAN frames, filled up to eight bytes unless `padding` is None.

    >>> [frame.hex(" ") for frame in can_frames(bytes.fromhex("410c1af8"), 0x55)]
    ['04 41 0c 1a f8 55 55 55']
    """
    if not 0 < len(payload) <= MOST_CAN_BYTES:
        raise ValueError(f"a CAN message carries 1 to {MOST_CAN_BYTES} bytes, not {len(payload)}")
    if len(payload) <= SINGLE_FRAME_BYTES:
        return [_filled(bytes([len(payload)]) + payload, padding)]
    first = bytes([0x10 | len(payload) >> 8, len(payload) & 0xFF]) + payload[:FIRST_FRAME_BYTES]
    rest = payload[FIRST_FRAME_BYTES:]
    pieces = [rest[i : i + SINGLE_FRAME_BYTES] for i in range(0, len(rest), SINGLE_FRAME_BYTES)]
    return [first] + [_filled(bytes([0x20 | i & 0xF]) + piece, padding) for i, piece in enumerate(pieces, start=1)]


def _filled(data: bytes, padding: int | None) -> bytes:
    return data if padding is None else data.ljust(CAN_FRAME_BYTES, bytes([padding]))


def can_header(protocol: BusProtocol, ecu: int) -> bytes:
    """The identifier as four bytes, or as two for 11 bits."""
    return ecu.to_bytes(2 if protocol.kind is BusKind.CAN_11 else 4, "big")


def legacy_frame(protocol: BusProtocol, ecu: int, data: bytes, at: float) -> BusFrame:
    """One reply message of a bus without segmentation, with its header and check byte."""
    if protocol.kind is BusKind.K_LINE_KEYWORD:
        header = bytes([0x80 | len(data) & 0x3F, TESTER, ecu & 0xFF])
    else:
        header = bytes([0x41 if protocol.digit == "1" else 0x48, FUNCTIONAL_REPLY, ecu & 0xFF])
    check = j1850_check if protocol.kind is BusKind.J1850 else byte_sum
    return BusFrame(at, ecu, header, data, check(header + data))


def byte_sum(message: bytes) -> int:
    """Check byte of ISO 9141-2 and ISO 14230-2: the sum of all bytes, modulo 256.

    >>> hex(byte_sum(bytes.fromhex("686af10100")))
    '0xc4'
    """
    return sum(message) & 0xFF


def j1850_check(message: bytes) -> int:
    """Check byte of SAE J1850: CRC-8, polynomial 1D, preset FF, inverted.

    >>> hex(j1850_check(b"123456789"))
    '0x4b'
    """
    crc = 0xFF
    for byte in message:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF


def frame_lines(frame: BusFrame, style: LineFormat) -> list[str]:
    """The line or lines (a length line before a first frame without headers) an adapter prints for a frame."""
    if frame.check is not None:
        return [style.hexadecimal(frame.header + frame.data + bytes([frame.check]) if style.headers else frame.data)]
    if style.headers:
        return [_identifier(frame, style) + style.hexadecimal(_shown(frame.data, style))]
    if not style.automatic:
        return [style.hexadecimal(frame.data)]
    return _without_control_bytes(frame.data, style)


def _identifier(frame: BusFrame, style: LineFormat) -> str:
    gap = " " if style.spaces else ""
    identifier = style.hexadecimal(frame.header)
    if len(frame.header) == 2:
        identifier = frame.header.hex().upper()[1:] + gap
    return identifier + (f"{len(frame.data):X}{gap}" if style.length_digit else "")


def _shown(data: bytes, style: LineFormat) -> bytes:
    single = data[0] >> 4 == 0
    return data[: 1 + data[0]] if style.automatic and single else data


def _without_control_bytes(data: bytes, style: LineFormat) -> list[str]:
    gap = " " if style.spaces else ""
    match data[0] >> 4:
        case 0:
            return [style.hexadecimal(data[1 : 1 + data[0]])]
        case 1:
            length = (data[0] & 0xF) << 8 | data[1]
            return [f"{length:03X}{gap}", f"0:{gap}" + style.hexadecimal(data[2:])]
        case 2:
            return [f"{data[0] & 0xF:X}:{gap}" + style.hexadecimal(data[1:])]
        case _:
            return [style.hexadecimal(data)]
