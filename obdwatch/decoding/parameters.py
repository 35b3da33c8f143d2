"""Service 01 of SAE J1979: what a parameter id means, in both directions, one reply at a time.

Whole recordings are decoded by `columns`; stand-ins that answer like a car use the `encode_*` side. Keys and units
are those of the table in `parameter_table`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from itertools import groupby
from operator import attrgetter

from obdwatch.decoding.parameter_table import SensorLayout, read_fields, read_lengths
from obdwatch.errors import ShortReply, WrongReply
from obdwatch.records import Parameter

LENGTHS = read_lengths()
_FIELDS = read_fields(LENGTHS)
PARAMETERS: tuple[Parameter, ...] = _FIELDS[SensorLayout.TWO_BANKS]
"""Every field of service 01, oxygen sensors numbered as by a car that supports parameter 13."""

PARAMETER_BY_KEY: Mapping[str, Parameter] = {
    parameter.key: parameter for parameter in (*_FIELDS[SensorLayout.FOUR_BANKS], *PARAMETERS)
}
"""Every key, also those that only a car with parameter 1D has (banks 3 and 4)."""

_BY_PID: dict[tuple[int, SensorLayout], tuple[Parameter, ...]] = {
    (pid, layout): tuple(group)
    for layout, parameters in _FIELDS.items()
    for pid, group in groupby(parameters, key=attrgetter("pid"))
}
_KEY_BY_NAME = {
    name.lower(): parameter.key
    for parameter in PARAMETER_BY_KEY.values()
    for name in (parameter.obd_command, parameter.key)
    if name
}
BITMAP_BASES = tuple(range(0x00, 0xC0, 0x20))
MAXIMA_PIDS = (0x4F, 0x50)


def fields_of(pid: int, layout: SensorLayout = SensorLayout.TWO_BANKS) -> tuple[Parameter, ...]:
    """Return the fields of a parameter id in table order; none for one whose content is not public."""
    return _BY_PID.get((pid, layout), ())


def data_length(pid: int) -> int | None:
    """Return the number of data bytes of a parameter id, None where it is not known beyond doubt.

    A parameter without a sure length can only be asked for alone.
    """
    length = LENGTHS.get(pid)
    return None if length is None or length.alone else length.bytes


def possible_lengths(pid: int) -> tuple[int, ...]:
    """Return every published number of data bytes of a parameter id, none where nothing is published."""
    length = LENGTHS.get(pid)
    return () if length is None else (length.bytes, *length.other)


def layout_of(supported: Iterable[int]) -> SensorLayout:
    """Return how a control unit that supports these parameter ids numbers its oxygen sensors."""
    pids = set(supported)
    return SensorLayout.FOUR_BANKS if 0x1D in pids and 0x13 not in pids else SensorLayout.TWO_BANKS


def key_for_name(name: str) -> str | None:
    """Return the key for a J1979 key or a python-OBD command name, in any case; None for a name nobody knows."""
    return _KEY_BY_NAME.get(name.strip().lower())


def decode_fields(
    pid: int,
    data: bytes,
    maxima: Mapping[str, float] | None = None,
    layout: SensorLayout = SensorLayout.TWO_BANKS,
) -> dict[str, float]:
    """Return the values of a parameter's data by key; a field the car does not support is left out.

    `data` is what follows the parameter id. `maxima` are the values of parameters 4F and 50 of the same control unit,
    where it sent them. Raises ShortReply or WrongReply for a length that no published layout has.
    """
    check_data_length(pid, data)
    number, total = int.from_bytes(data, "big"), 8 * len(data)
    values = {}
    for parameter in fields_of(pid, layout):
        raw = _raw_of(parameter, number, total)
        if raw is not None and is_present(parameter, raw, data[0]):
            scale, offset = scaling_of(parameter, maxima)
            values[parameter.key] = raw * scale + offset
    return values


def check_data_length(pid: int, data: bytes) -> None:
    """Raise ShortReply or WrongReply unless `data` is as long as some published layout of the parameter."""
    lengths = possible_lengths(pid)
    if len(data) in lengths or (not lengths and data):
        return
    text = f"parameter {pid:02X} has {len(data)} data bytes instead of {' or '.join(map(str, lengths)) or 'some'}"
    raise ShortReply(text) if len(data) < max(lengths, default=1) else WrongReply(text)


def is_present(parameter: Parameter, raw: int, first_byte: int) -> bool:
    """Whether a raw value is one: its support bit is set and it is not the mark for "no value"."""
    supported = parameter.support_bit is None or bool(first_byte >> parameter.support_bit & 1)
    return supported and raw != parameter.absent_raw


def scaling_of(parameter: Parameter, maxima: Mapping[str, float] | None) -> tuple[float, float]:
    """Return scale and offset of a field, rescaled where the car named another full scale in 4F or 50.

    A range around zero is spread over -maximum .. +maximum, any other over 0 .. maximum (SAE J1979, parameter 4F).
    """
    maximum = (maxima or {}).get(parameter.full_scale or "")
    if not maximum:
        return parameter.scale, parameter.offset
    if parameter.offset < 0:
        return maximum / (1 << (parameter.bits - 1)), -maximum
    return maximum / ((1 << parameter.bits) - 1), 0.0


def widest_range(parameter: Parameter) -> tuple[float, float]:
    """Return the least and the greatest value a field can have in any car, rescaled or not."""
    if parameter.full_scale is None:
        return parameter.minimum, parameter.maximum
    greatest = max(parameter.maximum, PARAMETER_BY_KEY[parameter.full_scale].maximum)
    return (-greatest if parameter.offset < 0 else parameter.minimum), greatest


def encode_pid(
    pid: int,
    values: Mapping[str, float],
    maxima: Mapping[str, float] | None = None,
    layout: SensorLayout = SensorLayout.TWO_BANKS,
) -> bytes:
    """Return the data bytes with which a car would report these values; the inverse of `decode_fields`.

    A value beyond the range saturates, as in a control unit. A field without value clears its support bit or takes
    the mark for "no value". Raises ValueError where neither exists, for a value that is not finite, and for a
    parameter whose layout is not public.
    """
    fields = fields_of(pid, layout)
    if not fields:
        raise ValueError(f"parameter {pid:02X} has no public layout")
    given = [field for field in fields if field.key in values]
    length = _encoded_length(pid, given)
    shown = {field.support_bit for field in given if field.support_bit is not None}
    number = sum(1 << (8 * (length - 1) + bit) for bit in shown)
    for parameter in fields:
        if parameter.first_bit + parameter.bits > 8 * length:
            continue
        value = values.get(parameter.key)
        if value is None:
            raw = _absent_raw(parameter, required=parameter.support_bit is None or parameter.support_bit in shown)
        else:
            raw = _encoded_raw(parameter, value, maxima)
        number |= raw << (8 * length - parameter.first_bit - parameter.bits)
    return number.to_bytes(length, "big")


def support_bitmap(pids: Iterable[int], base: int) -> bytes:
    """Return the four bytes that say which of `base + 1` .. `base + 20` (hex) are supported.

    The last bit is also set when any later parameter is, because that is where the next bitmap is announced.
    """
    number = 0
    for pid in pids:
        if base < pid <= base + 0x20:
            number |= 1 << (0x20 - (pid - base))
        elif pid > base + 0x20:
            number |= 1
    return number.to_bytes(4, "big")


def supported_in(base: int, data: bytes) -> tuple[int, ...]:
    """Return the ids a four-byte support bitmap claims, in order. Raises ShortReply or WrongReply by its length."""
    if len(data) != 4:
        text = f"support bitmap {base:02X} has {len(data)} bytes instead of 4"
        raise ShortReply(text) if len(data) < 4 else WrongReply(text)
    number = int.from_bytes(data, "big")
    return tuple(base + 1 + bit for bit in range(32) if number >> (31 - bit) & 1)


def _raw_of(parameter: Parameter, number: int, total_bits: int) -> int | None:
    """Cut a field out of the whole data as a number; None where a shorter layout ends before it."""
    below = total_bits - parameter.first_bit - parameter.bits
    if below < 0:
        return None
    raw = number >> below & ((1 << parameter.bits) - 1)
    return raw - (1 << parameter.bits) if parameter.signed and raw >> (parameter.bits - 1) else raw


def _encoded_length(pid: int, given: list[Parameter]) -> int:
    """Choose the table's layout, or a longer one where a given value lies beyond it."""
    needed = max((-(-(field.first_bit + field.bits) // 8) for field in given), default=0)
    return min(length for length in possible_lengths(pid) if length >= max(needed, LENGTHS[pid].bytes))


def _absent_raw(parameter: Parameter, required: bool) -> int:
    if required and parameter.absent_raw is None:
        raise ValueError(f"parameter {parameter.pid:02X} needs a value for {parameter.key}")
    return (parameter.absent_raw or 0) & ((1 << parameter.bits) - 1)


def _encoded_raw(parameter: Parameter, value: float, maxima: Mapping[str, float] | None) -> int:
    if not math.isfinite(value):
        raise ValueError(f"{parameter.key} cannot be {value}")
    mask = (1 << parameter.bits) - 1
    scale, offset = scaling_of(parameter, maxima)
    lowest = -(1 << (parameter.bits - 1)) if parameter.signed else 0
    return min(max(round((value - offset) / scale), lowest), lowest + mask) & mask
