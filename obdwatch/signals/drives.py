"""From a session file to a Drive: the step from bytes to signals.

Signals are decoded anew on every load, because raw payloads are the truth and decoding may get better. Nothing is
filled in: what was damaged, impossible or refused is left out, counted and said in `Drive.problems`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np

from obdwatch.decoding.parameters import PARAMETER_BY_KEY, widest_range
from obdwatch.recording.session_file import SessionContents, read_session
from obdwatch.records import CodeReading, Drive, FloatArray, MonitorResult, Signal
from obdwatch.signals.current_data import CurrentData, decode_current_data
from obdwatch.signals.exchange_groups import ExchangeGroup, answers_in, group_exchanges
from obdwatch.signals.plausibility import isolated_jumps
from obdwatch.signals.stored_data import decode_stored_data

ADAPTER_VOLTAGE = "adapter_voltage"
_VOLTAGE_REQUEST = b"ATRV"
_VOLTAGE = re.compile(rb"(\d{1,2}\.\d{1,3})\s*V?", re.IGNORECASE)
_ENGINE_SPEED = "engine_speed"  # who sends it is the engine's control unit


@dataclass(frozen=True, slots=True)
class _Samples:
    """The values of one key from one source, before they are ordered and judged."""

    key: str
    ecu: int | None
    times: FloatArray
    values: FloatArray


def load_drive(path: Path | str) -> Drive:
    """Read a session file and decode it. Raises SessionFileError where nothing in it can be used."""
    return drive_from(read_session(path))


def drive_from(contents: SessionContents) -> Drive:
    """Decode the contents of a session file.

    The time of a value is the middle between its request and its reply. Where several control units send the same
    quantity, the engine's has the plain key and the others `key@7E9`.
    """
    answers = answers_in(contents)
    groups = group_exchanges(answers)
    times = contents.t + contents.latency / 2
    current = decode_current_data(answers, times, contents.session.supported)

    stored = decode_stored_data(groups, contents.t, contents.session.protocol, current.traits_of)
    voltage, unreadable = _adapter_voltage(groups, times)
    signals, problems = _signals([*_named(current, times), *voltage, *_imported(contents.samples)])
    return Drive(
        session=contents.session,
        signals=MappingProxyType(signals),
        codes=_merged_codes(contents.codes, stored.codes),
        monitors=_merged_monitors(contents.monitors, stored.monitors),
        freeze_frames=tuple(stored.freeze_frames),
        readiness=tuple(reading for _, reading in sorted(current.readiness, key=lambda pair: pair[0])),
        vehicle=tuple(stored.vehicle),
        marks=contents.marks,
        problems=(*contents.problems, *_refusals(current.refused + stored.refused, unreadable), *problems),
        codes_read=frozenset({*stored.codes_read, *(reading.kind for reading in contents.codes)}),
    )


def _named(current: CurrentData, times: FloatArray) -> list[_Samples]:
    """Give each key and control unit its name, and join its pieces."""
    counts = {source: sum(len(rows) for rows, _ in pieces) for source, pieces in current.pieces.items()}
    primary = primary_units(counts)
    samples = []
    for (key, ecu), pieces in current.pieces.items():
        rows = np.concatenate([rows for rows, _ in pieces])
        values = np.concatenate([values for _, values in pieces])
        samples.append(_Samples(signal_key(key, ecu, primary), ecu, times[rows], values))
    return samples


def primary_units(counts: Mapping[tuple[str, int | None], int]) -> dict[str, int | None]:
    """Return whose value has the plain key: the engine's control unit where it sends one, else the first that does.

    `counts` are how many values each control unit sent of each key.
    """
    engine = _first_unit(counts, _ENGINE_SPEED)
    return {key: engine if (key, engine) in counts else _first_unit(counts, key) for key, _ in counts}


def signal_key(key: str, ecu: int | None, primary: Mapping[str, int | None]) -> str:
    """Return the key of a control unit's signal: plain for the primary one, `key@7E9` for another."""
    return key if ecu is None or ecu == primary[key] else f"{key}@{ecu:X}"


def _first_unit(counts: Mapping[tuple[str, int | None], int], key: str) -> int | None:
    """Return the lowest address among the control units that send a key regularly: the engine's comes first on CAN.

    Regularly is at least half as often as the busiest, so that a few lost or stray replies change nothing.
    """
    units = {ecu: count for (name, ecu), count in counts.items() if name == key and ecu is not None}
    return min((ecu for ecu, count in units.items() if 2 * count >= max(units.values())), default=None)


def _adapter_voltage(groups: Sequence[ExchangeGroup], times: FloatArray) -> tuple[list[_Samples], int]:
    """Read the adapter's own measurements, `12.3V`; also return how many replies said something else."""
    own = [group for group in groups if group.request == _VOLTAGE_REQUEST]
    asked = [pair for group in own for pair in group.payloads()]
    read = [(row, match) for row, payload in asked if (match := _VOLTAGE.fullmatch(payload.strip()))]
    if not read:
        return [], len(asked)
    rows = np.array([row for row, _ in read])
    values = np.array([float(match[1]) for _, match in read])
    return [_Samples(ADAPTER_VOLTAGE, None, times[rows], values)], len(asked) - len(read)


def _imported(samples: Mapping[str, tuple[FloatArray, FloatArray]]) -> list[_Samples]:
    return [_Samples(key, None, times, values) for key, (times, values) in samples.items()]


def _signals(samples: Sequence[_Samples]) -> tuple[dict[str, Signal], list[str]]:
    signals: dict[str, Signal] = {}
    problems: list[str] = []
    for key in dict.fromkeys(sample.key for sample in samples):
        same = [sample for sample in samples if sample.key == key]
        times = np.concatenate([sample.times for sample in same]).astype(np.float64)
        values = np.concatenate([sample.values for sample in same]).astype(np.float64)
        times, values = _possible(key, times, values, problems)
        times, values = _in_order(times, values)
        times, values = _plausible(key, times, values, problems)
        if len(times):
            signals[key] = Signal(key, _unit(key), times, values, same[0].ecu)
    return signals, problems


def _unit(key: str) -> str:
    parameter = PARAMETER_BY_KEY.get(key.partition("@")[0])
    if parameter is not None:
        return parameter.unit
    return "V" if key == ADAPTER_VOLTAGE else ""


def _possible(key: str, times: FloatArray, values: FloatArray, problems: list[str]) -> tuple[FloatArray, FloatArray]:
    """Leave out what the parameter cannot be: only imported samples can lie outside."""
    good = np.isfinite(times) & np.isfinite(values)
    limits = ""
    parameter = PARAMETER_BY_KEY.get(key.partition("@")[0])
    if parameter is not None:
        least, greatest = widest_range(parameter)
        with np.errstate(invalid="ignore"):
            good &= (values >= least - parameter.scale / 2) & (values <= greatest + parameter.scale / 2)
        limits = f", or outside {least:g} to {greatest:g} {parameter.unit}".rstrip()
    bad = len(good) - int(np.count_nonzero(good))
    if bad:
        problems.append(f"{key}: {_counted(bad, 'value')} left out: no number{limits}")
    return times[good], values[good]


def _in_order(times: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Sort by time; of several values at the same instant the first stays."""
    order = np.argsort(times, kind="stable")
    times, values = times[order], values[order]
    new = np.diff(times, prepend=-np.inf) > 0
    return times[new], values[new]


def _plausible(key: str, times: FloatArray, values: FloatArray, problems: list[str]) -> tuple[FloatArray, FloatArray]:
    jumps = isolated_jumps(key, times, values)
    count = int(np.count_nonzero(jumps))
    if count:
        reason = "damaged on the way, or a loose connection of the sensor"
        problems.append(f"{key}: {_counted(count, 'single value')} far from both neighbours left out ({reason})")
    return times[~jumps], values[~jumps]


def _merged_codes(first: Iterable[CodeReading], second: Iterable[CodeReading]) -> tuple[CodeReading, ...]:
    return tuple(dict.fromkeys((*first, *second)))


def _merged_monitors(first: Iterable[MonitorResult], second: Iterable[MonitorResult]) -> tuple[MonitorResult, ...]:
    return tuple(dict.fromkeys((*first, *second)))


def _refusals(replies: int, voltages: int) -> list[str]:
    problems = []
    if replies:
        problems.append(f"{_counted(replies, 'reply', 'replies')} did not fit the request and gave no value")
    if voltages:
        problems.append(f"{_counted(voltages, 'voltage reading')} of the adapter gave no number and no value")
    return problems


def _counted(count: int, one: str, many: str = "") -> str:
    return f"{count} {one if count == 1 else many or one + 's'}"
