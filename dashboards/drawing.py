"""What a picture is made of, and how it is said to Plotly: records, sizes, and the one way words, times and numbers go.

Plotly reads a few tags and entities in its texts: all words pass `plain`.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from dashboards.downsampling import View, points_for
from dashboards.panels import Panel
from obdwatch.curves.states import Stretches
from obdwatch.records import FloatArray

ACCENT = "#2f7dd1"
NEUTRAL = "#7d8590"

# A figure as Plotly reads it: {"data": its traces, "layout": its axes, texts and sizes}.
Figure = dict[str, Any]

# What every figure has in common: colours come from the style sheet, so that light, dark and paper need no new figure.
BARE_LAYOUT: Mapping[str, Any] = {
    "paper_bgcolor": "rgba(0,0,0,0)",
    "plot_bgcolor": "rgba(0,0,0,0)",
    "font": {"family": "inherit", "size": 12, "color": NEUTRAL},
}

# Time is drawn on a date axis, whose ticks read well at every zoom. Text, not numbers: Plotly reads a number on such
# an axis in the time zone of the browser.
ORIGIN = np.datetime64("2000-01-01T00:00:00", "ms")
DAY = 86_400.0

# What a layout says in pixels; the letters are the sides of its margin.
LAYOUT_SIZES = frozenset({"height", "l", "r", "t", "b", "size", "width", "xshift", "standoff", "spikethickness"})
LARGE_SCREENS = ((3400, 1.6), (2400, 1.25))  # (from this width on [px], so much larger)

# Sizes [px].
PLOT_HEIGHT = 112
HEADER = 30
HEADER_NARROW = 30
LEGEND_ROW = 24
LEGEND_SAMPLE = 45  # the piece of line before a label, and the gap after it
LANE_ROW = 19
LANE_ROWS, LANE_ROWS_NARROW = 2, 3
AXIS = 40
TOP = 24
LEFT, LEFT_NARROW, RIGHT = 52, 42, 12
LETTER = 7.0  # mean width of a letter of the label font
MOST_LABEL = 44  # letters
MOST_FLAGS = 200
STATE_ROW = 26  # a name, and a thin band below it


@dataclass(frozen=True, slots=True)
class Band:
    """A piece of the drive to mark, from `start` to `end` [s]; `chosen` is the one that the reader asked for."""

    start: float
    end: float
    text: str
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class Flag:
    """Something that happened at `t` [s]."""

    t: float
    text: str


@dataclass(frozen=True, slots=True)
class Window:
    """The visible part of the drive [s]."""

    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Screen:
    """What the reader looks with: `width` of the page [px], and units (metric or us)."""

    width: int
    units: str

    @property
    def narrow(self) -> bool:
        """Whether this is a phone held upright."""
        return self.width < 700

    @property
    def scale(self) -> float:
        """How much larger all is drawn on a large screen, which is read from further away; as in the style sheet."""
        return next((scale for wider_than, scale in LARGE_SCREENS if self.width >= wider_than), 1.0)

    @property
    def lane_rows(self) -> int:
        """How many rows of words fit above the panels."""
        return LANE_ROWS_NARROW if self.narrow else LANE_ROWS

    @property
    def points(self) -> int:
        """How many points of a signal are drawn."""
        return points_for(self.plot_width * self.scale)

    @property
    def plot_width(self) -> int:
        """Pixels from the left end of the time axis to the right."""
        left = LEFT_NARROW if self.narrow else LEFT
        return max(min(self.width, 1600) - left - RIGHT - 2 * (16 if self.narrow else 32), 120)


@dataclass(frozen=True, slots=True)
class Picture:
    """Everything that is drawn: `views` by key in J1979 units; `states` names the values of signals that are states.

    `lane` says whether room is kept above the panels for the words of bands and flags, in view or not;
    `states_shown` are drawn as thin bands below the panels.
    """

    panels: tuple[Panel, ...]
    views: Mapping[str, View]
    states: Mapping[str, Mapping[int, str]]
    window: Window
    bands: tuple[Band, ...]
    flags: tuple[Flag, ...]
    lane: bool
    screen: Screen
    states_shown: tuple[Stretches, ...] = ()


def upright(x: Any, line: Mapping[str, Any]) -> dict[str, Any]:
    """A line from the bottom of a plot to its top, at one place of its horizontal axis."""
    return {"type": "line", "x0": x, "x1": x, "xref": "x", "y0": 0, "y1": 1, "yref": "y domain", "line": dict(line)}


def level(y: float, line: Mapping[str, Any]) -> dict[str, Any]:
    """A line from the left of a plot to its right, at one place of its vertical axis."""
    return {"type": "line", "x0": 0, "x1": 1, "xref": "x domain", "y0": y, "y1": y, "yref": "y", "line": dict(line)}


def plain(text: str) -> str:
    """`text` as Plotly shows it letter by letter: no tag, entity or placeholder in it works."""
    return escape(" ".join(text.split()), quote=False).replace("%{", "%\N{ZERO WIDTH SPACE}{")


def enlarged(figure: Figure, scale: float) -> Figure:
    """Return the figure with height, margins, letters, points and lines `scale` times as large, and nothing else."""
    if scale == 1.0:
        return figure
    return {"data": [_thicker(trace, scale) for trace in figure["data"]], "layout": grown(figure["layout"], scale)}


def grown(part: Any, scale: float) -> Any:
    """A layout or a piece of one, with every size in pixels `scale` times as large.

    >>> grown([{"x": 4, "xshift": 3, "font": {"size": 12}}], 2.0)
    [{'x': 4, 'xshift': 6.0, 'font': {'size': 24.0}}]
    """
    if isinstance(part, Mapping):
        return {name: scale * value if name in LAYOUT_SIZES else grown(value, scale) for name, value in part.items()}
    return [grown(one, scale) for one in part] if isinstance(part, list) else part


def _thicker(trace: Mapping[str, Any], scale: float) -> dict[str, Any]:
    """A trace with larger points and lines."""
    sizes = {"marker": "size", "line": "width"}
    return dict(trace) | {
        name: trace[name] | {size: scale * trace[name][size]}
        for name, size in sizes.items()
        if size in trace.get(name, {})
    }


def axis_time(seconds: float) -> str:
    """A place in the drive as the time axis writes it."""
    return str(ORIGIN + np.timedelta64(round(seconds * 1000), "ms"))


def axis_times(seconds: FloatArray) -> list[str]:
    """Places in the drive as the time axis writes them."""
    stamps: list[str] = np.datetime_as_string(ORIGIN + np.rint(seconds * 1000).astype("timedelta64[ms]")).tolist()
    return stamps


def packed(values: FloatArray) -> dict[str, str]:
    """Numbers as Plotly's own compact array; NaN stays a gap."""
    return {"dtype": "f8", "bdata": base64.b64encode(np.ascontiguousarray(values, dtype="<f8").tobytes()).decode()}
