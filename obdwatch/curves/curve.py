"""The records of a measured curve beside the expected one; frozen, units of SAE J1979, no behaviour.

A curve comes from the same record and the same fit that its detector judges by; a page draws it and reckons nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from obdwatch.records import FloatArray, Measure


class Look(StrEnum):
    """How a series is meant to be drawn."""

    LINE = "line"  # readings in order of x
    DOTS = "dots"  # readings that stand for themselves
    BARS = "bars"  # one for each place on the x axis
    MODEL = "model"  # a line through the readings that a fit gives


@dataclass(frozen=True, slots=True)
class Axis:
    """What runs along an axis: in `words`, in `unit`; `labels` name the places 1, 2, ... where it has no unit."""

    words: str
    unit: str
    labels: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Series:
    """Points `x`, `y` of equal length; NaN in `y` is a gap. `bank` is 1 or 2 where the series is of one bank."""

    name: str
    look: Look
    x: FloatArray
    y: FloatArray
    bank: int | None = None


@dataclass(frozen=True, slots=True)
class Expected:
    """What should be measured at `x`: at least `low`, about `middle`, at most `high`; None for an end that is open.

    All arrays have the length of `x`; NaN is a gap.
    """

    name: str
    x: FloatArray
    low: FloatArray | None = None
    middle: FloatArray | None = None
    high: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class Panel:
    """One picture over the x axis of the curve: what is measured along `axis`, and what was expected of it."""

    axis: Axis
    measured: tuple[Series, ...]
    expected: tuple[Expected, ...] = ()


@dataclass(frozen=True, slots=True)
class Curve:
    """What was measured against what was expected; `kind` is the detector it comes from.

    `facts` are the numbers that a sentence about it needs, by name.
    """

    kind: str
    x: Axis
    panels: tuple[Panel, ...]
    facts: tuple[Measure, ...] = ()

    def fact(self, name: str) -> Measure | None:
        """The fact of this name, None where there is none."""
        return next((one for one in self.facts if one.name == name), None)
