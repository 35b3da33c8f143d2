from __future__ import annotations

import pytest

from obdwatch.adapters.elm327.checksums import iso_checksum, j1850_checksum
from obdwatch.adapters.elm327.frames import frame_of
from obdwatch.adapters.elm327.protocols import Family
from tests.adapters.elm327.true_replies import crc_by_division, legacy_line


def test_j1850_checksum_agrees_with_the_published_check_value() -> None:
    # The check value of CRC-8/SAE-J1850 in the public catalogues of CRC algorithms (from memory).
    assert j1850_checksum(b"123456789") == 0x4B


def test_j1850_checksum_agrees_with_long_division() -> None:
    for data in (b"", b"\x00", bytes(range(12)), bytes.fromhex("486B104100BE3EB811")):
        assert j1850_checksum(data) == crc_by_division(data)


def test_checksums_of_replies_as_printed_in_handbooks() -> None:
    # A VPW reply to 0100 with its checksum FA, and the ISO 14230 wake-up C1 33 F1 81 66: common examples, from memory.
    assert j1850_checksum(bytes.fromhex("486B104100BE3EB811")) == 0xFA
    assert iso_checksum(bytes.fromhex("C133F181")) == 0x66


@pytest.mark.parametrize(
    ("family", "line", "ecu"),
    [
        (Family.CAN_11, "7E8064100BE3FA813", 0x7E8),
        (Family.CAN_11, "7EF03410532", 0x7EF),
        (Family.CAN_29, "18DAF110064100BE3FA813AA", 0x18DAF110),
        (Family.J1850_VPW, "486B104100BE3EB811FA", 0x10),
        (Family.J1850_PWM, legacy_line("416B10", "410C1AF8", "1"), 0x10),
        (Family.ISO_9141, legacy_line("486B11", "41057B", "3"), 0x11),
        (Family.ISO_14230, legacy_line("F112", "4100BE3EB811", "5"), 0x12),
    ],
)
def test_true_frames_name_their_sender(family: Family, line: str, ecu: int) -> None:
    frame = frame_of(line, family)
    assert frame is not None
    assert frame.ecu == ecu


@pytest.mark.parametrize(
    ("family", "line", "why"),
    [
        (Family.CAN_11, "7E0064100BE3FA813", "a request's address"),
        (Family.CAN_11, "7DF020100", "the tester's own broadcast"),
        (Family.CAN_11, "7F0064100BE3FA813", "beyond the eight control units"),
        (Family.CAN_11, "7E806410", "half a byte too much"),
        (Family.CAN_11, "7E8", "no data"),
        (Family.CAN_11, "7E8064100BE3FA8130000", "nine bytes"),
        (Family.CAN_11, "4100BE3FA813", "no header"),
        (Family.CAN_29, "18DB33F1020100", "the tester's own broadcast"),
        (Family.CAN_29, "18DAF1", "no data"),
        (Family.CAN_29, "18DA10F1064100BE3FA813", "not to the tester"),
        (Family.J1850_VPW, "486B104100BE3EB811FB", "checksum"),
        (Family.J1850_VPW, "486B104100BE3EB811", "checksum missing"),
        (Family.J1850_PWM, "486B104100BE3EB811FA", "another bus's header"),
        (Family.ISO_9141, "486B1041057B85", "checksum"),
        (Family.ISO_9141, "686A1001007B", "a request"),
        (Family.ISO_14230, legacy_line("F110", "4100BE3EB811", "5").replace("86F1", "85F1"), "length"),
        (Family.ISO_14230, legacy_line("1033", "4100BE3EB811", "5"), "not to the tester"),
    ],
)
def test_what_no_control_unit_sends_is_no_frame(family: Family, line: str, why: str) -> None:
    assert frame_of(line, family) is None, why


def test_an_iso_14230_length_that_does_not_fit_is_no_frame_even_with_a_true_checksum() -> None:
    message = bytes.fromhex("85F1104100BE3EB811")
    assert frame_of(message.hex().upper() + f"{sum(message) % 256:02X}", Family.ISO_14230) is None
