"""The picture of a drive: small multiples over one time axis, with findings as bands and events as lines.

Pure: records and views in, a Plotly figure out; no files, no callbacks, no clock. Colours are chosen to be read on
white and on near-black, everything else about colour is left to the style sheet, so that a change between light,
dark and paper needs no new figure. Plotly reads a few tags and entities in its texts: all words pass `plain`.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboards.downsampling import View
from dashboards.panels import MOST_LINES, Panel
from dashboards.wording import shortened
from obdwatch.records import FloatArray
from obdwatch.units import screen_unit

ACCENT = "#2f7dd1"
NEUTRAL = "#7d8590"
STYLES = ((ACCENT, "solid"), (NEUTRAL, "solid"), (ACCENT, "6px,3px"), (NEUTRAL, "2px,3px"))

# Time is drawn on a date axis, whose ticks read well at every zoom. Text, not numbers: Plotly reads a number on such
# an axis in the time zone of the browser.
ORIGIN = np.datetime64("2000-01-01T00:00:00", "ms")
DAY = 86_400.0

# Sizes [px].
PLOT_HEIGHT = 112
HEADER = 30
HEADER_NARROW = 30
LEGEND_ROW = 24
LANE_ROW = 19
LANE_ROWS, LANE_ROWS_NARROW = 2, 3
AXIS = 40
TOP = 24
LEFT, LEFT_NARROW, RIGHT = 52, 42, 12
LETTER = 7.0  # mean width of a letter of the label font
MOST_LABEL = 44  # letters
MOST_FLAGS = 200


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
    def lane_rows(self) -> int:
        """How many rows of words fit above the panels."""
        return LANE_ROWS_NARROW if self.narrow else LANE_ROWS

    @property
    def plot_width(self) -> int:
        """Pixels from the left end of the time axis to the right."""
        left = LEFT_NARROW if self.narrow else LEFT
        return max(min(self.width, 1600) - left - RIGHT - 2 * (16 if self.narrow else 32), 120)


@dataclass(frozen=True, slots=True)
class Picture:
    """Everything that is drawn: `views` by key in J1979 units; `states` names the values of signals that are states."""

    panels: tuple[Panel, ...]
    views: Mapping[str, View]
    states: Mapping[str, Mapping[int, str]]
    window: Window
    bands: tuple[Band, ...]
    flags: tuple[Flag, ...]
    screen: Screen


@dataclass(frozen=True, slots=True)
class Label:
    """A text beside a line or a band: which row of the lane above the panels, and to which side of `t` it runs."""

    t: float
    text: str
    row: int
    to_the_left: bool


def plain(text: str) -> str:
    """`text` as Plotly shows it letter by letter: no tag, entity or placeholder in it works."""
    return escape(" ".join(text.split()), quote=False).replace("%{", "%\N{ZERO WIDTH SPACE}{")


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


def screen_view(view: View, unit: str, units: str) -> View:
    """Convert the values of a view for the screen."""
    shown = screen_unit(unit, units)
    return View(
        view.times,
        view.values * shown.factor + shown.offset,
        view.lone_times,
        view.lone_values * shown.factor + shown.offset,
    )


def drive_figure(picture: Picture) -> go.Figure:
    """Draw the whole picture."""
    figure = go.Figure()
    frame = _Frame(picture)
    for number, panel in enumerate(picture.panels, start=1):
        _add_panel(figure, number, panel, picture, frame)
    # Plotly draws an axis only where something hangs on it.
    figure.add_trace(go.Scatter(x=[], y=[], xaxis="x2", showlegend=False, hoverinfo="skip"))
    figure.update_layout(
        height=frame.height,
        margin={"l": frame.left, "r": RIGHT, "t": TOP, "b": AXIS, "pad": 0},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": "inherit", "size": 12, "color": NEUTRAL},
        hovermode="x unified",
        hoversubplots="axis",
        dragmode=False if picture.screen.narrow else "zoom",
        xaxis=_time_axis(picture),
        xaxis2=_upper_time_axis(picture),
        shapes=shapes(picture),
        annotations=texts(picture),
        template="none",
    )
    return figure


def lines_in_order(picture: Picture) -> list[dict[str, Any]]:
    """The points of every trace of `drive_figure`, in its order."""
    return [
        points
        for panel in picture.panels
        for key in panel.keys[:MOST_LINES]
        for points in lines_of(screen_view(picture.views[key], panel.unit, picture.screen.units))
    ]


def height_of(picture: Picture) -> int:
    """Height of the picture [px]."""
    return _Frame(picture).height


def texts(picture: Picture) -> list[dict[str, Any]]:
    """All texts of the picture: panel headings, and the words above bands and lines."""
    frame = _Frame(picture)
    return [*frame.titles(), *_labels(picture, frame)]


class _Frame:
    """Where each panel stands; plain arithmetic in pixels, handed out as the fractions Plotly wants."""

    def __init__(self, picture: Picture) -> None:
        self.screen = picture.screen
        self.panels = picture.panels
        self.left = LEFT_NARROW if self.screen.narrow else LEFT
        self.lane = self.screen.lane_rows * LANE_ROW if picture.bands or picture.flags else 0
        self._headers = [self._header(panel) for panel in self.panels]
        self.inner = max(self.lane + sum(self._headers) + PLOT_HEIGHT * len(self.panels), 1)
        self.height = self.inner + TOP + AXIS

    def _header(self, panel: Panel) -> int:
        rows = 1 if len(panel.keys) > 1 else 0
        if self.screen.narrow:
            return HEADER_NARROW + LEGEND_ROW * (rows + (1 if len(panel.keys) > 2 else 0))
        return HEADER

    def domain(self, number: int) -> tuple[float, float]:
        """Lower and upper end of panel `number` (from 1) as fractions of the plot area."""
        upper = self.lane + sum(self._headers[:number]) + PLOT_HEIGHT * (number - 1)
        return max(1 - (upper + PLOT_HEIGHT) / self.inner, 0.0), 1 - upper / self.inner

    def title_at(self, number: int) -> float:
        """Top of the header of panel `number`."""
        return self.domain(number)[1] + (self._headers[number - 1] - 8) / self.inner

    def lane_row(self, row: int) -> float:
        """Middle of a row of the lane above the panels."""
        return 1 - (row + 0.5) * LANE_ROW / self.inner

    def titles(self) -> list[dict[str, Any]]:
        """The heading of each panel with its unit."""
        return [
            {
                "text": f"<b>{plain(panel.title)}</b>{self._unit(panel)}",
                "x": 0, "xref": "paper", "xanchor": "left", "xshift": 0,
                "y": self.title_at(number), "yref": "paper", "yanchor": "top",
                "showarrow": False, "font": {"size": 13}, "name": "panel-title",
            }
            for number, panel in enumerate(self.panels, start=1)
        ]  # fmt: skip

    def _unit(self, panel: Panel) -> str:
        unit = screen_unit(panel.unit, self.screen.units).name
        lead = ", " if panel.title else ""
        return f"{lead}{plain(unit)}" if unit else ""


def _add_panel(figure: go.Figure, number: int, panel: Panel, picture: Picture, frame: _Frame) -> None:
    suffix = "" if number == 1 else str(number)
    unit = screen_unit(panel.unit, picture.screen.units).name
    named = picture.states.get(panel.keys[0], {}) if len(panel.keys) == 1 else {}
    for (colour, dash), key, label in zip(STYLES, panel.keys, panel.labels, strict=False):
        style = {
            "name": plain(label),
            "line": {
                "color": colour,
                "width": 1.2 if picture.screen.narrow else 1.6,
                "dash": dash,
                "shape": "hv" if named else "linear",
            },
            "marker": {"color": colour, "size": 4},
            "yaxis": f"y{suffix}",
            "legend": f"legend{suffix}",
            "hovertemplate": f"%{{y:{_digits(unit)}}} {plain(unit)}<extra>{plain(label)}</extra>",
        }
        line, dots = lines_of(screen_view(picture.views[key], panel.unit, picture.screen.units))
        figure.add_trace(go.Scatter(**line, **style, mode="lines", connectgaps=False, showlegend=len(panel.keys) > 1))
        figure.add_trace(go.Scatter(**dots, **style, mode="markers", showlegend=False))
    axis = _value_axis(frame.domain(number), named, picture.views[panel.keys[0]])
    figure.update_layout({f"yaxis{suffix}": axis, f"legend{suffix}": _legend(number, frame)})


def lines_of(view: View) -> tuple[dict[str, Any], dict[str, Any]]:
    """The points of a signal's two traces: its line, and dots for samples that stand alone between gaps."""
    return (
        {"x": axis_times(view.times), "y": packed(view.values)},
        {"x": axis_times(view.lone_times), "y": packed(view.lone_values)},
    )


def _digits(unit: str) -> str:
    return ",.0f" if unit in ("rpm", "1/min") else ",.2f" if unit == "V" else ",.1f"


def _time_axis(picture: Picture) -> dict[str, Any]:
    window = picture.window
    long = window.end > DAY
    return {
        "type": "date",
        "range": [axis_time(window.start), axis_time(window.end)],
        "tickformat": "day %-j, %-H:%M:%S" if long else "%-H:%M:%S",
        "hoverformat": "%-H:%M:%S.%L",
        "title": {"text": "hours : minutes : seconds since the start", "standoff": 6},
        "anchor": "free",
        "position": 0,
        "showgrid": True,
        "zeroline": False,
        "ticks": "outside",
        "nticks": 4 if picture.screen.narrow else 9,
        "showspikes": True,
        "spikemode": "across",
        "spikethickness": 1,
        "spikedash": "solid",
        "spikecolor": NEUTRAL,
        "fixedrange": False,
    }


def _upper_time_axis(picture: Picture) -> dict[str, Any]:
    """The same times once more above the panels, which are often taller than the screen."""
    lower = _time_axis(picture)
    return {name: lower[name] for name in ("type", "range", "tickformat", "nticks", "ticks", "zeroline")} | {
        "matches": "x",
        "overlaying": "x",
        "side": "top",
        "anchor": "free",
        "position": 1,
        "showgrid": False,
        "tickmode": "auto",
    }


def _value_axis(domain: tuple[float, float], named: Mapping[int, str], view: View) -> dict[str, Any]:
    axis = {
        "domain": list(domain),
        "fixedrange": True,
        "nticks": 4,
        "showgrid": True,
        "zeroline": False,
        "rangemode": "normal",
        "automargin": False,
        "anchor": "x",
    }
    seen = {int(v) for v in np.unique(view.values[np.isfinite(view.values)])} if named else set()
    if seen and seen <= set(named):
        ticks = sorted(seen)
        axis |= {"tickvals": ticks, "ticktext": [plain(shortened(named[value], 18)) for value in ticks]}
    return axis


def _legend(number: int, frame: _Frame) -> dict[str, Any]:
    high = frame.domain(number)[1]
    narrow = frame.screen.narrow
    return {
        "orientation": "h",
        "x": 0 if narrow else 1,
        "xanchor": "left" if narrow else "right",
        "y": high + 2 / frame.inner,
        "yanchor": "bottom",
        "font": {"size": 12},
        "bgcolor": "rgba(0,0,0,0)",
        "itemclick": False,
        "itemdoubleclick": False,
    }


def shapes(picture: Picture) -> list[dict[str, Any]]:
    """Bands and lines across all panels."""
    window = picture.window
    areas = [
        {
            "type": "rect", "xref": "x", "yref": "paper", "layer": "below", "y0": 0, "y1": 1,
            "x0": axis_time(band.start), "x1": axis_time(band.end),
            "fillcolor": ACCENT, "opacity": 0.24 if band.chosen else 0.11,
            "line": {"width": 2 if band.chosen else 0, "color": ACCENT}, "name": "finding",
        }
        for band in picture.bands
    ]  # fmt: skip
    visible = [flag for flag in picture.flags if window.start <= flag.t <= window.end][:MOST_FLAGS]
    lines = [
        {
            "type": "line", "xref": "x", "yref": "paper", "y0": 0, "y1": 1,
            "x0": axis_time(flag.t), "x1": axis_time(flag.t),
            "line": {"width": 1, "dash": "dot", "color": NEUTRAL}, "name": "event",
        }
        for flag in visible
    ]  # fmt: skip
    return areas + lines


def _labels(picture: Picture, frame: _Frame) -> list[dict[str, Any]]:
    placed = place_labels(picture.bands, picture.flags, picture.window, picture.screen)
    return [
        {
            "text": plain(label.text),
            "x": axis_time(label.t), "xref": "x", "xanchor": "right" if label.to_the_left else "left",
            "y": frame.lane_row(label.row), "yref": "paper", "yanchor": "middle",
            "showarrow": False, "font": {"size": 12}, "xshift": -3 if label.to_the_left else 3, "name": "event-label",
        }
        for label in placed
    ]  # fmt: skip


def place_labels(bands: Sequence[Band], flags: Sequence[Flag], window: Window, screen: Screen) -> list[Label]:
    """Put texts in rows so that none covers another: the chosen band first, then bands, then events in time."""
    width = screen.plot_width
    second = width / max(window.end - window.start, 1e-9)  # pixels for each second
    taken: list[list[tuple[float, float]]] = [[] for _ in range(screen.lane_rows)]
    placed: list[Label] = []
    ordered = sorted(bands, key=lambda band: not band.chosen)
    wanted = [(max(band.start, window.start), band.text) for band in ordered if band.end > window.start]
    wanted += [(flag.t, flag.text) for flag in flags]
    for t, text in wanted:
        if not window.start <= t <= window.end:
            continue
        short = shortened(text, min(MOST_LABEL, int(width / LETTER) - 1))
        label = _fit(t, short, (t - window.start) * second, width, taken)
        if label is not None:
            placed.append(label)
    return placed


def _fit(t: float, text: str, at: float, width: int, taken: list[list[tuple[float, float]]]) -> Label | None:
    size = len(text) * LETTER + 8
    to_the_left = at + size > width
    left, right = (at - size, at) if to_the_left else (at, at + size)
    if left < 0:
        return None
    for row, others in enumerate(taken):
        if all(right <= other_left or left >= other_right for other_left, other_right in others):
            others.append((left, right))
            return Label(t, text, row, to_the_left)
    return None
