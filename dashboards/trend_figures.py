"""The picture of one number over the drives of a car. Pure: a followed number in, a Plotly figure out."""

from __future__ import annotations

from typing import Any

import numpy as np

from dashboards.drawing import ACCENT, BARE_LAYOUT, NEUTRAL, Figure, Screen, enlarged, level, plain, upright
from dashboards.wording import quantity, with_unit
from obdwatch.detectors.trends_followed import Followed
from obdwatch.detectors.trends_judgement import Movement
from obdwatch.detectors.trends_series import SECONDS_PER_DAY, Axis
from obdwatch.records import FloatArray
from obdwatch.units import screen_unit, to_screen

HEIGHT = 250  # px
FURTHEST_SHOWN = 1.5
"""A forecast is drawn at most so many times as far as the car was followed: further out it would flatten the drives."""
MARGIN = {"l": 58, "r": 16, "t": 30, "b": 44, "pad": 0}


def trend_figure(track: Followed, screen: Screen) -> Figure:
    """Draw a number over distance or date: drives, repairs, the line through it, its limit and when it may be met."""
    place = _Placing(track, screen)
    traces: list[dict[str, Any]] = []
    layout: dict[str, Any] = {
        "height": HEIGHT,
        "margin": MARGIN,
        **BARE_LAYOUT,
        "showlegend": False,
        "dragmode": False,
        "hovermode": "closest",
        "shapes": [],
        "annotations": [],
        "xaxis": place.axis(),
        "yaxis": {
            "fixedrange": True,
            "nticks": 5,
            "zeroline": False,
            "title": {"text": plain(place.unit), "standoff": 4},
        },
    }
    _add_limits(layout, track, place)
    if track.movement is not None:
        traces += _movement(layout, track.movement, place)
    for at, values, name, look in (
        (track.earlier_at, track.earlier_values, "before the repair", "circle-open"),
        (track.series.at, track.series.values, "drives", "circle"),
    ):
        if len(at):
            traces.append(_points(place, at, values, name, look))
    for number, repair in enumerate(track.repairs):
        _mark(layout, place.x(np.array([repair]))[0], "repair" if number == 0 else "")
    return enlarged({"data": traces, "layout": layout}, screen.scale)


class _Placing:
    """Where things stand on the screen: distance in the reader's unit or dates, values in the reader's unit."""

    def __init__(self, track: Followed, screen: Screen) -> None:
        series = track.series
        self._axis, self._from_unit, self.units, self.narrow = series.axis, series.unit, screen.units, screen.narrow
        self.unit = screen_unit(series.unit, screen.units).name
        every = np.concatenate([track.earlier_at, series.at])
        self.first, self.last = float(every.min()), float(every.max())

    def x(self, at: FloatArray) -> list[Any]:
        if self._axis is Axis.TIME:
            seconds = np.round(at * SECONDS_PER_DAY).astype("int64").astype("datetime64[s]")
            return [str(one) for one in seconds]
        return [to_screen(float(one), "km", self.units) for one in at]

    def y(self, values: FloatArray) -> list[float]:
        return [to_screen(float(one), self._from_unit, self.units) for one in values]

    def said(self, value: float) -> str:
        return quantity(value, self._from_unit, self.units)

    @property
    def reach(self) -> float:
        """The furthest place that is drawn."""
        return self.last + FURTHEST_SHOWN * max(self.last - self.first, 1.0)

    def axis(self) -> dict[str, Any]:
        by_date = self._axis is Axis.TIME
        title = "date" if by_date else with_unit("odometer,", screen_unit("km", self.units).name)
        return {
            "type": "date" if by_date else "linear",
            "fixedrange": True,
            "nticks": 5 if self.narrow else 9,
            "zeroline": False,
            "tickformat": "%b %Y" if by_date else ",.0f",
            "title": {"text": title, "standoff": 6},
        }


def _points(place: _Placing, at: FloatArray, values: FloatArray, name: str, look: str) -> dict[str, Any]:
    unit = f" {plain(place.unit)}" if place.unit else ""
    return {
        "type": "scatter",
        "x": place.x(at),
        "y": place.y(values),
        "mode": "markers",
        "name": name,
        "marker": {"color": ACCENT, "size": 8, "symbol": look},
        "hovertemplate": f"%{{y:,.4g}}{unit}<br>%{{x}}<extra>{name}</extra>",
    }


def _add_limits(layout: dict[str, Any], track: Followed, place: _Placing) -> None:
    """The ends of what is healthy, where they are near enough not to flatten what was measured."""
    values = np.concatenate([track.earlier_values, track.series.values])
    room = 3.0 * max(float(np.ptp(values)), 0.02 * float(np.abs(values).max()), 1e-9)
    met = track.movement.forecast.limit if track.movement is not None and track.movement.forecast is not None else None
    for limit in track.series.limits:
        if limit is None or (limit != met and not values.min() - room <= limit <= values.max() + room):
            continue
        shown = place.y(np.array([limit]))[0]
        layout["shapes"].append(level(shown, {"color": NEUTRAL, "width": 1.5, "dash": "6px,4px"}))
        words = {"x": 0, "xref": "paper", "y": shown, "text": plain(f"limit {place.said(limit)}")}
        layout["annotations"].append(words | {"showarrow": False, "xanchor": "left", "yanchor": "bottom"})


def _movement(layout: dict[str, Any], moves: Movement, place: _Placing) -> list[dict[str, Any]]:
    """The level before and after a jump, or the line of a drift with the band in which it may meet its limit."""
    series = moves.series
    start, end = float(series.at[0]), float(series.at[-1])
    line = {"color": ACCENT, "width": 2}
    if moves.shift_at is not None:
        at = np.array([start, moves.shift_at, moves.shift_at, end])
        values = np.array([moves.first, moves.first, moves.now, moves.now])
        _mark(layout, place.x(np.array([moves.shift_at]))[0], "jump")
        return [_line(place, at, values, line)]
    fitted = _line(place, np.array([start, end]), np.array([moves.first, moves.now]), line)
    if moves.forecast is None or moves.forecast.distance <= 0.0:
        return [fitted]
    near, far = moves.forecast.interval
    corners = [_cut(place, moves, near), _cut(place, moves, far)]
    at = np.array([end, corners[0][0], corners[1][0], end])
    values = np.array([moves.interval[0], corners[0][1], corners[1][1], moves.interval[1]])
    band = _line(place, at, values, {"width": 0}) | {"fill": "toself", "fillcolor": "rgba(47,125,209,0.18)"}
    middle = _cut(place, moves, moves.forecast.distance)
    dashed = line | {"dash": "2px,4px"}
    return [fitted, band, _line(place, np.array([end, middle[0]]), np.array([moves.now, middle[1]]), dashed)]


def _cut(place: _Placing, moves: Movement, distance: float) -> tuple[float, float]:
    """Where a way from now to the limit ends on the picture: at the limit, or where the picture ends."""
    end = float(moves.series.at[-1])
    limit = moves.forecast.limit if moves.forecast is not None else moves.now
    room = place.reach - end
    if distance <= room:
        return end + distance, limit
    return place.reach, moves.now + (limit - moves.now) * room / distance


def _line(place: _Placing, at: FloatArray, values: FloatArray, line: dict[str, Any]) -> dict[str, Any]:
    points = {"type": "scatter", "mode": "lines", "x": place.x(at), "y": place.y(values)}
    return points | {"line": line, "hoverinfo": "skip"}


def _mark(layout: dict[str, Any], x: Any, text: str) -> None:
    layout["shapes"].append(upright(x, {"color": NEUTRAL, "width": 1.5, "dash": "2px,3px"}))
    if text:
        words = {"x": x, "y": 1, "yref": "paper", "text": text, "showarrow": False}
        layout["annotations"].append(words | {"xanchor": "left", "yanchor": "bottom", "xshift": 3})
