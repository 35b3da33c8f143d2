"""When the engine was warm, driven steadily, or on overrun with the fuel cut, as stretches of a drive to be drawn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from obdwatch.records import BoolArray, Drive, FloatArray
from obdwatch.signals.alignment import span
from obdwatch.signals.masks import overrun, steady, warm

STEP = 1.0
"""Step of the looking [s]: what is shorter cannot be seen in a picture of a whole drive."""

LONGEST = 172_800.0
"""Length of a drive at most [s], two days: a damaged clock must not fill the memory."""


@dataclass(frozen=True, slots=True)
class Stretches:
    """A state by `name`, and from when to when the engine was in it: `starts` and `ends` [s], equally many."""

    name: str
    starts: FloatArray
    ends: FloatArray


STATES: tuple[tuple[str, Callable[[Drive, FloatArray], BoolArray]], ...] = (
    ("warm", warm),
    ("steady", steady),
    ("overrun", overrun),
)


def states_of(drive: Drive) -> tuple[Stretches, ...]:
    """Return the stretches of each state that the drive shows at all; unknown is never taken for a state."""
    ends = span(drive)
    if ends is None:
        return ()
    at = np.arange(ends[0], min(ends[1], ends[0] + LONGEST) + STEP / 2.0, STEP)
    found = (_stretches(name, at, mask(drive, at)) for name, mask in STATES)
    return tuple(one for one in found if len(one.starts))


def _stretches(name: str, at: FloatArray, here: BoolArray) -> Stretches:
    edges = np.flatnonzero(np.diff(np.r_[False, here, False].astype(np.int8)))
    return Stretches(name, at[edges[::2]], at[edges[1::2] - 1] + STEP)
