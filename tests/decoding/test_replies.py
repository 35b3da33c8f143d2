"""A reply is taken only when it answers its request; everything else raises and never becomes a value.

The cases "from an ELM327 link" are what python-OBD turns into a number (measured with version 0.7.3).
"""

from __future__ import annotations

import pytest

from obdwatch.decoding.replies import check_reply, frame_places, parameter_places, split_parameters
from obdwatch.errors import NegativeReply, ReplyError, ShortReply, WrongReply


def check(request: str, payload: str, can: bool | None = None) -> None:
    check_reply(bytes.fromhex(request), bytes.fromhex(payload), can)


@pytest.mark.parametrize(
    ("request_hex", "payload"),
    [
        ("01 0C", "41 0C 1A F8"),
        ("01 00", "41 00 BE 1F A8 13"),
        ("01 0C 0D", "41 0C 1A F8 0D 3C"),
        ("01 0C 0D", "41 0D 3C 0C 1A F8"),  # any order
        ("01 0C 0D 05", "41 0D 3C 05 7B"),  # an unsupported one is missing
        ("01 06", "41 06 8A"),
        ("01 06", "41 06 8A 80"),  # with a third bank
        ("01 6D", "41 6D 07 00 01 00 02 5A"),  # the older layout
        ("01 97", "41 97 01 02 03"),  # no public length: kept raw when asked for alone
        ("01 00 20 40 60 80 A0", "41 00 BE 1F A8 13 20 80 00 00 00"),
        ("02 0C 00", "42 0C 00 1A F8"),
        ("02 02 01", "42 02 01 01 33"),
        ("02 0C 00 0D 00", "42 0C 00 1A F8 0D 00 3C"),
        ("03", "43 00"),
        ("03", "43 02 01 33 04 20"),
        ("07", "47 01 33 00 00 00 00"),
        ("0A", "4A 01 33 04 20 01 71 03 00 00 00 00 00"),
        ("04", "44"),
        ("06 00", "46 00 C0 00 00 01"),
        ("06 00 20", "46 00 C0 00 00 01 20 80 00 00 00"),
        ("06 00", "46 00 FF C0 00 00 01"),  # before CAN
        ("06 A2", "46 A2 0B 24 00 03 00 00 FF FF"),
        ("06 A2", "46 A2 0B 24 00 03 00 00 FF FF A2 0C 24 00 01 00 00 FF FF"),
        ("06 05", "46 05 81 00 50 00 C8"),  # before CAN
        ("09 00", "49 00 55 40 00 00"),
        ("09 00", "49 00 01 55 40 00 00"),  # before CAN
        ("09 01", "49 01 05"),
        ("09 02", "49 02 01" + "41" * 17),
        ("09 02", "49 02 00 00 00" + "41" * 17),  # before CAN
        ("09 04", "49 04 02" + "41" * 32),
        ("09 04", "49 04" + "41" * 16),  # before CAN
        ("09 06", "49 06 01 11 22 33 44"),
        ("09 08", "49 08 10" + "00 05" * 16),
        ("09 08", "49 08" + "00 05" * 16),  # before CAN
        ("09 0A", "49 0A 01" + "45" * 20),
        ("09 0D", "49 0D 01 02 03"),  # no public layout: kept raw
    ],
)
def test_a_proper_reply_passes(request_hex: str, payload: str) -> None:
    check(request_hex, payload)


@pytest.mark.parametrize(
    ("request_hex", "payload", "error"),
    [
        ("01 0C", "", ShortReply),
        ("01 0C", "41", ShortReply),
        ("01 0C", "41 0C 1A", ShortReply),  # from an ELM327 link: 1664 1/min
        ("01 05", "41 05", ShortReply),  # from an ELM327 link: -40 degC
        ("01 0C", "41 0D 1A F8", WrongReply),  # from an ELM327 link: 1726 1/min
        ("01 0C", "41 0D 3C", WrongReply),
        ("01 0C", "42 0C 1A F8", WrongReply),
        ("01 0C", "41 0C 1A F8 0C 1A F8", WrongReply),  # twice
        ("01 05", "41 05 7B AA AA AA AA", WrongReply),  # frame padding
        ("01 05", "41 05 7B 55 55", WrongReply),
        ("01 0C 0D", "41 0C 1A F8 0D", ShortReply),
        ("01 0C 0D", "41 0C 1A F8 05 7B", WrongReply),
        ("01 0C 0C", "41 0C 1A F8 0C 1A F8 0C 1A F8", WrongReply),
        ("01 06 0D", "41 06 8A 80", WrongReply),  # a third bank is not sure beside others
        ("01 0C 97", "41 0C 1A F8 97 01", WrongReply),
        ("01 6D", "41 6D 07 00 01 00 02", ShortReply),
        ("01 6D", "41 6D" + "00" * 12, WrongReply),
        ("01 97", "41 97", ShortReply),
        ("01", "41 0C 1A F8", WrongReply),
        ("01 0C 0D 05 04 11 0E 0F", "41 0C 1A F8", WrongReply),  # seven parameters in one request
        ("02 0C 00", "42 0C 1A F8", ShortReply),
        ("02 0C 00", "42 0C 01 1A F8", WrongReply),  # another frame
        ("02 0C 00", "42 0C 00 1A", ShortReply),
        ("02 0C 00", "42 0C", ShortReply),
        ("02 0C", "42 0C 00 1A F8", WrongReply),
        ("02 06 00 0D 00", "42 06 00 8A 80 0D 00 3C", ShortReply),
        ("03", "43", ShortReply),
        ("03", "43 02 01 33", ShortReply),
        ("03", "43 01 01 33 04 20", WrongReply),
        ("03", "43 01 33 00 00", ShortReply),  # before CAN always three codes
        ("03", "47 00", WrongReply),
        ("03 00", "43 00", WrongReply),
        ("04", "44 00", WrongReply),
        ("04", "43 00", WrongReply),
        ("06 A2", "46", ShortReply),
        ("06 A2", "46 A2 0B 24 00 03", ShortReply),
        ("06 A2", "46 A3 0B 24 00 03 00 00 FF FF", WrongReply),
        ("06 A2", "46 A2 0B 24 00 03 00 00 FF FF A3 0C 24 00 01 00 00 FF FF", WrongReply),
        ("06 A2 A3", "46 A2 0B 24 00 03 00 00 FF FF", WrongReply),
        ("06", "46 A2 0B 24 00 03 00 00 FF FF", WrongReply),
        ("06 00", "46 00 C0 00", ShortReply),
        ("06 00", "46 20 C0 00 00 01", WrongReply),
        ("09 02", "49 02 01" + "41" * 16, ShortReply),
        ("09 02", "49 02 02" + "41" * 17, ShortReply),
        ("09 02", "49 04 01" + "41" * 16, WrongReply),
        ("09 02", "49 02", ShortReply),
        ("09 04", "49 04 01" + "41" * 32, WrongReply),
        ("09 06", "49 06 01 11 22", ShortReply),
        ("09 01", "49 01 05 00", WrongReply),
        ("09 00", "49 00 55 40 00", ShortReply),
        ("09 02 04", "49 02 01" + "41" * 17, WrongReply),
        ("05 01", "45 01 00", WrongReply),  # a service we never ask
        ("22 F1 90", "62 F1 90", WrongReply),
        ("", "41 0C 1A F8", WrongReply),
    ],
)
def test_a_short_foreign_or_damaged_reply_is_refused(request_hex: str, payload: str, error: type[ReplyError]) -> None:
    with pytest.raises(error):
        check(request_hex, payload)


def test_a_refusal_is_told_with_its_reason() -> None:
    with pytest.raises(NegativeReply, match="service 01 refused with reason 12") as refusal:
        check("01 0C", "7F 01 12")  # from an ELM327 link: 1152 1/min
    assert (refusal.value.service, refusal.value.code) == (0x01, 0x12)


@pytest.mark.parametrize(
    ("payload", "error"),
    [("7F 02 12", WrongReply), ("7F 01", ShortReply), ("7F", ShortReply), ("7F 01 12 00", WrongReply)],
)
def test_a_refusal_of_something_else_is_no_refusal(payload: str, error: type[ReplyError]) -> None:
    with pytest.raises(error):
        check("01 0C", payload)


@pytest.mark.parametrize(
    ("request_hex", "can_payload", "legacy_payload"),
    [
        ("03", "43 01 01 33", "43 01 33 00 00 00 00"),
        ("06 A2", "46 A2 0B 24 00 03 00 00 FF FF", "46 A2 0B 24 00 03 00"),
        ("09 02", "49 02 01" + "41" * 17, "49 02 00 00 00" + "41" * 17),
    ],
)
def test_a_link_that_is_known_takes_only_its_own_layout(
    request_hex: str, can_payload: str, legacy_payload: str
) -> None:
    check(request_hex, can_payload, can=True)
    check(request_hex, legacy_payload, can=False)
    with pytest.raises(ReplyError):
        check(request_hex, legacy_payload, can=True)
    with pytest.raises(ReplyError):
        check(request_hex, can_payload, can=False)


def test_parameters_are_cut_at_their_published_lengths() -> None:
    assert split_parameters(bytes.fromhex("41 0C 1A F8 0D 3C")) == ((0x0C, b"\x1a\xf8"), (0x0D, b"\x3c"))
    assert parameter_places(bytes.fromhex("41 0C 1A F8 0D 3C")) == ((0x0C, 2, 4), (0x0D, 5, 6))
    assert frame_places(bytes.fromhex("42 0C 00 1A F8 0D 00 3C")) == ((0x0C, 3, 5), (0x0D, 7, 8))


@pytest.mark.parametrize("request_hex", ["01 0C", "02 0C 00", "03", "06 A2", "09 02"])
def test_every_reply_cut_short_anywhere_is_refused(request_hex: str) -> None:
    whole = {
        "01 0C": "41 0C 1A F8",
        "02 0C 00": "42 0C 00 1A F8",
        "03": "43 02 01 33 04 20",
        "06 A2": "46 A2 0B 24 00 03 00 00 FF FF",
        "09 02": "49 02 01" + "41" * 17,
    }[request_hex]
    payload = bytes.fromhex(whole)
    check_reply(bytes.fromhex(request_hex), payload, can=True)
    for length in range(len(payload)):
        with pytest.raises(ReplyError):
            check_reply(bytes.fromhex(request_hex), payload[:length], can=True)
