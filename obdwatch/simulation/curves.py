"""Small numerical pieces that the physics of the virtual car shares: curves read fast, and one stream of chance.

The engine advances twenty times a second of simulated time in plain Python floats, so a curve is a table with even
spacing and noise is drawn in blocks.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

BLOCK = 4096  # numbers drawn at once


class EvenCurve:
    """A curve read by linear interpolation on an even grid; outside, its end values hold."""

    __slots__ = ("_last", "_start", "_step", "_values")

    def __init__(self, points: Sequence[tuple[float, float]], step: float) -> None:
        xs = [point[0] for point in points]
        grid = np.arange(xs[0], xs[-1] + step, step)
        self._values: list[float] = np.interp(grid, xs, [point[1] for point in points]).tolist()
        self._start, self._step = xs[0], step
        self._last = len(self._values) - 1

    def at(self, x: float) -> float:
        """Return the value at `x`."""
        place = (x - self._start) / self._step
        if place <= 0.0:
            return self._values[0]
        index = int(place)
        if index >= self._last:
            return self._values[self._last]
        low = self._values[index]
        return low + (self._values[index + 1] - low) * (place - index)


class Chance:
    """Normal and uniform random numbers from one seed, drawn in blocks; the same seed gives the same sequence."""

    __slots__ = ("_generator", "_normals", "_uniforms")

    def __init__(self, seed: int, stream: int) -> None:
        self._generator = np.random.default_rng([seed, stream])
        self._normals: list[float] = []
        self._uniforms: list[float] = []

    def normal(self) -> float:
        """Return a number of the standard normal distribution."""
        if not self._normals:
            self._normals = self._generator.standard_normal(BLOCK).tolist()
        return self._normals.pop()

    def uniform(self) -> float:
        """Return a number between 0 and 1."""
        if not self._uniforms:
            self._uniforms = self._generator.random(BLOCK).tolist()
        return self._uniforms.pop()


def clip(value: float, low: float, high: float) -> float:
    """Hold `value` between `low` and `high`."""
    if value < low:
        return low
    return high if value > high else value
