"""Service 01 of a whole session: values by key and control unit, decoded in columns."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from obdwatch.decoding.columns import decode_columns
from obdwatch.decoding.parameter_table import CURRENT_DATA, SensorLayout
from obdwatch.decoding.parameters import MAXIMA_PIDS, decode_fields, layout_of
from obdwatch.decoding.readiness import SINCE_ERASE, THIS_CYCLE, decode_readiness
from obdwatch.records import FloatArray, PollClass, Readiness
from obdwatch.signals.exchange_groups import Answers, Rows
from obdwatch.signals.parameter_blocks import ParameterBlock, parameter_blocks

SourceKey = tuple[str, int | None]


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


def decode_current_data(answers: Answers, times: FloatArray, supported: Mapping[int, Sequence[int]]) -> CurrentData:
    """Decode all of service 01; `times` [s] of the exchanges, `supported` parameter ids by control unit."""
    blocks, refused = parameter_blocks(answers.of_service(CURRENT_DATA))
    result = CurrentData(refused=refused)
    result.traits |= {ecu: _traits(ecu, blocks, supported) for ecu in answers.units()}
    for block in blocks:
        _add_values(result, block)
        if block.pid in (SINCE_ERASE, THIS_CYCLE):
            _add_readiness(result, block, times)
    return result


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
