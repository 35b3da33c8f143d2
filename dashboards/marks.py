"""Findings as shaded bands and events as lines, with as many of their words as have room above the panels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dashboards.drawing import (
    ACCENT,
    LETTER,
    MOST_FLAGS,
    MOST_LABEL,
    NEUTRAL,
    Band,
    Flag,
    Picture,
    Screen,
    Window,
    axis_time,
    plain,
)
from dashboards.frames import Frame
from dashboards.wording import shortened


@dataclass(frozen=True, slots=True)
class Label:
    """A text beside a line or a band: which row of the lane above the panels, and to which side of `t` it runs."""

    t: float
    text: str
    row: int
    to_the_left: bool


def shapes(picture: Picture) -> list[dict[str, Any]]:
    """Bands and lines across all panels."""
    window = picture.window
    areas = [
        {
            "type": "rect", "xref": "x", "yref": "paper", "layer": "below", "y0": 0, "y1": 1,
            "x0": axis_time(band.start), "x1": axis_time(band.end),
            "fillcolor": ACCENT, "opacity": 0.18 if band.chosen else 0.11,
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


def labels(picture: Picture, frame: Frame) -> list[dict[str, Any]]:
    """The words above bands and lines that have room in this window; all of them also stand in the page's lists."""
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
