"""The checksums that close a message on the buses before CAN."""

from __future__ import annotations

J1850_POLYNOMIAL = 0x1D  # SAE J1850: x8 + x4 + x3 + x2 + 1
J1850_PRESET = 0xFF


def iso_checksum(data: bytes) -> int:
    """Sum of all bytes modulo 256 (ISO 9141-2, ISO 14230-2).

    >>> hex(iso_checksum(bytes.fromhex("8210F10100")))
    '0x84'
    """
    return sum(data) & 0xFF


def j1850_checksum(data: bytes) -> int:
    """Cyclic redundancy check of SAE J1850, preset to ones and inverted.

    >>> hex(j1850_checksum(b"123456789"))
    '0x4b'
    """
    crc = J1850_PRESET
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1) ^ J1850_POLYNOMIAL if crc & 0x80 else crc << 1
        crc &= 0xFF
    return crc ^ 0xFF
