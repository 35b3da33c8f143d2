"""Drops single values that the quantity cannot have taken: on an adapter link a flipped hex digit inside a frame
passes every check of form, and only the neighbours in time give it away.

Conservative on purpose: a value goes only when both neighbours agree with each other and it departs from both by
more than `inertia.csv` allows. A jump that lasts (a sensor fault, a reset counter) stays.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType

import numpy as np

from obdwatch.records import BoolArray, FloatArray

_FILE = Path(__file__).with_name("inertia.csv")


@dataclass(frozen=True, slots=True)
class Inertia:
    """How far a quantity can move between two samples: a step up or down, plus `rate` per second between them."""

    jump_up: float
    jump_down: float
    rate: float
    origin: str


@cache
def inertia_by_key() -> Mapping[str, Inertia]:
    """Return the limits of every quantity that has physical inertia."""
    with _FILE.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return MappingProxyType(
        {
            row["key"]: Inertia(float(row["jump_up"]), float(row["jump_down"]), float(row["rate"]), row["origin"])
            for row in rows
        }
    )


def isolated_jumps(key: str, times: FloatArray, values: FloatArray) -> BoolArray:
    """Return where a single value jumps away from two neighbours that agree; all False for keys without inertia.

    `times` [s] increasing; `values` without NaN; equal lengths. The first and last value are never isolated.
    """
    isolated = np.zeros(len(values), dtype=np.bool_)
    limits = inertia_by_key().get(key.partition("@")[0])
    if limits is None or len(values) < 3:
        return isolated
    reach = limits.rate * np.diff(times)
    before, after = values[1:-1] - values[:-2], values[1:-1] - values[2:]
    up = (before > limits.jump_up + reach[:-1]) & (after > limits.jump_up + reach[1:])
    down = (-before > limits.jump_down + reach[:-1]) & (-after > limits.jump_down + reach[1:])
    agree = np.abs(values[2:] - values[:-2]) <= min(limits.jump_up, limits.jump_down) + reach[:-1] + reach[1:]
    isolated[1:-1] = (up | down) & agree
    return isolated
