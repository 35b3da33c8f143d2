"""Where each panel of a picture stands, and the headings: arithmetic in pixels, told as the fractions Plotly wants."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from dashboards.drawing import (
    AXIS,
    HEADER,
    HEADER_NARROW,
    LANE_ROW,
    LEFT,
    LEFT_NARROW,
    LEGEND_ROW,
    LEGEND_SAMPLE,
    LETTER,
    PLOT_HEIGHT,
    STATE_ROW,
    TOP,
    Picture,
    plain,
)
from dashboards.panels import Panel
from obdwatch.units import screen_unit

STATE_GAP = 10  # px between the panels and the thin bands


def legend_rows(labels: Sequence[str], width: int) -> int:
    """Rows that a legend of these labels takes in `width` [px]: one if all fit side by side, else equal columns.

    A single line needs no legend.

    >>> legend_rows(("coolant", "oil"), 304), legend_rows(("short term, bank 1", "short term, bank 2"), 304)
    (1, 2)
    """
    if len(labels) < 2:
        return 0
    widths = [LEGEND_SAMPLE + LETTER * len(label) for label in labels]
    columns = len(labels) if sum(widths) <= width else max(1, int(width // max(widths)))
    return math.ceil(len(labels) / columns)


class Frame:
    """The places of the panels of one picture; panels are numbered from 1, heights are in pixels."""

    def __init__(self, picture: Picture) -> None:
        self.screen = picture.screen
        self.panels = picture.panels
        self.left = LEFT_NARROW if self.screen.narrow else LEFT
        self.lane = self.screen.lane_rows * LANE_ROW if picture.lane else 0
        self._headers = [self._header(panel) for panel in self.panels]
        self.states = picture.states_shown
        below = STATE_ROW * len(self.states) + (STATE_GAP if self.states else 0)
        self.inner = max(self.lane + sum(self._headers) + PLOT_HEIGHT * len(self.panels) + below, 1)
        self.height = self.inner + TOP + AXIS

    def _header(self, panel: Panel) -> int:
        if self.screen.narrow:
            return HEADER_NARROW + LEGEND_ROW * legend_rows(panel.labels, self.screen.plot_width)
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

    def states_domain(self) -> tuple[float, float]:
        """Lower and upper end of the thin bands below the panels, as fractions of the plot area."""
        return 0.0, STATE_ROW * len(self.states) / self.inner

    def state_names(self) -> list[dict[str, Any]]:
        """The name of each thin band, above it."""
        return [
            {
                "text": one.name, "x": 0, "xref": "paper", "xanchor": "left", "xshift": 3,
                "y": (len(self.states) - place) * STATE_ROW / self.inner, "yref": "paper", "yanchor": "top",
                "showarrow": False, "font": {"size": 12}, "name": "state-name",
            }
            for place, one in enumerate(self.states)
        ]  # fmt: skip

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
