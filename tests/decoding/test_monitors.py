"""Service 06. Scalings and worked frames are checked against outside tables in tests/reference."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdwatch.decoding import monitors
from obdwatch.decoding.monitors import (
    LEGACY_MONITOR,
    SCALINGS,
    decode_results,
    encode_result,
    encode_results,
    monitor_name,
    passed,
    result_of,
    supported_monitors,
)
from obdwatch.errors import ReplyError, ShortReply, WrongReply

numbers = st.integers(0, 0xFFFF)
# Monitors that are not support bitmaps.
ids = st.integers(1, 0xFF).filter(lambda monitor: monitor % 0x20)


@given(st.sampled_from(sorted(SCALINGS)), numbers)
def test_a_scaling_inverts(scaling: int, raw: int) -> None:
    assert SCALINGS[scaling].raw(SCALINGS[scaling].value(raw)) == raw


@given(ids, st.lists(st.tuples(st.integers(0, 0xFF), st.integers(0, 0xFF), numbers, numbers, numbers), min_size=1))
def test_results_come_back_from_their_bytes(monitor: int, tests: list[tuple[int, int, int, int, int]]) -> None:
    payload = b"\x46" + b"".join(
        bytes([monitor, test, scaling]) + b"".join(number.to_bytes(2, "big") for number in raw)
        for test, scaling, *raw in tests
    )
    results = decode_results(payload, 1.5, 0x7E8, can=True)
    assert [(r.monitor, r.test, r.scaling, *r.raw) for r in results] == [(monitor, *test) for test in tests]
    assert encode_results(results) == payload
    assert {(r.t, r.ecu) for r in results} == {(1.5, 0x7E8)}


def test_an_unknown_scaling_keeps_its_numbers_and_has_no_value() -> None:
    (result,) = decode_results(bytes.fromhex("46 21 80 77 00 4D 00 00 00 BF"), 0.0, 0x7E8)
    assert 0x77 not in SCALINGS
    assert (result.value, result.minimum, result.maximum, result.unit) == (None, None, None, "")
    assert result.raw == (0x4D, 0, 0xBF)
    assert passed(result) is None  # python-OBD drops such a test without a word


def test_a_test_that_has_not_run_is_neither_passed_nor_failed() -> None:
    (result,) = decode_results(bytes.fromhex("46 21 80 20 00 00 00 00 00 00"), 0.0, 0x7E8)
    assert not result.completed
    assert passed(result) is None  # python-OBD calls it passed


def test_no_misfires_against_a_limit_is_a_result() -> None:
    (result,) = decode_results(bytes.fromhex("46 A2 0B 24 00 00 00 00 FF FF"), 0.0, 0x7E8)
    assert result.completed
    assert passed(result) is True


@pytest.mark.parametrize(
    ("value", "expected"), [(-5.0, True), (5.0, True), (0.0, True), (5.5, False), (-5.5, False)]
)  # fmt: skip
def test_a_result_equal_to_a_limit_passes(value: float, expected: bool) -> None:
    assert passed(result_of(0x35, 0x81, 0x9D, value, -5.0, 5.0)) is expected


def test_two_control_units_keep_their_results_apart() -> None:
    payload = bytes.fromhex("46 A2 0B 24 00 03 00 00 FF FF")
    assert [decode_results(payload, 0.0, ecu)[0].ecu for ecu in (0x7E8, 0x7E9)] == [0x7E8, 0x7E9]


@pytest.mark.parametrize(
    ("payload", "minimum", "maximum", "expected"),
    [
        ("46 05 01 00 50 00 C8", 0, 0xC8, True),
        ("46 05 01 00 D0 00 C8", 0, 0xC8, False),
        ("46 05 81 00 50 00 C8", 0xC8, 0xFFFF, False),
        ("46 05 81 00 D0 00 C8", 0xC8, 0xFFFF, True),
    ],
)
def test_before_can_a_result_has_one_limit_and_no_scaling(
    payload: str, minimum: int, maximum: int, expected: bool
) -> None:
    (result,) = decode_results(bytes.fromhex(payload), 0.0, 0x10, can=False)
    assert result.monitor == LEGACY_MONITOR + 5
    assert result.test == 1
    assert result.raw[1:] == (minimum, maximum)
    assert result.value is None
    assert passed(result) is expected
    assert encode_results([result]) == bytes.fromhex(payload)
    assert monitor_name(result.monitor) == "Maker's own test 05"


def test_before_can_a_result_of_zeros_has_not_run() -> None:
    (result,) = decode_results(bytes.fromhex("46 05 01 00 00 00 00"), 0.0, 0x10, can=False)
    assert passed(result) is None


def test_a_built_result_takes_the_steps_of_its_scaling() -> None:
    result = result_of(0xA2, 0x0B, 0x24, 3.4, 0, math.inf, t=2.0, ecu=0x7E8)
    assert result.raw == (3, 0, 0xFFFF)
    assert encode_result(result) == bytes.fromhex("A2 0B 24 00 03 00 00 FF FF")
    assert decode_results(b"\x46" + encode_result(result), 2.0, 0x7E8) == (result,)


@pytest.mark.parametrize(("scaling", "value", "text"), [(0x77, 1.0, "not published"), (0x24, math.nan, "NaN")])
def test_what_no_car_can_report_is_not_built(scaling: int, value: float, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        result_of(0xA2, 0x0B, scaling, value, 0, 1)


def test_support_bitmaps_hold_ids_and_no_results() -> None:
    payload = bytes.fromhex("46 00 80 00 00 01 A0 C0 00 00 00")
    assert supported_monitors(payload) == (0x01, 0x20, 0xA1, 0xA2)
    assert decode_results(payload, 0.0, 0x7E8) == ()
    assert supported_monitors(bytes.fromhex("46 00 FF 80 00 00 01")) == (0x01, 0x20)
    with pytest.raises(ShortReply):
        supported_monitors(bytes.fromhex("46 00 80 00"))


@pytest.mark.parametrize(
    ("payload", "error"),
    [("", WrongReply), ("7F 06 12", WrongReply), ("46", ShortReply), ("46 A2 0B 24 00", ShortReply)],
)
def test_what_holds_no_results_is_refused(payload: str, error: type[ReplyError]) -> None:
    with pytest.raises(error):
        decode_results(bytes.fromhex(payload), 0.0, 0x7E8)


@pytest.mark.parametrize(
    ("monitor", "name"),
    [
        (0x01, "Oxygen sensor, bank 1 sensor 1"),
        (0x35, "Variable valve timing, bank 1"),
        (0xA2, "Misfire, cylinder 1"),
        (0xAD, "Misfire, cylinder 12"),
        (0xA0, "Monitors supported A1-C0"),
        (0xE3, "Maker's own monitor E3"),
        (0x5F, "Monitor 5F"),
    ],
)
def test_monitors_have_names(monitor: int, name: str) -> None:
    assert monitor_name(monitor) == name


def test_tests_have_names() -> None:
    assert monitors.test_name(0x0B) == "Average misfire counts of the last ten driving cycles"
    assert monitors.test_name(0x81) == "Maker's own test 81"
    assert monitors.test_name(0x0D) == "Test 0D"


def test_an_unknown_scaling_has_no_verdict_even_when_completed() -> None:
    result = result_of(0x35, 0x81, 0x9D, 1.0, -5.0, 5.0)
    assert passed(replace(result, value=None)) is None
