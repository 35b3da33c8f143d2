"""The picture of a measured curve against the expected one, of one drive or of two over each other.

Pure: curves in, a Plotly figure out. What is measured is drawn in the accent colour, what was expected as a grey band;
of two drives the earlier one is grey and hollow. Banks differ by the shape of their dots, never by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from dashboards.curve_words import axis_words
from dashboards.drawing import ACCENT, BARE_LAYOUT, LETTER, NEUTRAL, Figure, Screen, enlarged, packed, plain
from obdwatch.curves.curve import Curve, Expected, Look, Panel, Series
from obdwatch.records import FloatArray
from obdwatch.units import screen_unit

PLOT, GAP, BELOW, ROW = 230, 34, 46, 20  # px
LEFT, RIGHT = 58, 14
WIDEST = 600  # px; two pictures stand side by side on a wide screen
BAND = {ACCENT: "rgba(47,125,209,0.16)", NEUTRAL: "rgba(125,133,144,0.24)"}
OWN_BAND = frozenset({"warm_up"})
"""Curves of which every drive has an expected one of its own; of the others that of the later drive holds for both."""

SHAPES = {None: "circle", 1: "circle", 2: "diamond"}


@dataclass(frozen=True, slots=True)
class Drawn:
    """A curve in a picture: `name` of its drive (empty for the only one), and whether it is the earlier of two."""

    curve: Curve
    name: str = ""
    earlier: bool = False

    @property
    def colour(self) -> str:
        """The accent for what the picture is about."""
        return NEUTRAL if self.earlier else ACCENT

    def called(self, text: str) -> str:
        """What the legend calls one of its series."""
        return plain(f"{self.name}: {text}" if self.name else text)


def curve_figure(drawn: Sequence[Drawn], screen: Screen) -> Figure:
    """Draw one curve, or those of two drives over each other; all are of the same kind."""
    traces: list[dict[str, Any]] = []
    panels = len(drawn[0].curve.panels)
    for number in range(panels):
        suffix = "" if number == 0 else str(number + 1)
        for one in drawn:
            panel = one.curve.panels[number]
            if one.earlier and one.curve.kind not in OWN_BAND:
                continue
            for band in panel.expected:
                _add_expected(traces, band, panel, one, suffix, screen)
        for place, one in enumerate(drawn):
            measured = one.curve.panels[number].measured
            traces += [_series_trace(series, one, suffix, screen, place) for series in measured]
    rows = _legend_rows(traces, screen)
    top = 8 + ROW * rows
    inner = panels * PLOT + (panels - 1) * GAP
    layout = {
        "height": top + inner + BELOW,
        "margin": {"l": LEFT, "r": RIGHT, "t": top, "b": BELOW, "pad": 0},
        **BARE_LAYOUT,
        "hovermode": "closest",
        "dragmode": False,
        "barmode": "group",
        "xaxis": _x_axis(drawn[0].curve, screen, panels),
        "legend": {
            "orientation": "h",
            "x": 0,
            "y": 1 + 4 / inner,
            "yanchor": "bottom",
            "bgcolor": "rgba(0,0,0,0)",
            "itemclick": False,
            "itemdoubleclick": False,
        },
    }
    for number, panel in enumerate(drawn[0].curve.panels):
        suffix = "" if number == 0 else str(number + 1)
        high = 1 - number * (PLOT + GAP) / inner
        layout[f"yaxis{suffix}"] = _y_axis(panel, screen, (max(high - PLOT / inner, 0.0), high))
    return enlarged({"data": traces, "layout": layout}, screen.scale)


def _x_axis(curve: Curve, screen: Screen, panels: int) -> dict[str, Any]:
    axis: dict[str, Any] = {
        "fixedrange": True,
        "zeroline": False,
        "showgrid": not curve.x.labels,
        "nticks": 6 if screen.narrow else 9,
        "title": {"text": plain(axis_words(curve.x.words, curve.x.unit, screen.units)), "standoff": 6},
        "anchor": "y" if panels == 1 else f"y{panels}",
        "tickformat": ",~g",
    }
    if curve.x.labels:
        axis |= {"tickvals": list(range(1, len(curve.x.labels) + 1)), "ticktext": [plain(x) for x in curve.x.labels]}
        axis |= {"range": [0.4, len(curve.x.labels) + 0.6]}
    return axis


def _y_axis(panel: Panel, screen: Screen, domain: tuple[float, float]) -> dict[str, Any]:
    return {
        "fixedrange": True,
        "nticks": 6,
        "zeroline": False,
        "separatethousands": True,
        "rangemode": "tozero" if any(one.look is Look.BARS for one in panel.measured) else "normal",
        "domain": list(domain),
        "anchor": "x",
        "title": {"text": plain(axis_words(panel.axis.words, panel.axis.unit, screen.units)), "standoff": 4},
    }


def _shown(values: FloatArray, unit: str, screen: Screen) -> FloatArray:
    shown = screen_unit(unit, screen.units)
    return np.asarray(values * shown.factor + shown.offset, dtype=np.float64)


def _series_trace(series: Series, one: Drawn, suffix: str, screen: Screen, place: int) -> dict[str, Any]:
    panel = one.curve.panels[int(suffix or "1") - 1]
    unit = screen_unit(panel.axis.unit, screen.units).name
    x = packed(_shown(series.x, one.curve.x.unit, screen))
    y = packed(_shown(series.y, panel.axis.unit, screen))
    name = one.called(series.name)
    hover = f"%{{y:,.4g}} {plain(unit)}<extra>{name}</extra>"
    base: dict[str, Any] = {"x": x, "y": y, "name": name, "yaxis": f"y{suffix}", "hovertemplate": hover}
    if series.look is Look.BARS:
        bars = base | {"type": "bar", "marker": _filled(one), "showlegend": bool(one.name)}
        return bars | ({"width": 0.35, "offset": -0.37 + 0.37 * place} if one.name else {"width": 0.55})
    if series.look is Look.DOTS:
        faint = any(other.look is Look.LINE for other in panel.measured)
        look = SHAPES[series.bank] + ("-open" if one.earlier or series.bank == 2 else "")
        marker = {"color": one.colour, "size": 4 if faint else 6, "symbol": look, "opacity": 0.45 if faint else 0.85}
        dots = {"type": "scatter", "mode": "markers", "marker": marker, "showlegend": not faint or not one.name}
        return base | dots
    dash = "solid" if series.look is Look.LINE else "2px,3px" if series.bank == 2 else "7px,3px"
    line = {"color": one.colour, "width": 2.2 if series.look is Look.LINE else 1.8, "dash": dash}
    few = series.look is Look.LINE and len(series.x) <= 40
    mode = "lines+markers" if few else "lines"
    # Of a single drive the axis names the line; of two, the fitted lines go with their dots.
    alone = len(one.curve.panels) > 1 if not one.name else series.look is Look.MODEL or bool(suffix)
    look_of = {"mode": mode, "line": line, "marker": {"size": 6, "color": one.colour}, "showlegend": not alone}
    return base | {"type": "scatter", **look_of, "connectgaps": False}


def _filled(one: Drawn) -> dict[str, Any]:
    """Bars of the earlier drive are hollow."""
    fill = "rgba(0,0,0,0)" if one.earlier else one.colour
    return {"color": fill, "line": {"color": one.colour, "width": 2}}


def _add_expected(
    traces: list[dict[str, Any]], band: Expected, panel: Panel, one: Drawn, suffix: str, screen: Screen
) -> None:
    colour = NEUTRAL if one.earlier or not one.name else ACCENT
    x = _shown(band.x, one.curve.x.unit, screen)
    ends = [None if v is None else _shown(v, panel.axis.unit, screen) for v in (band.low, band.middle, band.high)]
    low, middle, high = ends
    name = one.called(band.name) if one.curve.kind in OWN_BAND else plain(band.name)
    base = {"type": "scatter", "mode": "lines", "yaxis": f"y{suffix}", "name": name, "legendgroup": name}
    made: list[dict[str, Any]] = []
    if low is not None and high is not None:
        look: dict[str, Any] = {"fill": "toself", "fillcolor": BAND[colour]}
        look["line"] = {"width": 0.8, "color": colour, "dash": "1px,2px"}
        for piece in _pieces(low):
            outline = np.concatenate([x[piece], x[piece][::-1]]), np.concatenate([low[piece], high[piece][::-1]])
            made.append(base | look | {"x": packed(outline[0]), "y": packed(outline[1])})
    for values, width in ((middle, 1.2), (low if high is None else None, 1.8), (high if low is None else None, 1.8)):
        if values is not None:
            line = {"width": width, "color": colour, "dash": "6px,4px"}
            made.append(base | {"x": packed(x), "y": packed(values), "line": line, "connectgaps": False})
    said = any(trace.get("name") == name for trace in traces)
    for place, trace in enumerate(made):
        traces.append(trace | {"hoverinfo": "skip", "showlegend": place == 0 and not said})


def _pieces(values: FloatArray) -> list[slice]:
    """The unbroken stretches of a band."""
    known = np.isfinite(values)
    edges = np.flatnonzero(np.diff(np.r_[False, known, False].astype(np.int8)))
    return [slice(int(start), int(end)) for start, end in edges.reshape(-1, 2)]


def _legend_rows(traces: Sequence[Mapping[str, Any]], screen: Screen) -> int:
    """Rows that the legend takes: Plotly gives every entry the width of the longest once they do not fit in one row."""
    widths = [45 + LETTER * len(trace["name"]) for trace in traces if trace["showlegend"]]
    room = (min(screen.plot_width, WIDEST) if not screen.narrow else screen.plot_width) - 10
    if not widths or sum(widths) <= room:
        return 1
    return math.ceil(len(widths) / max(1, int(room // max(widths))))
