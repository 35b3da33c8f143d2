"""Frames and printed lines against worked examples and against python-OBD's own parsers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from obd.protocols import ISO_9141_2, ISO_15765_4_11bit_500k, ISO_15765_4_29bit_500k

from obdwatch.adapters.virtual.framing import (
    BusFrame,
    LineFormat,
    byte_sum,
    can_frames,
    can_header,
    frame_lines,
    j1850_check,
    legacy_frame,
)
from obdwatch.adapters.virtual.protocols import PROTOCOLS, Addressee, addressee, reply_address

CAN_11, CAN_29, ISO_9141, KWP, VPW = (PROTOCOLS[digit] for digit in "67352")
VIN_REPLY = bytes.fromhex("490201") + b"1D4GP00R55B123456"


def printed(frames: list[bytes], style: LineFormat, protocol: str = "6", ecu: int = 0x7E8) -> list[str]:
    header = can_header(PROTOCOLS[protocol], ecu)
    return [line.strip() for data in frames for line in frame_lines(BusFrame(0.0, ecu, header, data), style)]


def test_check_byte_of_iso_9141_is_the_sum() -> None:
    # Source: ELM327 data sheet, from memory: 68 6A F1 01 00 ends in C4, 48 6B 10 41 00 BE 1F B8 11 in AA.
    assert byte_sum(bytes.fromhex("686AF10100")) == 0xC4
    assert byte_sum(bytes.fromhex("486B104100BE1FB811")) == 0xAA


def test_check_byte_of_j1850_is_its_crc() -> None:
    # Sources: the catalogue check value of CRC-8/SAE-J1850 for "123456789"; a VPW reply in the ELM327 data sheet,
    # from memory: 48 6B 10 41 00 BE 3E B8 11 FA.
    assert j1850_check(b"123456789") == 0x4B
    assert j1850_check(bytes.fromhex("486B104100BE3EB811")) == 0xFA


def test_a_short_message_is_one_frame_with_its_length_in_front() -> None:
    assert can_frames(bytes.fromhex("410C1AF8"), 0x00) == [bytes.fromhex("04410C1AF8000000")]
    assert can_frames(bytes.fromhex("410C1AF8"), None) == [bytes.fromhex("04410C1AF8")]


def test_seven_bytes_still_fit_into_one_frame_and_eight_do_not() -> None:
    assert len(can_frames(bytes(7), 0x00)) == 1
    assert len(can_frames(bytes(8), 0x00)) == 2


@pytest.mark.parametrize("length", [0, 4096])
def test_what_no_can_message_can_carry_is_refused(length: int) -> None:
    with pytest.raises(ValueError, match="CAN message"):
        can_frames(bytes(length), 0x00)


def test_vin_without_headers_is_a_length_line_and_numbered_lines() -> None:
    # Source: ELM327 data sheet, multiline responses, from memory.
    assert printed(can_frames(VIN_REPLY, 0x00), LineFormat()) == [
        "014",
        "0: 49 02 01 31 44 34",
        "1: 47 50 30 30 52 35 35",
        "2: 42 31 32 33 34 35 36",
    ]


def test_vin_with_headers_shows_the_control_bytes() -> None:
    # Source: ELM327 data sheet, CAN message formats, from memory.
    assert printed(can_frames(VIN_REPLY, 0x00), LineFormat(headers=True)) == [
        "7E8 10 14 49 02 01 31 44 34",
        "7E8 21 47 50 30 30 52 35 35",
        "7E8 22 42 31 32 33 34 35 36",
    ]


def test_spaces_off_and_length_digit() -> None:
    frames = can_frames(bytes.fromhex("4100BE3FB811"), 0x00)
    assert printed(frames, LineFormat(headers=True, spaces=False)) == ["7E8064100BE3FB811"]
    assert printed(frames, LineFormat(headers=True, length_digit=True)) == ["7E8 8 06 41 00 BE 3F B8 11"]
    assert printed(frames, LineFormat(spaces=False)) == ["4100BE3FB811"]


def test_own_format_shows_the_whole_frame() -> None:
    frames = can_frames(bytes.fromhex("410D32"), 0x55)
    assert printed(frames, LineFormat(automatic=False)) == ["03 41 0D 32 55 55 55 55"]
    assert printed(frames, LineFormat(headers=True, automatic=False)) == ["7E8 03 41 0D 32 55 55 55 55"]


def test_long_identifiers_are_printed_in_four_bytes() -> None:
    frames = can_frames(bytes.fromhex("4100BE3FB811"), 0x00)
    assert printed(frames, LineFormat(headers=True), "7", 0x18DAF110) == ["18 DA F1 10 06 41 00 BE 3F B8 11"]


def test_line_numbers_go_round_after_fifteen() -> None:
    lines = printed(can_frames(bytes(6 + 7 * 17), 0x00), LineFormat())
    assert [line.split(":")[0] for line in lines[1:]] == list("0123456789ABCDEF01")


def test_replies_of_older_buses_carry_header_and_check_byte() -> None:
    data = bytes.fromhex("4100BE1FB811")
    style = LineFormat(headers=True)
    assert frame_lines(legacy_frame(ISO_9141, 0x10, data, 0.0), style) == ["48 6B 10 41 00 BE 1F B8 11 AA "]
    assert frame_lines(legacy_frame(VPW, 0x10, bytes.fromhex("4100BE3EB811"), 0.0), style) == [
        "48 6B 10 41 00 BE 3E B8 11 FA "
    ]
    keyword = legacy_frame(KWP, 0x11, data, 0.0)
    assert keyword.header == bytes.fromhex("86F111")  # ISO 14230-2: length in the format byte, target, source
    assert keyword.check == byte_sum(keyword.header + data)


@pytest.mark.parametrize(
    ("protocol", "header", "expected"),
    [
        (CAN_11, 0x7DF, Addressee(True)),
        (CAN_11, 0x7E0, Addressee(True, 0x7E8)),
        (CAN_11, 0x7E7, Addressee(True, 0x7EF)),
        (CAN_11, 0x7E8, Addressee(False)),
        (CAN_11, 0x123, Addressee(False)),
        (CAN_29, 0x18DB33F1, Addressee(True)),
        (CAN_29, 0x18DA10F1, Addressee(True, 0x18DAF110)),
        (CAN_29, 0x18DA1033, Addressee(False)),
        (KWP, 0xC233F1, Addressee(True)),
        (KWP, 0xC133F1, Addressee(True)),
        (KWP, 0x8211F1, Addressee(True, 0x11)),
        (ISO_9141, 0x686AF1, Addressee(True)),
        (ISO_9141, 0x6810F1, Addressee(False)),
    ],
)
def test_headers_address_one_unit_or_all(protocol: object, header: int, expected: Addressee) -> None:
    assert addressee(protocol, header) == expected  # type: ignore[arg-type]


def test_reply_addresses_of_the_first_units() -> None:
    # Sources, from memory: ISO 15765-4 (7E8, 7E9); SAE J2178 (10 engine, 18 transmission).
    assert [reply_address(CAN_11, n) for n in (0, 1)] == [0x7E8, 0x7E9]
    assert [reply_address(CAN_29, n) for n in (0, 1)] == [0x18DAF110, 0x18DAF118]
    assert [reply_address(ISO_9141, n) for n in (0, 1)] == [0x10, 0x18]


@given(
    st.binary(min_size=2, max_size=300).filter(lambda data: data[0] != 0x43), st.sampled_from([None, 0x00, 0x55, 0xAA])
)
def test_python_obd_puts_eleven_bit_frames_together_again(payload: bytes, padding: int | None) -> None:
    (message,) = ISO_15765_4_11bit_500k([])(printed(can_frames(payload, padding), LineFormat(headers=True)))
    assert bytes(message.data) == payload


@given(st.binary(min_size=2, max_size=100).filter(lambda data: data[0] != 0x43), st.booleans())
def test_python_obd_puts_long_identifier_frames_together_again(payload: bytes, spaces: bool) -> None:
    style = LineFormat(headers=True, spaces=spaces)
    (message,) = ISO_15765_4_29bit_500k([])(printed(can_frames(payload, 0), style, "7", 0x18DAF110))
    assert bytes(message.data) == payload


@given(st.binary(min_size=2, max_size=7).filter(lambda data: data[0] not in (0x43, 0x49)))
def test_python_obd_reads_frames_of_older_buses(data: bytes) -> None:
    (line,) = frame_lines(legacy_frame(ISO_9141, 0x10, data, 0.0), LineFormat(headers=True))
    (message,) = ISO_9141_2([])([line])
    assert (bytes(message.data), message.tx_id) == (data, 0x10)
