"""Service 01, one reply at a time. Worked examples against outside sources stand in tests/reference."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdwatch.decoding.parameter_table import SensorLayout
from obdwatch.decoding.parameters import (
    LENGTHS,
    PARAMETER_BY_KEY,
    PARAMETERS,
    data_length,
    decode_fields,
    encode_pid,
    fields_of,
    key_for_name,
    layout_of,
    possible_lengths,
    scaling_of,
    support_bitmap,
    supported_in,
    widest_range,
)
from obdwatch.errors import ShortReply, WrongReply
from obdwatch.records import Parameter

PIDS = sorted(LENGTHS)
WIDE_RANGE_VOLTAGE = "oxygen_sensor_wide_range_voltage_bank_1_sensor_1"


def raws(parameter: Parameter) -> st.SearchStrategy[int]:
    lowest = -(1 << (parameter.bits - 1)) if parameter.signed else 0
    numbers = st.integers(lowest, lowest + (1 << parameter.bits) - 1)
    return numbers.filter(lambda raw: raw != parameter.absent_raw)


@st.composite
def replies(draw: st.DrawFn) -> tuple[int, SensorLayout, dict[str, float]]:
    """A parameter, a layout and values that its reply can hold exactly."""
    pid, layout = draw(st.sampled_from(PIDS)), draw(st.sampled_from(list(SensorLayout)))
    values = {}
    for parameter in fields_of(pid, layout):
        optional = parameter.support_bit is not None or parameter.absent_raw is not None
        if not optional or draw(st.booleans()):
            values[parameter.key] = draw(raws(parameter)) * parameter.scale + parameter.offset
    return pid, layout, _with_shared_support(pid, layout, values)


def _with_shared_support(pid: int, layout: SensorLayout, values: dict[str, float]) -> dict[str, float]:
    """Two fields behind one support bit are there together or not at all."""
    bits = {p.support_bit for p in fields_of(pid, layout) if p.key in values} - {None}
    shared = {p.key: p.offset for p in fields_of(pid, layout) if p.support_bit in bits}
    return shared | values


@given(replies())
def test_what_is_encoded_decodes_to_the_same(case: tuple[int, SensorLayout, dict[str, float]]) -> None:
    pid, layout, values = case
    assert decode_fields(pid, encode_pid(pid, values, layout=layout), layout=layout) == pytest.approx(values)


@given(st.sampled_from(PIDS), st.data())
def test_what_is_decoded_encodes_to_values_that_decode_to_the_same(pid: int, data: st.DataObject) -> None:
    content = data.draw(st.binary(min_size=LENGTHS[pid].bytes, max_size=LENGTHS[pid].bytes))
    values = decode_fields(pid, content)
    missing = [p for p in fields_of(pid) if p.key not in values and p.support_bit is None and p.absent_raw is None]
    assert missing == []
    assert decode_fields(pid, encode_pid(pid, values)) == pytest.approx(values)


@given(st.sampled_from(PIDS), st.data())
def test_every_decoded_value_lies_within_the_range_of_its_parameter(pid: int, data: st.DataObject) -> None:
    content = data.draw(st.binary(min_size=LENGTHS[pid].bytes, max_size=LENGTHS[pid].bytes))
    for key, value in decode_fields(pid, content).items():
        assert PARAMETER_BY_KEY[key].minimum <= value <= PARAMETER_BY_KEY[key].maximum


@pytest.mark.parametrize("pid", PIDS)
def test_data_that_is_too_short_or_too_long_gives_no_value(pid: int) -> None:
    longest = max(possible_lengths(pid))
    for length in range(longest):
        if length not in possible_lengths(pid):
            with pytest.raises(ShortReply):
                decode_fields(pid, bytes(length))
    with pytest.raises(WrongReply):
        decode_fields(pid, bytes(longest + 1))


def test_an_unknown_parameter_keeps_its_bytes_to_itself() -> None:
    assert decode_fields(0x97, b"\x01\x02\x03") == {}
    assert data_length(0x97) is None
    assert possible_lengths(0x97) == ()
    with pytest.raises(ValueError, match="no public layout"):
        encode_pid(0x97, {})


def test_a_field_whose_support_bit_is_clear_has_no_value() -> None:
    assert decode_fields(0x67, bytes.fromhex("01825A")) == {"coolant_temperature_sensor_1": 90.0}
    assert decode_fields(0x67, bytes.fromhex("00825A")) == {}
    assert encode_pid(0x67, {"coolant_temperature_sensor_2": 50.0}) == bytes.fromhex("02005A")


def test_a_sensor_that_is_not_used_for_trim_has_none() -> None:
    assert decode_fields(0x14, bytes.fromhex("A0FF")) == {"oxygen_sensor_voltage_bank_1_sensor_1": 0.8}
    assert encode_pid(0x14, {"oxygen_sensor_voltage_bank_1_sensor_1": 0.8}) == bytes.fromhex("A0FF")


def test_a_second_fuel_system_that_is_not_fitted_has_no_status() -> None:
    assert decode_fields(0x03, b"\x02\x00") == {"fuel_system_status": 2.0}
    assert decode_fields(0x03, b"\x02\x04") == {"fuel_system_status": 2.0, "fuel_system_status_2": 4.0}


def test_a_shorter_published_layout_gives_the_fields_it_has() -> None:
    assert set(decode_fields(0x6D, bytes.fromhex("3F000100025A"))) == {
        "commanded_fuel_rail_pressure_a",
        "fuel_rail_pressure_a",
        "fuel_rail_temperature_a",
    }


def test_oxygen_sensors_are_named_by_the_layout_the_car_has() -> None:
    assert "oxygen_sensor_voltage_bank_2_sensor_1" in decode_fields(0x18, b"\x00\x80")
    four = decode_fields(0x18, b"\x00\x80", layout=SensorLayout.FOUR_BANKS)
    assert "oxygen_sensor_voltage_bank_3_sensor_1" in four
    assert layout_of([0x0C, 0x13]) is SensorLayout.TWO_BANKS
    assert layout_of([0x0C, 0x1D]) is SensorLayout.FOUR_BANKS
    assert layout_of([]) is SensorLayout.TWO_BANKS


@pytest.mark.parametrize("pid", [0x55, 0x56, 0x57, 0x58])
def test_a_car_with_two_banks_has_no_trim_of_a_third(pid: int) -> None:
    assert len(decode_fields(pid, b"\x80\x00")) == 1
    assert len(decode_fields(pid, b"\x80\x00", layout=SensorLayout.FOUR_BANKS)) == 2


def test_a_trim_of_a_third_bank_lengthens_the_reply_of_a_car_that_has_one() -> None:
    values = {"short_term_fuel_trim_bank_1": 0.0, "short_term_fuel_trim_bank_3": -100.0}
    assert encode_pid(0x06, values, layout=SensorLayout.FOUR_BANKS) == b"\x80\x00"
    assert decode_fields(0x06, b"\x80\x00", layout=SensorLayout.FOUR_BANKS) == values


# SAE J1979 on parameters 4F and 50: full scale / 65535 (255 for pressure), current around zero, 0 = the default.
@pytest.mark.parametrize(
    ("pid", "data", "maxima", "key", "value"),
    [
        (0x44, "FFFF", {"maximum_equivalence_ratio": 4.0}, "commanded_equivalence_ratio", 4.0),
        (0x44, "8000", {"maximum_equivalence_ratio": 0.0}, "commanded_equivalence_ratio", 1.0),
        (0x24, "FFFFFFFF", {"maximum_oxygen_sensor_voltage": 16.0}, WIDE_RANGE_VOLTAGE, 16.0),
        (0x34, "80000000", {"maximum_oxygen_sensor_current": 64.0}, "oxygen_sensor_current_bank_1_sensor_1", -64.0),
        (0x34, "80008000", {"maximum_oxygen_sensor_current": 64.0}, "oxygen_sensor_current_bank_1_sensor_1", 0.0),
        (0x0B, "FF", {"maximum_intake_manifold_pressure": 510.0}, "intake_manifold_pressure", 510.0),
        (0x10, "FFFF", {"maximum_air_flow": 1000.0}, "air_flow", 1000.0),
        (0x10, "FFFF", None, "air_flow", 655.35),
    ],
)  # fmt: skip
def test_a_car_that_names_another_full_scale_is_read_by_it(
    pid: int, data: str, maxima: dict[str, float] | None, key: str, value: float
) -> None:
    decoded = decode_fields(pid, bytes.fromhex(data), maxima)
    assert decoded[key] == pytest.approx(value)
    assert encode_pid(pid, decoded, maxima) == bytes.fromhex(data)


def test_maxima_of_zero_are_no_values() -> None:
    assert decode_fields(0x4F, bytes.fromhex("00000033")) == {"maximum_intake_manifold_pressure": 510.0}
    assert decode_fields(0x50, bytes(4)) == {}
    assert encode_pid(0x4F, {}) == bytes(4)


@pytest.mark.parametrize("parameter", PARAMETERS, ids=lambda p: p.key)
def test_the_widest_range_holds_the_usual_one(parameter: Parameter) -> None:
    least, greatest = widest_range(parameter)
    assert least <= parameter.minimum
    assert greatest >= parameter.maximum
    assert scaling_of(parameter, None) == (parameter.scale, parameter.offset)


def test_a_value_out_of_range_saturates_like_a_control_unit() -> None:
    assert encode_pid(0x05, {"coolant_temperature": 400.0}) == b"\xff"
    assert encode_pid(0x05, {"coolant_temperature": -60.0}) == b"\x00"
    assert encode_pid(0x32, {"evap_vapour_pressure": -1e9}) == b"\x80\x00"


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_what_is_no_number_cannot_be_encoded(value: float) -> None:
    with pytest.raises(ValueError, match="engine_speed"):
        encode_pid(0x0C, {"engine_speed": value})


def test_a_value_that_must_be_there_is_asked_for() -> None:
    with pytest.raises(ValueError, match="needs a value for engine_speed"):
        encode_pid(0x0C, {})


@given(st.sets(st.integers(1, 0x20)), st.sampled_from([0x00, 0x20, 0x40, 0x60, 0x80, 0xA0]))
def test_a_support_bitmap_says_what_went_into_it(offsets: set[int], base: int) -> None:
    pids = {base + offset for offset in offsets}
    assert set(supported_in(base, support_bitmap(pids, base))) == pids


def test_a_support_bitmap_announces_the_next_one() -> None:
    assert support_bitmap([0x0C, 0x42], 0x00) == bytes.fromhex("00100001")
    assert supported_in(0x20, support_bitmap([0x0C, 0x42], 0x20)) == (0x40,)


@pytest.mark.parametrize(("data", "error"), [(b"\xff" * 3, ShortReply), (b"\xff" * 5, WrongReply)])
def test_a_support_bitmap_of_another_size_is_refused(data: bytes, error: type[Exception]) -> None:
    with pytest.raises(error):
        supported_in(0x00, data)


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("COOLANT_TEMP", "coolant_temperature"),
        ("coolant_temp", "coolant_temperature"),
        ("Short_Fuel_Trim_1", "short_term_fuel_trim_bank_1"),
        (" RPM ", "engine_speed"),
        ("O2_B1S1", "oxygen_sensor_voltage_bank_1_sensor_1"),
        ("ENGINE_SPEED", "engine_speed"),
        ("oxygen_sensor_voltage_bank_3_sensor_1", "oxygen_sensor_voltage_bank_3_sensor_1"),
        ("nothing", None),
    ],
)
def test_names_are_found_in_any_case(name: str, key: str | None) -> None:
    assert key_for_name(name) == key
