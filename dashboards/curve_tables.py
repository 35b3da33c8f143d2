"""A curve as a small table, for whoever cannot see the picture; pure functions, no markup."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from dashboards.wording import number, quantities, quantity
from obdwatch.curves.curve import Curve, Expected, Look, Panel, Series
from obdwatch.records import FloatArray
from obdwatch.units import to_screen

MOST_ROWS = 8


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the table: where, what was measured there, and what was expected."""

    at: str
    measured: tuple[str, ...]
    expected: str


def columns(panel: Panel) -> tuple[str, ...]:
    """The names of the measured columns of `rows`."""
    return tuple(one.name for one in _told(panel))


def rows(curve: Curve, panel: Panel, units: str) -> tuple[Row, ...]:
    """The picture in at most eight lines: the middle of what was measured in each piece of the x axis."""
    told = _told(panel)
    every = np.concatenate([one.x[np.isfinite(one.y)] for one in told]) if told else np.empty(0)
    if not every.size:
        return ()
    if curve.x.labels:
        edges = np.arange(0.5, len(curve.x.labels) + 1.0)
    else:
        edges = np.linspace(float(every.min()), float(every.max()), MOST_ROWS + 1)
    found = []
    for place, (low, high) in enumerate(pairwise(edges.tolist())):
        last = place == len(edges) - 2
        seen = [_middle(one, low, high, last) for one in told]
        if not any(np.isfinite(seen)):
            continue
        at = curve.x.labels[place] if curve.x.labels else number(to_screen((low + high) / 2.0, curve.x.unit, units))
        expected = _expected(panel.expected, (low + high) / 2.0, units, panel.axis.unit)
        found.append(Row(at, tuple(number(to_screen(one, panel.axis.unit, units)) for one in seen), expected))
    return tuple(found)


def _told(panel: Panel) -> Sequence[Series]:
    plain = [one for one in panel.measured if one.look is not Look.MODEL]
    lines = [one for one in plain if one.look is not Look.DOTS]
    return lines or plain


def _middle(series: Series, low: float, high: float, last: bool) -> float:
    inside = (series.x >= low) & ((series.x <= high) if last else (series.x < high)) & np.isfinite(series.y)
    return float(np.median(series.y[inside])) if inside.any() else float("nan")


def _expected(bands: Sequence[Expected], at: float, units: str, unit: str) -> str:
    for band in bands:
        low, high = (_at(band.x, ends, at) for ends in (band.low, band.high))
        if low is not None and high is not None:
            return quantities((low, high), unit, units)
        if low is not None:
            return f"at least {quantity(low, unit, units)}"
        if high is not None:
            return f"up to {quantity(high, unit, units)}"
    return "–"


def _at(x: FloatArray, values: FloatArray | None, at: float) -> float | None:
    if values is None or not len(x) or not float(x[0]) <= at <= float(x[-1]):
        return None
    known = np.isfinite(values)
    return float(np.interp(at, x[known], values[known])) if known.any() else None
