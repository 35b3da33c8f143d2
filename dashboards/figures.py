"""The picture of a drive: small multiples over one time axis, with findings as bands and events as lines.

Pure: records and views in, a Plotly figure out; no files, no callbacks, no clock. The figure is said in plain
dictionaries, because plotly.py's own objects take longer to check it than all else that a page needs takes; the tests
have them check it. Colours are chosen to be read on
white and on near-black, everything else about colour is left to the style sheet, so that a change between light,
dark and paper needs no new figure.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from dashboards.downsampling import View
from dashboards.drawing import (
    ACCENT,
    AXIS,
    BARE_LAYOUT,
    DAY,
    NEUTRAL,
    RIGHT,
    TOP,
    Figure,
    Picture,
    Window,
    axis_time,
    axis_times,
    enlarged,
    grown,
    packed,
    plain,
)
from dashboards.frames import Frame
from dashboards.marks import labels, shapes
from dashboards.panels import MOST_LINES, Panel
from dashboards.wording import shortened
from obdwatch.units import screen_unit

STYLES = ((ACCENT, "solid"), (NEUTRAL, "solid"), (ACCENT, "6px,3px"), (NEUTRAL, "2px,3px"))


def screen_view(view: View, unit: str, units: str) -> View:
    """Convert the values of a view for the screen."""
    shown = screen_unit(unit, units)
    return View(
        view.times,
        view.values * shown.factor + shown.offset,
        view.lone_times,
        view.lone_values * shown.factor + shown.offset,
        view.dotted,
    )


def drive_figure(picture: Picture) -> Figure:
    """Draw the whole picture."""
    frame = Frame(picture)
    traces: list[dict[str, Any]] = []
    layout: dict[str, Any] = {
        "height": frame.height,
        "margin": {"l": frame.left, "r": RIGHT, "t": TOP, "b": AXIS, "pad": 0},
        **BARE_LAYOUT,
        "hovermode": "x unified",
        "hoversubplots": "axis",
        "dragmode": False if picture.screen.narrow else "zoom",
        "xaxis": _time_axis(picture),
        "xaxis2": _upper_time_axis(picture),
        "shapes": shapes(picture),
        "annotations": texts(picture),
    }
    for number, panel in enumerate(picture.panels, start=1):
        suffix = "" if number == 1 else str(number)
        traces += _panel_traces(suffix, panel, picture)
        layout[f"yaxis{suffix}"] = _value_axis(
            frame.domain(number), _named(panel, picture), picture.views[panel.keys[0]]
        )
        layout[f"legend{suffix}"] = _legend(number, frame)
    # Plotly draws an axis only where something hangs on it.
    traces.append({"type": "scatter", "x": [], "y": [], "xaxis": "x2", "showlegend": False, "hoverinfo": "skip"})
    if picture.states_shown:
        suffix = str(len(picture.panels) + 1)
        traces += _state_traces(suffix, picture)
        layout[f"yaxis{suffix}"] = _state_axis(picture, frame)
    return enlarged({"data": traces, "layout": layout}, picture.screen.scale)


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
    return round(picture.screen.scale * Frame(picture).height)


def lying_over(picture: Picture) -> dict[str, list[dict[str, Any]]]:
    """What of the layout depends on the part in view: bands and lines, and all texts."""
    over: dict[str, list[dict[str, Any]]] = grown(
        {"shapes": shapes(picture), "annotations": texts(picture)}, picture.screen.scale
    )
    return over


def texts(picture: Picture) -> list[dict[str, Any]]:
    """All texts of the picture: panel headings, and the words above bands and lines."""
    frame = Frame(picture)
    return [*frame.titles(), *labels(picture, frame), *frame.state_names()]


def _state_traces(suffix: str, picture: Picture) -> list[dict[str, Any]]:
    """Thin bands of the whole drive, so that a zoom sends nothing of them; after all other traces, for `moved`."""
    rows = len(picture.states_shown)
    made = []
    for place, one in enumerate(picture.states_shown):
        ends = np.stack([one.starts, one.ends, one.ends], axis=1).ravel()
        heights = np.tile(np.array([1.0, 1.0, np.nan]), len(one.starts)) * (rows - place - 0.8)
        made.append(
            {
                "type": "scatter", "mode": "lines", "x": axis_times(ends), "y": packed(heights), "name": one.name,
                "line": {"color": ACCENT, "width": 7}, "connectgaps": False, "yaxis": f"y{suffix}",
                "showlegend": False, "hoverinfo": "skip",
            }
        )  # fmt: skip
    return made


def _state_axis(picture: Picture, frame: Frame) -> dict[str, Any]:
    rows = len(picture.states_shown)
    domain = list(frame.states_domain())
    return {"domain": domain, "range": [0, rows], "visible": False, "fixedrange": True, "anchor": "x"}


def _named(panel: Panel, picture: Picture) -> Mapping[int, str]:
    """What the values of a panel are called, where it shows a state and no quantity."""
    return picture.states.get(panel.keys[0], {}) if len(panel.keys) == 1 else {}


def _panel_traces(suffix: str, panel: Panel, picture: Picture) -> list[dict[str, Any]]:
    unit = screen_unit(panel.unit, picture.screen.units).name
    made = []
    for (colour, dash), key, label in zip(STYLES, panel.keys, panel.labels, strict=False):
        style = {
            "type": "scatter",
            "name": plain(label),
            "line": {
                "color": colour,
                "width": 1.2 if picture.screen.narrow else 1.6,
                "dash": dash,
                "shape": "hv" if _named(panel, picture) else "linear",
            },
            "marker": {"color": colour, "size": 4},
            "yaxis": f"y{suffix}",
            "legend": f"legend{suffix}",
            "hovertemplate": f"%{{y:{_digits(unit)}}} {plain(unit)}<extra>{plain(label)}</extra>",
        }
        line, *dots = lines_of(screen_view(picture.views[key], panel.unit, picture.screen.units))
        made.append({**style, **line, "mode": "lines", "connectgaps": False, "showlegend": len(panel.keys) > 1})
        made += [{**style, **points, "mode": "markers", "showlegend": False} for points in dots]
    return made


def lines_of(view: View) -> list[dict[str, Any]]:
    """The points of a signal's line, and where it can have them, those of a second trace: samples alone between gaps.

    Each trace costs a browser as much as some hundred points, whether or not it holds any.
    """
    line = {"x": axis_times(view.times), "y": packed(view.values)}
    return [line, {"x": axis_times(view.lone_times), "y": packed(view.lone_values)}] if view.dotted else [line]


def _digits(unit: str) -> str:
    return ",.0f" if unit in ("rpm", "1/min") else ",.2f" if unit == "V" else ",.1f"


def visible_range(window: Window) -> dict[str, Any]:
    """The ends of a time axis; `autorange` is said, because a double click leaves it on and then no range holds."""
    return {"range": [axis_time(window.start), axis_time(window.end)], "autorange": False}


def _time_axis(picture: Picture) -> dict[str, Any]:
    window = picture.window
    long = window.end > DAY
    return {
        "type": "date",
        **visible_range(window),
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
    return {
        name: lower[name] for name in ("type", "range", "autorange", "tickformat", "nticks", "ticks", "zeroline")
    } | {
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
        "separatethousands": True,
        "automargin": False,
        "anchor": "x",
    }
    seen = {int(v) for v in np.unique(view.values[np.isfinite(view.values)])} if named else set()
    if seen and seen <= set(named):
        ticks = sorted(seen)
        axis |= {"tickvals": ticks, "ticktext": [plain(shortened(named[value], 40)) for value in ticks]}
        # Inside the panel: a state is said in words, for which the margin has no room.
        axis |= {"ticklabelposition": "inside top", "range": [ticks[0] - 0.3, ticks[-1] + 0.9]}
    return axis


def _legend(number: int, frame: Frame) -> dict[str, Any]:
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
