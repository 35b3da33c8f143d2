"""Trouble codes and the replies of services 03, 07 and 0A. The code examples are checked in tests/reference."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdwatch.decoding.trouble_codes import decode_code, decode_codes, encode_code, encode_codes
from obdwatch.errors import ReplyError, ShortReply, WrongReply

pairs = st.binary(min_size=2, max_size=2)
codes = pairs.filter(lambda pair: pair != b"\x00\x00").map(decode_code)


@given(pairs)
def test_two_bytes_make_a_code_and_the_code_makes_the_bytes(pair: bytes) -> None:
    assert encode_code(decode_code(pair)) == pair


def test_letters_in_a_code_are_capitals() -> None:
    assert decode_code(b"\x0a\x0f") == "P0A0F"  # python-OBD: P0a0f, which its own descriptions do not know


def test_a_code_is_read_in_any_case() -> None:
    assert encode_code("p0a0f") == b"\x0a\x0f"


@pytest.mark.parametrize("text", ["", "P01", "X0133", "P4133", "P01333", "P0G00", " P0133", "P0133\n"])
def test_other_text_is_no_code(text: str) -> None:
    with pytest.raises(ValueError, match="is not a trouble code"):
        encode_code(text)


@pytest.mark.parametrize(("data", "error"), [(b"", ShortReply), (b"\x01", ShortReply), (b"\x01\x33\x00", WrongReply)])
def test_a_code_has_two_bytes(data: bytes, error: type[Exception]) -> None:
    with pytest.raises(error):
        decode_code(data)


@given(st.sampled_from([0x03, 0x07, 0x0A]), st.lists(codes, max_size=20), st.booleans())
def test_a_list_of_codes_comes_back(service: int, given_codes: list[str], can: bool) -> None:
    messages = encode_codes(service, given_codes, can)
    payload = messages[0] + b"".join(message[1:] for message in messages[1:])
    assert decode_codes(payload, can) == tuple(given_codes)


def test_no_codes_is_said_by_the_car_not_by_a_broken_reply() -> None:
    assert decode_codes(b"\x43\x00", can=True) == ()
    assert decode_codes(b"\x43" + bytes(6), can=False) == ()
    for broken in (b"", b"\x43", b"\x43\x01", b"\x7f\x03\x11", b"\x43\x00\x00"):
        for can in (True, False):
            with pytest.raises(ReplyError):
                decode_codes(broken, can)


def test_padding_between_codes_is_no_code() -> None:
    assert decode_codes(bytes.fromhex("43 01 33 00 00 04 20"), can=False) == ("P0133", "P0420")


def test_older_links_send_three_codes_a_message() -> None:
    assert encode_codes(0x03, ["P0133"], can=False) == [bytes.fromhex("43 01 33 00 00 00 00")]
    assert encode_codes(0x03, [], can=False) == [bytes.fromhex("43 00 00 00 00 00 00")]
    assert len(encode_codes(0x03, ["P0133"] * 4, can=False)) == 2
