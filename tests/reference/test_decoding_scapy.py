"""Service 01 against the packet tables of scapy (`scapy.contrib.automotive.obd`), an independent implementation.

Where they differ the reason stands in `KNOWN_DIFFERENCES`; every other parameter must agree bit by bit.
"""

from __future__ import annotations

import warnings
from functools import cache
from typing import Any

import numpy as np
import pytest

from obdwatch.decoding.parameters import LENGTHS, decode_fields, encode_pid, fields_of, possible_lengths

# Parameter -> why scapy is not followed.
KNOWN_DIFFERENCES = {
    0x10: "scapy reads one byte of two; python-OBD and the standard's range of 655.35 g/s need two",
    **dict.fromkeys(range(0x34, 0x3C), "scapy lacks the offset of -128 mA; python-OBD has it"),
    0x74: "scapy has 1 1/min per bit, too little for a turbocharger; J1979-DA has 10 (from memory)",
    0x7A: "scapy has an offset of -327.68 kPa, J1979-DA two's complement (from memory)",
    0x7B: "as 7A",
    0x7F: "scapy has three counters of eight bytes; 13 bytes are one and three times four",
    0x81: "scapy has one counter of eight bytes where there are two of four",
    0x82: "as 81",
    0x83: "scapy has the earlier layout with two sensors and five bytes",
    0x00: "bitmap: see test_support_bitmaps_agree",
}
LENGTH_DIFFERENCES = {
    0x02: "scapy leaves it empty",
    0x8C: "scapy has 16 bytes; one byte of support bits and eight fields of two are 17",
    0x8F: "scapy has 5 bytes, the earlier layout",
    **{pid: KNOWN_DIFFERENCES[pid] for pid in (0x10, 0x7F, 0x81, 0x82, 0x83)},
}
NOT_NUMBERS = {0x01, 0x02, 0x03, 0x12, 0x1C, 0x41, 0x51, 0x5F, 0x13, 0x1D, 0x1E, 0x4F, *range(0, 0xA1, 0x20)}
SPLIT_BITS = {0x7D, 0x7E, 0x65}  # scapy reads bits, as we do: compared one by one


@cache
def packets() -> dict[int, type[Any]]:
    """The packet classes of scapy by parameter id."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # deprecations inside scapy on import
        from scapy.contrib.automotive.obd.pid import (
            pids_00_1F,
            pids_20_3F,
            pids_40_5F,
            pids_60_7F,
            pids_80_9F,
            pids_A0_C0,
        )
    modules = (pids_00_1F, pids_20_3F, pids_40_5F, pids_60_7F, pids_80_9F, pids_A0_C0)
    names = {name: thing for module in modules for name, thing in vars(module).items()}
    return {int(name[7:], 16): thing for name, thing in names.items() if name.startswith("OBD_PID") and len(name) == 9}


def scaled_fields(pid: int) -> list[str]:
    """The names of scapy's scaled fields of a parameter, in order."""
    return [field.name for field in packets()[pid].fields_desc if type(field).__name__ == "ScalingField"]


COMPARED = [
    pid for pid in sorted(packets()) if pid in LENGTHS and pid not in KNOWN_DIFFERENCES | dict.fromkeys(NOT_NUMBERS)
]
WITH_NUMBERS = [pid for pid in COMPARED if scaled_fields(pid)]


def test_most_parameters_are_compared() -> None:
    assert len(WITH_NUMBERS) >= 70


@pytest.mark.parametrize("pid", WITH_NUMBERS)
def test_values_agree(pid: int) -> None:
    chance = np.random.default_rng(pid)
    for _ in range(25):
        data = chance.integers(0, 255, size=len(packets()[pid]()), dtype=np.uint8)  # 255 would be "not used" in 14-1B
        # All support bits set, where the first byte holds them.
        if any(field.support_bit is not None for field in fields_of(pid)):
            data[0] = 0xFF
        packet = packets()[pid](data.tobytes())
        theirs = [float(getattr(packet, name)) for name in scaled_fields(pid)]
        ours = [value for key, value in decode_fields(pid, data.tobytes()).items() if not _status(key)]
        if pid in (0x55, 0x56, 0x57, 0x58):
            theirs = theirs[:1]  # the second byte is a bank that cars with two banks do not have
        # scapy rounds to nine decimals, and prints 0.0000305 for 2/65536 and 0.000122 for 8/65536.
        assert ours == pytest.approx(theirs, rel=1e-3, abs=2e-3)


def _status(key: str) -> bool:
    return "control_status" in key


@pytest.mark.parametrize("pid", sorted(set(packets()) & set(LENGTHS) - set(LENGTH_DIFFERENCES)))
def test_lengths_agree(pid: int) -> None:
    """Many of scapy's fields above 84 are only bytes of a given length, which is what is compared then."""
    assert len(bytes(packets()[pid]())) in possible_lengths(pid)


@pytest.mark.parametrize("pid", sorted(pid for pid in KNOWN_DIFFERENCES if scaled_fields(pid)))
def test_known_differences_still_differ(pid: int) -> None:
    """When scapy mends one of these, the exception must go."""
    packet = packets()[pid](b"\xff" * 64)
    theirs = [float(getattr(packet, name)) for name in scaled_fields(pid)]
    ours = list(decode_fields(pid, b"\xff" * LENGTHS[pid].bytes).values())
    assert len(ours) != len(theirs) or ours != pytest.approx(theirs, rel=1e-3)


@pytest.mark.parametrize("base", range(0x00, 0xA1, 0x20))
def test_support_bitmaps_agree(base: int) -> None:
    for pid in (base + 1, base + 0x0C, base + 0x1F, base + 0x20):
        data = encode_pid(base, {f"supported_parameters_{base + 1:02x}_{base + 0x20:02x}": 1 << (base + 0x20 - pid)})
        flags = str(packets()[base](data).supported_pids)
        assert flags == f"PID{pid:02X}"
