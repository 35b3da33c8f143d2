"""Service 01 of a whole session: values by key and control unit, decoded in columns.

The first proper reply of a group is the template. Where the service and parameter bytes of another reply are equal
at the same places, it has been cut in the same way, so checking those bytes is the whole check; what differs gets a
template of its own, or is refused.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from obdwatch.decoding.columns import decode_columns
from obdwatch.decoding.parameter_table import CURRENT_DATA, SensorLayout
from obdwatch.decoding.parameters import MAXIMA_PIDS, decode_fields, layout_of
from obdwatch.decoding.readiness import SINCE_ERASE, THIS_CYCLE, decode_readiness
from obdwatch.decoding.replies import check_reply, parameter_places
from obdwatch.errors import ReplyError
from obdwatch.records import FloatArray, PollClass, Readiness
from obdwatch.signals.exchange_groups import ByteMatrix, ExchangeGroup, Rows

SourceKey = tuple[str, int | None]


@dataclass(frozen=True, slots=True)
class ParameterBlock:
    """The data bytes of one parameter in many replies of one control unit; `rows` are the places of the exchanges."""

    pid: int
    ecu: int | None
    rows: Rows
    data: ByteMatrix


@dataclass(frozen=True, slots=True)
class UnitTraits:
    """What must be known of a control unit before its values are: rescaling maxima and oxygen sensor layout."""

    maxima: Mapping[str, float] = field(default_factory=dict)
    layout: SensorLayout = SensorLayout.TWO_BANKS


@dataclass(slots=True)
class CurrentData:
    """What service 01 said: pieces of (rows, values) by key and control unit, readiness, traits of the units, and how
    many replies were refused.
    """

    pieces: dict[SourceKey, list[tuple[Rows, FloatArray]]] = field(default_factory=lambda: defaultdict(list))
    readiness: list[tuple[int, Readiness]] = field(default_factory=list)
    traits: dict[int | None, UnitTraits] = field(default_factory=dict)
    refused: int = 0

    def traits_of(self, ecu: int | None) -> UnitTraits:
        """Return what is known of a control unit; the defaults of the standard for one that sent nothing."""
        return self.traits.get(ecu, UnitTraits())


def decode_current_data(
    groups: Sequence[ExchangeGroup], times: FloatArray, supported: Mapping[int, Sequence[int]]
) -> CurrentData:
    """Decode all groups of service 01; `times` [s] of the exchanges, `supported` parameter ids by control unit."""
    result = CurrentData()
    blocks = [block for group in groups if group.service == CURRENT_DATA for block in _blocks(group, result)]
    result.traits |= {ecu: _traits(ecu, blocks, supported) for ecu in {group.ecu for group in groups}}
    for block in blocks:
        _add_values(result, block)
        if block.pid in (SINCE_ERASE, THIS_CYCLE):
            _add_readiness(result, block, times)
    return result


def _blocks(group: ExchangeGroup, result: CurrentData) -> Iterator[ParameterBlock]:
    matrix = group.data
    left = np.ones(len(group.rows), dtype=np.bool_)
    while left.any():
        first = int(np.argmax(left))
        places = _places(group.request, matrix[first].tobytes())
        if not places:
            left[first] = False
            result.refused += 1
            continue
        echoes = [0, *(start - 1 for _, start, _ in places)]
        same = left & (matrix[:, echoes] == matrix[first, echoes]).all(axis=1)
        left &= ~same
        for pid, start, end in places:
            yield ParameterBlock(pid, group.ecu, group.rows[same], matrix[same, start:end])


def _places(request: bytes, payload: bytes) -> tuple[tuple[int, int, int], ...]:
    try:
        check_reply(request, payload)
        return parameter_places(payload)
    except ReplyError:
        return ()


def _traits(ecu: int | None, blocks: Sequence[ParameterBlock], supported: Mapping[int, Sequence[int]]) -> UnitTraits:
    own = [block for block in blocks if block.ecu == ecu]
    claimed = set(supported.get(ecu, ())) if ecu is not None else set()
    readings = Counter((block.pid, data.tobytes()) for block in own if block.pid in MAXIMA_PIDS for data in block.data)
    maxima: dict[str, float] = {}
    for (pid, data), _ in reversed(readings.most_common()):  # a damaged reading loses against the repeated one
        maxima |= decode_fields(pid, data)
    return UnitTraits(maxima, layout_of(claimed | {block.pid for block in own}))


def _add_values(result: CurrentData, block: ParameterBlock) -> None:
    traits = result.traits_of(block.ecu)
    for column in decode_columns(block.pid, block.data, traits.maxima, traits.layout):
        if column.parameter.poll_class is PollClass.NEVER or not column.present.any():
            continue
        piece = block.rows[column.present], column.values[column.present]
        result.pieces[column.parameter.key, block.ecu].append(piece)


def _add_readiness(result: CurrentData, block: ParameterBlock, times: FloatArray) -> None:
    for row, data in zip(block.rows.tolist(), block.data, strict=True):
        reading = decode_readiness(data.tobytes(), float(times[row]), block.ecu, block.pid == THIS_CYCLE)
        result.readiness.append((row, reading))
