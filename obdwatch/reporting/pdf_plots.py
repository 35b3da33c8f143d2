"""A plot as a picture for paper, by matplotlib; no browser and no screen are needed."""

from __future__ import annotations

from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties

from obdwatch.reporting.plots import Curve, Plot, Stroke

WIDTH, HEIGHT, DOTS = 7.1, 2.35, 200  # inch, inch, 1/inch
ACCENT, QUIET, RULE = "#1f63ad", "#444444", "#c4c9cf"
SIZE = 8.0  # pt


def font_file(name: str) -> Path:
    """Return the file of one of the fonts that come with matplotlib."""
    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / f"{name}.ttf"


@cache
def _font() -> FontProperties:
    # Named by its file, so that what a user has set for matplotlib changes nothing here.
    return FontProperties(fname=str(font_file("DejaVuSans")), size=SIZE)


def png(plot: Plot) -> bytes:
    """Return the plot as PNG. Texts are drawn letter by letter: a dollar sign begins no formula."""
    figure = Figure(figsize=(WIDTH, HEIGHT), dpi=DOTS, layout="constrained")
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.set_xlim(plot.x.low, plot.x.high)
    axes.set_ylim(plot.y.low, plot.y.high)
    words: dict[str, Any] = {"fontproperties": _font(), "color": QUIET, "parse_math": False}
    axes.set_xticks([at for at, _ in plot.x.ticks], [text for _, text in plot.x.ticks], **words)
    axes.set_yticks([at for at, _ in plot.y.ticks], [text for _, text in plot.y.ticks], **words)
    axes.set_xlabel(plot.x.label, **words)
    axes.set_title(plot.y.label, loc="left", **words)
    axes.grid(axis="y", color=RULE, linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.tick_params(length=2, color=QUIET)
    _draw(axes, plot, words)
    for curve in plot.curves:
        _curve(axes, curve)
    found = BytesIO()
    canvas.print_png(found)  # type: ignore[no-untyped-call]
    return found.getvalue()


def _draw(axes: Any, plot: Plot, words: dict[str, Any]) -> None:
    """Marked pieces, forecasts, limits and repairs, with their words at the upper edge where they have room."""
    least = (plot.x.high - plot.x.low) * 0.003
    for band in plot.bands:
        axes.axvspan(band.start, max(band.end, band.start + least), color=ACCENT, alpha=0.16, linewidth=0)
    for area in plot.areas:
        axes.fill_between(area.xs, area.lows, area.highs, color=ACCENT, alpha=0.16, linewidth=0)
    for level in plot.levels:
        axes.axhline(level.at, color=QUIET, linewidth=0.9, dashes=(6, 4))
        above: dict[str, Any] = {"textcoords": "offset points", "ha": "right", "va": "bottom"}
        axes.annotate(level.text, (plot.x.high, level.at), (-2, 2), **above, **words)
    for place in plot.places:
        axes.axvline(place.at, color=QUIET, linewidth=0.9, dashes=(2, 3))
    letter = (plot.x.high - plot.x.low) * SIZE * 0.6 / 72.0 / (WIDTH - 0.8)
    free = plot.x.low
    texts = [*((band.start, band.text) for band in plot.bands), *((place.at, place.text) for place in plot.places)]
    for at, text in sorted(texts):
        start = at + letter / 2
        if text and start >= free and start + len(text) * letter <= plot.x.high:
            axes.text(start, plot.y.high, text, ha="left", va="top", **words)
            free = start + (len(text) + 1) * letter


def _curve(axes: Any, curve: Curve) -> None:
    if curve.stroke in (Stroke.POINTS, Stroke.HOLLOW):
        face = ACCENT if curve.stroke is Stroke.POINTS else "white"
        axes.plot(curve.xs, curve.ys, "o", markersize=4, markerfacecolor=face, markeredgecolor=ACCENT, zorder=3)
        return
    look: dict[str, Any] = {"color": ACCENT, "linewidth": 1.1}
    if curve.stroke is Stroke.DASHED:
        look["dashes"] = (5, 4)
    axes.plot(curve.xs, curve.ys, drawstyle="steps-post" if curve.stroke is Stroke.STEPS else "default", **look)
    known = np.isfinite(curve.ys)
    before, after = np.append(False, known[:-1]), np.append(known[1:], False)
    lone = known & ~before & ~after
    axes.plot(curve.xs[lone], curve.ys[lone], ".", markersize=2, color=ACCENT)
