"""Service 09. VINs here are invented; the check digit is held against its rule in tests/reference."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdwatch.decoding.vehicle_information import (
    CALIBRATION_ID,
    CALIBRATION_VERIFICATION,
    COMPRESSION_COUNTERS,
    ECU_NAME,
    IN_USE_COUNTERS,
    SPARK_COUNTERS,
    VIN,
    decode_counters,
    decode_texts,
    decode_verification,
    encode_item,
    gather_information,
    join_messages,
    supported_items,
    vin_check_digit,
    vin_fits,
    with_item,
)
from obdwatch.errors import ReplyError, ShortReply, WrongReply
from obdwatch.records import VehicleInformation

VIN_SIGNS = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"
TEST_VIN = "XXX00000X0X000012"
texts = st.text(st.sampled_from([chr(code) for code in range(0x21, 0x7F)]), min_size=1, max_size=16)


def sent(item: int, contents: list[bytes], can: bool) -> bytes:
    """What arrives of a stand-in's reply: older links' messages are put together."""
    messages = encode_item(item, contents, can)
    return messages[0] if can else join_messages(messages)


@given(st.text(VIN_SIGNS, min_size=17, max_size=17), st.booleans())
def test_a_vin_arrives_whole(vin: str, can: bool) -> None:
    assert decode_texts(sent(VIN, [vin.encode()], can), can) == (vin,)
    assert gather_information(None, [sent(VIN, [vin.encode()], can)]).vin == vin


@pytest.mark.parametrize("text", ["00001234", "0120X210", "xX01", "34"])
def test_zeros_ones_and_twos_at_the_ends_stay(text: str) -> None:
    """python-OBD strips the characters 0 1 2 x from both ends: `00001234` becomes `34`."""
    assert decode_texts(sent(CALIBRATION_ID, [text.encode()], True), True) == (text,)


@given(st.lists(texts, min_size=1, max_size=5), st.booleans())
def test_calibration_ids_arrive_whole(ids: list[str], can: bool) -> None:
    payload = sent(CALIBRATION_ID, [text.encode() for text in ids], can)
    assert decode_texts(payload, can) == decode_texts(payload) == tuple(ids)


@given(st.lists(st.binary(min_size=4, max_size=4), min_size=1, max_size=5), st.booleans())
def test_verification_numbers_keep_all_their_digits(numbers: list[bytes], can: bool) -> None:
    payload = sent(CALIBRATION_VERIFICATION, numbers, can)
    assert decode_verification(payload, can) == tuple(number.hex().upper() for number in numbers)


@pytest.mark.parametrize("item", [SPARK_COUNTERS, COMPRESSION_COUNTERS])
@pytest.mark.parametrize("can", [True, False])
def test_in_use_counters_have_names(item: int, can: bool) -> None:
    payload = sent(item, [number.to_bytes(2, "big") for number in range(16)], can)
    counters = decode_counters(payload, can)
    assert list(counters.values()) == list(range(16))
    assert list(counters) == list(IN_USE_COUNTERS[item][:16])
    assert (counters["monitoring_conditions"], counters["ignition_cycles"]) == (0, 1)


def test_a_counter_beyond_the_published_ones_is_kept_by_its_place() -> None:
    payload = sent(COMPRESSION_COUNTERS, [b"\x00\x07"] * 20, True)
    assert decode_counters(payload, True)["counter_20"] == 7


def test_the_name_of_a_control_unit_has_padding_in_its_middle() -> None:
    payload = sent(ECU_NAME, [b"ECM\x00-EngineControl"], True)
    assert decode_texts(payload, True) == ("ECM-EngineControl",)


def test_everything_of_a_control_unit_comes_together() -> None:
    payloads = [
        sent(VIN, [TEST_VIN.encode()], True),
        sent(CALIBRATION_ID, [b"CAL1", b"CAL2"], True),
        sent(CALIBRATION_VERIFICATION, [b"\x00\x00\x12\x34"], True),
        sent(ECU_NAME, [b"ECM"], True),
        sent(SPARK_COUNTERS, [b"\x00\x05"] * 16, True),
        bytes.fromhex("49 0D 01 02"),  # not published: changes nothing
    ]
    information = gather_information(0x7E8, payloads)
    assert information.ecu == 0x7E8
    assert (information.vin, information.vin_check) == (TEST_VIN, vin_fits(TEST_VIN))
    assert information.calibration_ids == ("CAL1", "CAL2")
    assert information.calibration_verification == ("00001234",)
    assert information.ecu_name == "ECM"
    assert information.in_use_counters["catalyst_bank_1_completions"] == 5


def test_a_later_reply_replaces_an_earlier_one() -> None:
    payloads = [sent(ECU_NAME, [b"ECM"], True), sent(ECU_NAME, [b"TCM"], True)]
    assert gather_information(None, payloads).ecu_name == "TCM"


def test_a_vin_of_padding_alone_is_no_vin() -> None:
    information = with_item(VehicleInformation(None), sent(VIN, [b""], True), True)
    assert (information.vin, information.vin_check) == (None, None)


def test_bytes_that_are_no_text_are_refused() -> None:
    with pytest.raises(WrongReply, match="no text"):
        decode_texts(sent(VIN, [b"\xff" * 17], True), True)


@given(st.text(VIN_SIGNS, min_size=17, max_size=17))
def test_exactly_one_check_digit_fits(vin: str) -> None:
    fitting = [digit for digit in "0123456789X" if vin_fits(vin[:8] + digit + vin[9:])]
    assert fitting == [vin_check_digit(vin)]


def test_other_texts_have_no_check_digit() -> None:
    assert vin_fits("1234") is None
    assert vin_fits("I" * 17) is False
    with pytest.raises(ValueError, match="17 digits"):
        vin_check_digit("I" * 17)


@given(st.permutations(range(5)))
def test_messages_of_older_links_are_put_in_order(order: list[int]) -> None:
    messages = encode_item(VIN, [TEST_VIN.encode()], can=False)
    assert len(messages) == 5
    assert decode_texts(join_messages([messages[place] for place in order]), False) == (TEST_VIN,)


def test_a_repeated_message_counts_once_and_a_missing_one_is_missed() -> None:
    messages = encode_item(VIN, [TEST_VIN.encode()], can=False)
    assert join_messages([*messages, messages[2]]) == join_messages(messages)
    for gone in range(4):
        with pytest.raises(ShortReply):
            join_messages(messages[:gone] + messages[gone + 1 :])
    # Without its last message the reply is contiguous; its fixed length gives it away.
    with pytest.raises(ShortReply):
        decode_texts(join_messages(messages[:-1]), False)


def test_messages_of_two_replies_are_not_mixed() -> None:
    vin, name = encode_item(VIN, [TEST_VIN.encode()], False), encode_item(ECU_NAME, [b"ECM"], False)
    with pytest.raises(WrongReply):
        join_messages([*vin[:2], *name[2:]])
    with pytest.raises(ReplyError):
        join_messages([])


def test_supported_items_are_read_in_either_layout() -> None:
    assert supported_items(bytes.fromhex("49 00 55 40 00 00")) == (0x02, 0x04, 0x06, 0x08, 0x0A)
    assert supported_items(bytes.fromhex("49 00 01 55 40 00 00")) == (0x02, 0x04, 0x06, 0x08, 0x0A)


def test_a_text_that_is_too_long_is_not_encoded() -> None:
    with pytest.raises(ValueError, match="17 bytes"):
        encode_item(VIN, [b"A" * 18], can=True)
