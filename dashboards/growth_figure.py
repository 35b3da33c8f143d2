"""The picture of how likely a part was worn after each drive. Pure: numbers in, a Plotly figure out."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from dashboards.drawing import ACCENT, BARE_LAYOUT, NEUTRAL, Figure, Screen, enlarged, plain, upright
from obdwatch.parts.risk_words import percent
from obdwatch.units import screen_unit, to_screen

HEIGHT = 240  # px
MARGIN = {"l": 52, "r": 16, "t": 28, "b": 44, "pad": 0}


def growth_figure(
    readings: Sequence[tuple[datetime, float | None, float]],
    renewed: Sequence[tuple[datetime, float | None]],
    screen: Screen,
) -> Figure:
    """Draw the probability over the odometer, over dates where an odometer reading is missing.

    `readings` are (when, odometer [km], probability) of each drive, and at the end of today where something was learnt
    since; `renewed` are (when, odometer [km]) of each repair.
    """
    by_distance = all(km is not None for _, km, _ in readings)

    def place(at: datetime, km: float | None) -> float | str:
        return to_screen(km, "km", screen.units) if by_distance and km is not None else at.isoformat()

    known = [place(at, km) for at, km in renewed if km is not None or not by_distance]
    words = [
        {
            "x": at, "y": 1, "yref": "paper", "text": "renewed", "showarrow": False,
            "xanchor": "left", "yanchor": "bottom",
        }
        for at in known[:1]
    ]  # fmt: skip
    at, km, probability = readings[-1]
    words.append(
        {
            "x": place(at, km), "y": 100.0 * probability, "text": plain(f"now {percent(probability)}"),
            "showarrow": False, "xanchor": "right", "yanchor": "bottom", "yshift": 4,
        }
    )  # fmt: skip
    trace = {
        "type": "scatter",
        "x": [place(at, km) for at, km, _ in readings],
        "y": [100.0 * probability for _, _, probability in readings],
        "mode": "lines+markers",
        "line": {"color": ACCENT, "width": 2, "shape": "hv"},
        "marker": {"color": ACCENT, "size": 8},
        "hovertemplate": "%{y:.0f} %<br>%{x}<extra></extra>",
    }
    name = screen_unit("km", screen.units).name
    layout = {
        "height": HEIGHT,
        "margin": MARGIN,
        **BARE_LAYOUT,
        "showlegend": False,
        "dragmode": False,
        "shapes": [upright(at, {"color": NEUTRAL, "width": 1.5, "dash": "2px,3px"}) for at in known],
        "annotations": words,
        "xaxis": {
            "type": "linear" if by_distance else "date",
            "fixedrange": True,
            "nticks": 5 if screen.narrow else 9,
            "zeroline": False,
            "tickformat": ",.0f" if by_distance else "%b %Y",
            "title": {"text": f"odometer, {name}" if by_distance else "date", "standoff": 6},
        },
        "yaxis": {
            "range": [0, 115],
            "fixedrange": True,
            "tickvals": [0, 25, 50, 75, 100],
            "ticktext": ["0%", "25%", "50%", "75%", "100%"],
            "zeroline": False,
        },
    }
    return enlarged({"data": [trace], "layout": layout}, screen.scale)
