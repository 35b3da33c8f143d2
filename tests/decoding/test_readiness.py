"""Readiness as bytes and back. The worked example of the rule book stands in tests/reference."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdwatch.decoding.readiness import COMPRESSION_MONITORS, SPARK_MONITORS, decode_readiness, encode_readiness
from obdwatch.errors import ShortReply, WrongReply

RESERVED_COMMON = 0x80  # bit 7 of byte B
four_bytes = st.binary(min_size=4, max_size=4)


@given(four_bytes)
def test_a_spark_engine_comes_back_bit_by_bit(data: bytes) -> None:
    data = bytes([data[0], data[1] & ~RESERVED_COMMON & ~0x08, data[2], data[3]])
    assert encode_readiness(decode_readiness(data, 0.0, 0x7E8)) == data


@given(four_bytes)
def test_a_compression_engine_comes_back_but_for_reserved_bits(data: bytes) -> None:
    used = sum(1 << bit for bit in COMPRESSION_MONITORS)
    data = bytes([data[0], (data[1] | 0x08) & ~RESERVED_COMMON, data[2] & used, data[3] & used])
    readiness = decode_readiness(data, 0.0, 0x7E8)
    assert readiness.compression_ignition
    assert encode_readiness(readiness) == data


@pytest.mark.parametrize("bit", range(8))
def test_each_bit_is_one_monitor_of_a_spark_engine(bit: int) -> None:
    readiness = decode_readiness(bytes([0, 0, 1 << bit, 1 << bit]), 0.0, 0x7E8)
    assert [name for name, (has, _) in readiness.monitors.items() if has] == [SPARK_MONITORS[bit]]
    assert [name for name, (_, complete) in readiness.monitors.items() if not complete] == [SPARK_MONITORS[bit]]


def test_misfire_fuel_system_and_components_share_a_byte() -> None:
    readiness = decode_readiness(bytes([0, 0x27, 0, 0]), 0.0, 0x7E8)
    assert readiness.monitors["misfire"] == (True, True)
    assert readiness.monitors["fuel_system"] == (True, False)
    assert readiness.monitors["components"] == (True, True)


def test_the_driving_cycle_has_neither_lamp_nor_count() -> None:
    readiness = decode_readiness(bytes([0xFF, 0x07, 0, 0]), 3.0, 0x7E8, this_cycle=True)
    assert readiness.lamp_on is None
    assert readiness.code_count is None
    assert (readiness.this_cycle, readiness.t) == (True, 3.0)
    assert encode_readiness(readiness) == bytes([0x00, 0x07, 0, 0])


def test_a_count_beyond_seven_bits_saturates_and_leaves_the_lamp_alone() -> None:
    readiness = replace(decode_readiness(bytes(4), 0.0, 0x7E8), code_count=200)
    assert encode_readiness(readiness)[0] == 0x7F


def test_a_monitor_of_the_other_kind_of_engine_is_refused() -> None:
    readiness = replace(decode_readiness(bytes(4), 0.0, 0x7E8), monitors={"particulate_filter": (True, True)})
    with pytest.raises(ValueError, match="particulate_filter"):
        encode_readiness(readiness)


@pytest.mark.parametrize(("data", "error"), [(bytes(3), ShortReply), (bytes(5), WrongReply)])
def test_four_bytes_or_nothing(data: bytes, error: type[Exception]) -> None:
    with pytest.raises(error):
        decode_readiness(data, 0.0, 0x7E8)
