"""A plot as SVG to stand inside a page: no script, no font, no address; colours come from the page's own style.

Text in a picture keeps its size only where the picture is drawn as wide as it is shown, so a page holds each plot
twice, wide and narrow, and shows the one that fits.
"""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from itertools import pairwise

import numpy as np

from obdwatch.records import FloatArray
from obdwatch.reporting.plots import Area, Curve, Plot, Stroke

WIDE, NARROW = 720, 340  # px
HEIGHT, NARROW_HEIGHT = 250, 220
LEFT, RIGHT, TOP, BOTTOM = 64, 14, 22, 46
LETTER = 6.6  # mean width of a letter at 12 px
LEAST_BAND = 2.0  # px; a shorter place is drawn so wide, or nobody would see it
DOT = 3.5


def svg(plot: Plot, wide: bool = True) -> str:
    """Return the plot as an `svg` element; every text is escaped."""
    width, height = (WIDE, HEIGHT) if wide else (NARROW, NARROW_HEIGHT)
    lines = "\n".join(_Drawing(plot, width, height).elements())
    return (
        f'<svg class="{"wide" if wide else "narrow"}" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'role="img" aria-label="{escape(plot.words)}">\n{lines}\n</svg>'
    )


class _Drawing:
    """Where things of a plot stand, in px from the upper left corner."""

    def __init__(self, plot: Plot, width: int, height: int) -> None:
        self.plot = plot
        self.left, self.right, self.top, self.bottom = LEFT, width - RIGHT, TOP, height - BOTTOM

    def x(self, value: float) -> float:
        axis = self.plot.x
        return self.left + (value - axis.low) / (axis.high - axis.low) * (self.right - self.left)

    def y(self, value: float) -> float:
        axis = self.plot.y
        return self.bottom - (value - axis.low) / (axis.high - axis.low) * (self.bottom - self.top)

    def elements(self) -> Iterator[str]:
        yield from self._frame()
        yield from self._bands()
        for area in self.plot.areas:
            yield f'<path class="area" d="{self._outline(area)}"/>'
        yield from self._marks()
        for curve in self.plot.curves:
            yield from self._curve(curve)

    def _frame(self) -> Iterator[str]:
        middle = (self.left + self.right) / 2
        for at, text in self.plot.y.ticks:
            yield _line("grid", self.left, self.y(at), self.right, self.y(at))
            yield _text(self.left - 6, self.y(at) + 4, text, "end")
        for at, text in self._x_ticks():
            yield _line("tick", self.x(at), self.bottom, self.x(at), self.bottom + 4)
            yield _text(self.x(at), self.bottom + 17, text, "middle")
        yield _line("axis", self.left, self.bottom, self.right, self.bottom)
        yield _text(middle, self.bottom + 37, self.plot.x.label, "middle")
        yield _text(4, self.top - 9, self.plot.y.label, "start")

    def _x_ticks(self) -> list[tuple[float, str]]:
        """Those that have room; where there is none for all, every second."""
        ticks = list(self.plot.x.ticks)
        while len(ticks) > 2 and not self._has_room(ticks):
            ticks = ticks[::2]
        return ticks

    def _has_room(self, ticks: list[tuple[float, str]]) -> bool:
        widest = max(len(text) for _, text in ticks) * LETTER + 8
        return all(self.x(after) - self.x(before) >= widest for (before, _), (after, _) in pairwise(ticks))

    def _bands(self) -> Iterator[str]:
        for band in self.plot.bands:
            start, end = self.x(band.start), self.x(band.end)
            width = max(end - start, LEAST_BAND)
            size = f'width="{width:.1f}" height="{self.bottom - self.top}"'
            yield f'<rect class="band" x="{start:.1f}" y="{self.top}" {size}/>'
        yield from self._row([(band.start, band.text) for band in self.plot.bands])

    def _marks(self) -> Iterator[str]:
        for level in self.plot.levels:
            y = self.y(level.at)
            yield _line("limit", self.left, y, self.right, y)
            yield _text(self.right - 2, y - 4, level.text, "end")  # above, where the values keep clear of it
        for place in self.plot.places:
            yield _line("place", self.x(place.at), self.top, self.x(place.at), self.bottom)
        yield from self._row([(place.at, place.text) for place in self.plot.places])

    def _row(self, texts: list[tuple[float, str]]) -> Iterator[str]:
        """Words at the upper edge of the picture, those left out that would cover another or run over the edge."""
        free = float(self.left)
        for at, text in sorted(texts):
            start = self.x(at) + 3
            if text and start >= free and start + len(text) * LETTER <= self.right:
                yield _text(start, self.top + 12, text, "start")
                free = start + len(text) * LETTER + 8

    def _curve(self, curve: Curve) -> Iterator[str]:
        if curve.stroke in (Stroke.POINTS, Stroke.HOLLOW):
            kind = "dot" if curve.stroke is Stroke.POINTS else "hollow"
            for x, y in zip(curve.xs, curve.ys, strict=True):
                if np.isfinite(y):
                    yield f'<circle class="{kind}" cx="{self.x(x):.1f}" cy="{self.y(y):.1f}" r="{DOT}"/>'
            return
        path = self._path(curve.xs, curve.ys, curve.stroke is Stroke.STEPS)
        yield f'<path class="{"dashed" if curve.stroke is Stroke.DASHED else "curve"}" d="{path}"/>'

    def _path(self, xs: FloatArray, ys: FloatArray, steps: bool) -> str:
        """Pieces between the gaps; a lone sample becomes a dot, drawn by the round ends of the line."""
        pieces: list[str] = []
        pen_down = False
        for x, y in zip(xs, ys, strict=True):
            if not np.isfinite(y):
                pen_down = False
            elif not pen_down:
                pieces.append(f"M{self.x(x):.1f} {self.y(y):.1f}h0")
                pen_down = True
            else:
                pieces.append((f"H{self.x(x):.1f}V{self.y(y):.1f}") if steps else f"L{self.x(x):.1f} {self.y(y):.1f}")
        return "".join(pieces)

    def _outline(self, area: Area) -> str:
        there = [f"{self.x(x):.1f} {self.y(y):.1f}" for x, y in zip(area.xs, area.highs, strict=True)]
        back = [f"{self.x(x):.1f} {self.y(y):.1f}" for x, y in zip(area.xs[::-1], area.lows[::-1], strict=True)]
        return f"M{'L'.join([*there, *back])}Z"


def _line(kind: str, x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line class="{kind}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>' if text else ""
