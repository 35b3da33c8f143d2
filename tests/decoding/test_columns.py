"""Decoding in columns must say what decoding one by one says, for every parameter and every byte."""

from __future__ import annotations

import numpy as np
import pytest

from obdwatch.decoding.columns import decode_columns
from obdwatch.decoding.parameter_table import SensorLayout
from obdwatch.decoding.parameters import LENGTHS, decode_fields, possible_lengths

MAXIMA = {
    "maximum_equivalence_ratio": 4.0,
    "maximum_oxygen_sensor_voltage": 16.0,
    "maximum_oxygen_sensor_current": 200.0,
    "maximum_intake_manifold_pressure": 510.0,
    "maximum_air_flow": 1000.0,
}
CASES = [(pid, length) for pid in sorted(LENGTHS) for length in possible_lengths(pid)]


@pytest.mark.parametrize("layout", list(SensorLayout))
@pytest.mark.parametrize("maxima", [None, MAXIMA], ids=["default", "rescaled"])
def test_columns_equal_single_replies(layout: SensorLayout, maxima: dict[str, float] | None) -> None:
    chance = np.random.default_rng(7)
    for pid, length in CASES:
        data = chance.integers(0, 256, size=(24, length), dtype=np.uint8)
        data[0], data[1] = 0, 255
        columns = decode_columns(pid, data, maxima, layout)
        for row, content in enumerate(data):
            one = {column.parameter.key: column.values[row] for column in columns if column.present[row]}
            assert one == decode_fields(pid, content.tobytes(), maxima, layout)


def test_no_replies_give_empty_columns() -> None:
    (column,) = decode_columns(0x0C, np.empty((0, 2), dtype=np.uint8))
    assert column.values.shape == column.present.shape == (0,)


def test_a_parameter_without_public_layout_gives_no_columns() -> None:
    assert decode_columns(0x97, np.zeros((3, 4), dtype=np.uint8)) == ()


def test_input_is_left_as_it_was() -> None:
    data = np.array([[0x1A, 0xF8]], dtype=np.uint8)
    data.flags.writeable = False
    (column,) = decode_columns(0x0C, data)
    assert column.values.tolist() == [1726.0]
