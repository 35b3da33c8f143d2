"""The table of service 01 must be whole and free of contradictions; what it says is checked in tests/reference."""

from __future__ import annotations

from collections import Counter

import pytest

from obdwatch.decoding.parameter_table import DataLength, SensorLayout, read_fields, read_lengths
from obdwatch.decoding.parameters import LENGTHS, PARAMETER_BY_KEY, PARAMETERS, fields_of
from obdwatch.records import Parameter, PollClass

# Reserved, or with a content or length that is not public as far as we know (from memory of SAE J1979-DA).
NOT_PUBLIC = {0x95, 0x96, 0x97, 0xA7, 0xA8}
BOTH_LAYOUTS = [(layout, pid) for layout in SensorLayout for pid in sorted(LENGTHS)]


def bits_of(parameter: Parameter) -> set[int]:
    return set(range(parameter.first_bit, parameter.first_bit + parameter.bits))


def test_every_parameter_from_00_to_a9_has_a_length_or_is_known_not_to_be_public() -> None:
    assert set(LENGTHS) | NOT_PUBLIC == set(range(0xAA))
    assert set(LENGTHS) & NOT_PUBLIC == set()


def test_every_parameter_with_a_length_has_fields() -> None:
    assert [pid for pid in LENGTHS if not fields_of(pid)] == []


def test_keys_are_unique_and_plain_words() -> None:
    repeated = [key for key, count in Counter(parameter.key for parameter in PARAMETERS).items() if count > 1]
    assert repeated == []
    assert all(key.replace("_", "").isalnum() and key == key.lower() for key in PARAMETER_BY_KEY)


@pytest.mark.parametrize(("layout", "pid"), BOTH_LAYOUTS)
def test_fields_of_a_parameter_do_not_overlap_and_lie_within_its_longest_reply(layout: SensorLayout, pid: int) -> None:
    taken: set[int] = set()
    for parameter in fields_of(pid, layout):
        assert not bits_of(parameter) & taken, parameter.key
        taken |= bits_of(parameter)
    assert max(taken) < 8 * max(LENGTHS[pid].bytes, *LENGTHS[pid].other, 0)


@pytest.mark.parametrize("parameter", [p for p in PARAMETERS if p.support_bit is not None], ids=lambda p: p.key)
def test_a_support_bit_lies_in_the_first_byte_and_the_field_behind_it(parameter: Parameter) -> None:
    assert parameter.support_bit in range(8)
    assert parameter.first_bit >= 8


def test_every_row_names_its_source_and_what_is_from_memory_says_so() -> None:
    sources = {parameter.source for parameter in PARAMETERS} | {length.source for length in LENGTHS.values()}
    assert all(
        source.startswith("SAE J1979") and ("from memory" in source or "scapy" in source or "python-OBD" in source)
        for source in sources
    )


def test_a_length_from_memory_is_never_relied_on_in_a_shared_request() -> None:
    doubtful = [length for length in LENGTHS.values() if length.source == "SAE J1979-DA (from memory)"]
    assert doubtful
    assert all(length.alone for length in doubtful)


def test_rescaled_fields_name_a_maximum_that_exists() -> None:
    named = {parameter.full_scale for parameter in PARAMETERS if parameter.full_scale}
    assert named == {parameter.key for parameter in PARAMETERS if parameter.pid in (0x4F, 0x50)}


def test_fast_moving_quantities_are_polled_fast_and_slow_ones_slowly() -> None:
    fast = [
        "engine_speed",
        "calculated_load",
        "intake_manifold_pressure",
        "air_flow",
        "timing_advance",
        "vehicle_speed",
    ]
    fast += ["short_term_fuel_trim_bank_1", "short_term_fuel_trim_bank_2", "throttle_position", "absolute_load"]
    slow = ["coolant_temperature", "intake_air_temperature", "long_term_fuel_trim_bank_1", "control_module_voltage"]
    assert {PARAMETER_BY_KEY[key].poll_class for key in fast} == {PollClass.FAST}
    assert {PARAMETER_BY_KEY[key].poll_class for key in slow} == {PollClass.SLOW}
    assert all(parameter.poll_class is PollClass.ONCE for parameter in fields_of(0x4F) + fields_of(0x50))


def test_the_two_layouts_differ_only_in_oxygen_sensors_and_third_and_fourth_banks() -> None:
    fields = read_fields(read_lengths())
    two, four = ({parameter.key for parameter in fields[layout]} for layout in SensorLayout)
    assert all("sensor_3" in key or "sensor_4" in key for key in two - four)
    assert all("bank_3" in key or "bank_4" in key for key in four - two)


def test_lengths_are_read_with_their_alternatives() -> None:
    assert LENGTHS[0x6D] == DataLength(
        0x6D, 11, (6,), True, "Fuel pressure control", "SAE J1979 (checked against scapy)"
    )


def test_states_are_named_for_what_is_an_enumeration() -> None:
    assert PARAMETER_BY_KEY["fuel_system_status"].states[2] == "closed loop"
    assert PARAMETER_BY_KEY["fuel_type"].states[1] == "petrol"
    assert dict(PARAMETER_BY_KEY["engine_speed"].states) == {}


def test_a_trim_of_a_third_bank_says_how_long_its_reply_is() -> None:
    assert PARAMETER_BY_KEY["short_term_fuel_trim_bank_1"].pid_bytes == 1
    assert PARAMETER_BY_KEY["short_term_fuel_trim_bank_3"].pid_bytes == 2
    assert PARAMETER_BY_KEY["fuel_rail_pressure_a"].pid_bytes == 11
