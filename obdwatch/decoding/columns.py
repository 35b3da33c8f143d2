"""Service 01 for whole recordings: the same field table as `parameters`, applied to a matrix of replies at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from obdwatch.decoding.parameter_table import SensorLayout
from obdwatch.decoding.parameters import fields_of, scaling_of
from obdwatch.records import BoolArray, FloatArray, Parameter

ByteMatrix = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Column:
    """The values of one field, one per reply; `present` is False where the car says it has none."""

    parameter: Parameter
    values: FloatArray
    present: BoolArray


def decode_columns(
    pid: int,
    data: ByteMatrix,
    maxima: Mapping[str, float] | None = None,
    layout: SensorLayout = SensorLayout.TWO_BANKS,
) -> tuple[Column, ...]:
    """Return the fields of one parameter from its data bytes, shape (replies, bytes), as `decode_fields` does for one.

    The caller has checked that the number of bytes is one that the parameter can have.
    """
    fitting = (field for field in fields_of(pid, layout) if field.first_bit + field.bits <= 8 * data.shape[1])
    return tuple(_column(field, data, maxima) for field in fitting)


def _column(parameter: Parameter, data: ByteMatrix, maxima: Mapping[str, float] | None) -> Column:
    raw = _raw(parameter, data)
    present = np.ones(len(raw), dtype=np.bool_)
    if parameter.support_bit is not None:
        present &= (data[:, 0] >> parameter.support_bit & 1).astype(np.bool_)
    if parameter.absent_raw is not None:
        present &= raw != parameter.absent_raw
    scale, offset = scaling_of(parameter, maxima)
    return Column(parameter, raw.astype(np.float64) * scale + offset, present)


def _raw(parameter: Parameter, data: ByteMatrix) -> NDArray[np.int64]:
    first, end = parameter.first_bit // 8, -(-(parameter.first_bit + parameter.bits) // 8)
    raw = data[:, first].astype(np.int64)
    for place in range(first + 1, end):
        raw = raw << 8 | data[:, place]
    below = 8 * end - parameter.first_bit - parameter.bits
    if below or 8 * first != parameter.first_bit:
        raw = raw >> below & ((1 << parameter.bits) - 1)
    if parameter.signed:
        raw = np.where(raw >> (parameter.bits - 1), raw - (1 << parameter.bits), raw)
    return raw
