"""A picture as data: what is drawn where and what the axes say, for an SVG and for paper alike.

Nothing here knows colours or pixels. Ticks are chosen here, so that both renderers show the same ones.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum

import numpy as np

from obdwatch.records import FloatArray

MOST_TICKS = 6
ROOM = 0.06  # of the height, above and below what is drawn
DAY = 86_400.0


class Stroke(StrEnum):
    """How a curve is drawn."""

    LINE = "line"
    STEPS = "steps"  # a value holds until the next
    DASHED = "dashed"
    POINTS = "points"
    HOLLOW = "hollow"  # points of another time, such as before a repair


@dataclass(frozen=True, slots=True)
class Axis:
    """From `low` to `high`, with the places and texts of its ticks, and what it shows with its unit."""

    label: str
    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True)
class Curve:
    """`ys` over `xs`, equal length; NaN breaks a line."""

    xs: FloatArray
    ys: FloatArray
    stroke: Stroke = Stroke.LINE


@dataclass(frozen=True, slots=True)
class Area:
    """What lies between `lows` and `highs` over `xs`, equal length."""

    xs: FloatArray
    lows: FloatArray
    highs: FloatArray


@dataclass(frozen=True, slots=True)
class Band:
    """A marked piece of the x axis, with what is to be seen there."""

    start: float
    end: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """A line across: at a place of the x axis (a repair) or at a height (a limit)."""

    at: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class Plot:
    """One picture. `title` stands above it; `words` says what it shows to whoever cannot see it."""

    title: str
    words: str
    x: Axis
    y: Axis
    curves: tuple[Curve, ...]
    bands: tuple[Band, ...] = ()
    areas: tuple[Area, ...] = ()
    levels: tuple[Mark, ...] = ()
    places: tuple[Mark, ...] = ()


def plot_with(plot: Plot, change: Callable[[str], str]) -> Plot:
    """Return the plot with every text in it passed through `change`."""
    return replace(
        plot,
        title=change(plot.title),
        words=change(plot.words),
        x=_axis_with(plot.x, change),
        y=_axis_with(plot.y, change),
        bands=tuple(replace(band, text=change(band.text)) for band in plot.bands),
        levels=tuple(replace(mark, text=change(mark.text)) for mark in plot.levels),
        places=tuple(replace(mark, text=change(mark.text)) for mark in plot.places),
    )


def _axis_with(axis: Axis, change: Callable[[str], str]) -> Axis:
    ticks = tuple((at, change(text)) for at, text in axis.ticks)
    return replace(axis, label=change(axis.label), ticks=ticks)


def number_axis(label: str, low: float, high: float, room: float = 0.0, most: int = MOST_TICKS) -> Axis:
    """Return an axis with round ticks; `room` is the share of the span added at either end.

    >>> [text for _, text in number_axis("V", 11.2, 14.7).ticks]
    ['12', '13', '14']
    """
    low, high = _spread(low, high)
    space = room * (high - low)
    low, high = low - space, high + space
    step = round_step((high - low) / most)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    ticks = tuple((n * step, _number(n * step, digits)) for n in range(first, last + 1))
    return Axis(label, low, high, ticks)


def round_step(least: float) -> float:
    """Return the smallest of 1, 2, 5, 10, 20, ... that is no less.

    >>> round_step(0.3), round_step(7.0), round_step(20.0)
    (0.5, 10.0, 20.0)
    """
    power = 10.0 ** math.floor(math.log10(least))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= least * (1.0 - 1e-9))


def percent_axis(label: str) -> Axis:
    """Return an axis of probabilities from 0 to 1."""
    return Axis(label, 0.0, 1.04, tuple((share, f"{share:.0%}") for share in (0.0, 0.25, 0.5, 0.75, 1.0)))


def minutes_axis(start: float, end: float) -> Axis:
    """Return an axis over seconds of a drive whose ticks say minutes, or seconds in a short piece."""
    if end - start < 120.0:
        return number_axis("time since the start of the recording, s", start, end)
    shown = number_axis("time since the start of the recording, minutes", start / 60.0, end / 60.0)
    return replace(shown, low=start, high=end, ticks=tuple((at * 60.0, text) for at, text in shown.ticks))


def date_axis(low: float, high: float, room: float = 0.0) -> Axis:
    """Return an axis over days since 1970 whose ticks are months, or days where it spans few.

    `room` is the share of the span added at either end.
    """
    low, high = _spread(low, high)
    low, high = low - room * (high - low), high + room * (high - low)
    first, last = _day(low), _day(high)
    months = (last.year - first.year) * 12 + last.month - first.month
    if months < 3:
        step = max(1, math.ceil((high - low) / MOST_TICKS))
        days = [first + timedelta(days=n) for n in range(0, (last - first).days + 1, step)]
        ticks = tuple((_at(day), f"{day.day} {day:%b}") for day in days)
    else:
        step = next(step for step in (1, 2, 3, 6, 12, 24, 60, 120, 1200) if months / step <= MOST_TICKS)
        count = first.year * 12 + first.month
        numbers = [n for n in range(count, count + months + 1) if n % step == 0]
        ticks = tuple((_at(date(n // 12, n % 12 + 1, 1)), f"{date(n // 12, n % 12 + 1, 1):%b %Y}") for n in numbers)
    return Axis("date", low, high, tuple(tick for tick in ticks if low <= tick[0] <= high))


def days_of(at: datetime) -> float:
    """Return a moment as days since 1970, the unit of `date_axis`."""
    return at.timestamp() / DAY


def _day(days: float) -> date:
    return datetime.fromtimestamp(days * DAY, UTC).date()


def _at(day: date) -> float:
    return float((day - date(1970, 1, 1)).days)


def _spread(low: float, high: float) -> tuple[float, float]:
    """Two different ends also where all values are the same."""
    if high - low > 1e-9 * max(abs(low), abs(high), 1.0):
        return low, high
    room = max(abs(low) * 0.05, 0.5)
    return low - room, high + room


def _number(value: float, digits: int) -> str:
    text = f"{value:,.{digits}f}"
    return "0" if float(text.replace(",", "")) == 0 else text.replace("-", "−")


def reach(*arrays: FloatArray) -> tuple[float, float]:
    """Return the lowest and the highest finite value, (0, 1) where there is none."""
    finite = np.concatenate([array[np.isfinite(array)] for array in arrays]) if arrays else np.zeros(0)
    return (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
