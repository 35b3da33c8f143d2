"""Signals that were imported as values, put back into the bytes a car would have sent for them."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import inf

import numpy as np

from obdwatch.adapters.virtual.recorded_answers import INTERVALS_KEPT, Silences, kept_for
from obdwatch.decoding.parameters import (
    PARAMETER_BY_KEY,
    decode_fields,
    encode_pid,
    fields_of,
    layout_of,
    scaling_of,
)
from obdwatch.errors import ReplyError
from obdwatch.records import FloatArray


@dataclass(frozen=True, slots=True)
class _Series:
    """One signal: its times [s] and values, and how long a value stands because the next came no sooner [s]."""

    times: list[float]
    values: list[float]
    kept_for: float


class ImportedSamples:
    """Signals that were imported as values: encoded as the car would have sent them."""

    def __init__(
        self, samples: Mapping[str, tuple[FloatArray, FloatArray]], first_unit: int, silences: Silences
    ) -> None:
        self._signals: dict[int, dict[str, _Series]] = {}
        self._silences = silences
        self._pids: dict[int, set[int]] = {}
        for name, (times, values) in samples.items():
            key, _, text = name.partition("@")
            unit = _address(text, first_unit)
            if key in PARAMETER_BY_KEY and unit is not None:
                usual = float(np.median(np.diff(times))) if len(times) > 1 else 0.0
                series = _Series(times.tolist(), values.tolist(), INTERVALS_KEPT * usual)
                self._signals.setdefault(unit, {})[key] = series

    @property
    def units(self) -> list[int]:
        """Addresses of the control units that have signals."""
        return list(self._signals)

    def pids(self, unit: int) -> set[int]:
        """The parameters whose fields are known well enough to be sent."""
        if unit not in self._pids:
            lowest = {key: PARAMETER_BY_KEY[key].minimum for key in self._signals.get(unit, {})}
            present = {PARAMETER_BY_KEY[key].pid for key in lowest}
            self._pids[unit] = {pid for pid in present if _encoded(pid, lowest, present) is not None}
        return self._pids[unit]

    def readings(self, key: str) -> Iterable[tuple[float, float]]:
        """Times and values of one signal, of every unit that has it."""
        for signals in self._signals.values():
            if key in signals:
                yield from zip(signals[key].times, signals[key].values, strict=True)

    def encoded(self, unit: int, pid: int, t: float) -> bytes | None:
        """The parameter's data at `t`; None where a value is missing, too old, or more than the bytes can say."""
        signals, fields = self._signals.get(unit, {}), fields_of(pid, layout_of(self.pids(unit)))
        keys = {field.key for field in fields}
        maxima = {field.full_scale for field in fields if field.full_scale}
        values = {
            key: value
            for key in signals
            if key in keys | maxima and (value := self._value(signals[key], pid, t)) is not None
        }
        return _encoded(pid, values, self.pids(unit)) if keys & values.keys() else None

    def _value(self, signal: _Series, pid: int, t: float) -> float | None:
        place = bisect_right(signal.times, t) - 1
        if place < 0 or signal.times[place] < self._silences.unbroken_since(t):
            return None
        age = t - signal.times[place]
        return signal.values[place] if age <= max(kept_for((0x01, bytes([pid]))), signal.kept_for) else None


def _address(text: str, first_unit: int) -> int | None:
    try:
        return int(text, 16) if text else first_unit
    except ValueError:
        return None


def _encoded(pid: int, values: Mapping[str, float], pids: Iterable[int]) -> bytes | None:
    """The data bytes, None where they could not say these values (missing, or beyond the range, which saturates)."""
    layout = layout_of(pids)
    try:
        data = encode_pid(pid, values, values, layout)
        said = decode_fields(pid, data, values, layout)
    except (ValueError, ReplyError):
        return None
    for field in fields_of(pid, layout):
        step = scaling_of(field, values)[0]
        if field.key in values and abs(said.get(field.key, inf) - values[field.key]) > abs(step):
            return None
    return data
