"""Reads the two tables of SAE J1979 service 01: which fields a parameter id holds, and how long its data is.

`parameters.csv` has a row per field, `parameter_lengths.csv` one per parameter id. Everything in decoding that needs
a layout asks here; nothing else knows one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from obdwatch.decoding.tables import table_number, table_rows
from obdwatch.records import Parameter, PollClass

CURRENT_DATA = 0x01


class SensorLayout(StrEnum):
    """How a car numbers its oxygen sensors; it follows from which of parameters 13 and 1D it supports.

    With 13, parameters 14-1B (24-2B, 34-3B) are bank 1 sensors 1-4 and bank 2 sensors 1-4. With 1D they are sensors
    1-2 of banks 1 to 4, and 06-09 and 55-58 carry a second byte for banks 3 and 4.
    """

    TWO_BANKS = "two_banks"
    FOUR_BANKS = "four_banks"


@dataclass(frozen=True, slots=True)
class DataLength:
    """How many data bytes a parameter id has.

    `bytes` is the length of the layout in the field table, `other` are lengths of other published layouts, `alone`
    says that the parameter must not share a request because its length is not beyond doubt.
    """

    pid: int
    bytes: int
    other: tuple[int, ...]
    alone: bool
    name: str
    source: str


def read_lengths() -> Mapping[int, DataLength]:
    """Return the length of every parameter id whose length is public."""
    lengths = (_length(row) for row in table_rows("parameter_lengths.csv"))
    return MappingProxyType({length.pid: length for length in lengths})


def read_fields(lengths: Mapping[int, DataLength]) -> Mapping[SensorLayout, tuple[Parameter, ...]]:
    """Return the fields of all parameters in table order, for each oxygen sensor layout."""
    fields: dict[SensorLayout, list[Parameter]] = {layout: [] for layout in SensorLayout}
    for row in table_rows("parameters.csv"):
        parameter = _parameter(row, lengths)
        for layout in (SensorLayout(row["layout"]),) if row["layout"] else SensorLayout:
            fields[layout].append(parameter)
    return MappingProxyType({layout: tuple(parameters) for layout, parameters in fields.items()})


def _length(row: Mapping[str, str]) -> DataLength:
    return DataLength(
        pid=int(row["pid"], 16),
        bytes=int(row["bytes"]),
        other=tuple(int(text) for text in row["other_bytes"].split()),
        alone=row["alone"] == "yes",
        name=row["name"],
        source=row["source"],
    )


def _parameter(row: Mapping[str, str], lengths: Mapping[int, DataLength]) -> Parameter:
    pid, bits, signed = int(row["pid"], 16), int(row["bits"]), row["signed"] == "yes"
    scale, offset = table_number(row["scale"]), table_number(row["offset"])
    lowest = -(1 << (bits - 1)) if signed else 0
    first_bit = int(row["first_bit"])
    return Parameter(
        key=row["key"],
        service=CURRENT_DATA,
        pid=pid,
        name=row["name"],
        unit=row["unit"],
        pid_bytes=_bytes_holding(lengths[pid], first_bit + bits),
        first_bit=first_bit,
        bits=bits,
        signed=signed,
        scale=scale,
        offset=offset,
        minimum=lowest * scale + offset,
        maximum=(lowest + (1 << bits) - 1) * scale + offset,
        poll_class=PollClass(row["poll_class"]),
        obd_command=row["obd_command"] or None,
        source=row["source"],
        support_bit=int(row["support_bit"]) if row["support_bit"] else None,
        full_scale=row["full_scale"] or None,
        absent_raw=int(row["absent_raw"]) if row["absent_raw"] else None,
        states=_states(row["states"]),
    )


def _bytes_holding(length: DataLength, bits: int) -> int:
    """Return the table's layout, or the longer one where the field lies beyond it (trims of a third bank)."""
    return min(size for size in (length.bytes, *length.other) if size >= length.bytes and 8 * size >= bits)


def _states(text: str) -> Mapping[int, str]:
    pairs = (item.split("=", 1) for item in text.split(";") if item)
    return MappingProxyType({int(raw): meaning for raw, meaning in pairs})
