"""How the cylinders fill at idle, against the car's own past.

It is taken twice, with the air as measured and with the fuel trims taken for air nobody measured. What shows in both is
the cylinders; what shows in one only is a leak, a sensor or the fuel.
"""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.idle_quality_record import IdleRecord
from obdwatch.detectors.idle_quality_throttle import MOST_TRIM
from obdwatch.detectors.oxygen_sensors_baseline import baseline
from obdwatch.physics.air import STANDARD_PRESSURE
from obdwatch.physics.idle_air import residual_filling
from obdwatch.physics.order_statistics import median
from obdwatch.records import History, Measure

ENOUGH_FILLED = 10
"""Seconds of filling at the quiet part of the idle that make a number (common practice)."""

PRESSURE_STEP = 1.0
"""One step of the pressure's scale [kPa] (SAE J1979)."""

PLAIN_DROP = 0.02
"""A drop of the plain filling [-] as large as half a step of pressure at idle: below it there is none."""


def learnt_of(record: IdleRecord) -> tuple[Measure, ...]:
    """Return the filling of the idle, for the car's history."""
    return tuple(Measure(name, value, "ratio") for name, value in _fillings(record).items())


def _fillings(record: IdleRecord) -> dict[str, float]:
    """Return the filling at the quiet part of the idle: relative to the ideal, corrected by the trims, and plain."""
    quiet = record.quiet(record.pressure)
    if quiet is None:
        return {}
    here = np.isfinite(record.fill) & (record.pressure <= quiet + PRESSURE_STEP) & (np.abs(record.trim) <= MOST_TRIM)
    if np.count_nonzero(here) < ENOUGH_FILLED:
        return {}
    fill, trim, pressure = record.fill[here], record.trim[here], record.pressure[here]
    return {
        "fill": median(fill),
        "fill_trimmed": median(fill * (1.0 + trim)),
        "fill_plain": median(fill * residual_filling(pressure, STANDARD_PRESSURE)),
    }


def fill_drop(record: IdleRecord, history: History, detector: str, parts: tuple[str, ...]) -> float | None:
    """Return by how much the filling has surely dropped below earlier drives, with and without trims; None untold.

    A drop that is only in the ideal it is compared with, because the load was another, is none.
    """
    drops = {}
    for name, value in _fillings(record).items():
        past = baseline(history, detector, name, parts)
        if past is None:
            return None
        drops[name] = past.middle - value - 2.0 * past.spread
    if not drops:
        return None
    return min(drops["fill"], drops["fill_trimmed"]) if drops["fill_plain"] > PLAIN_DROP else min(0.0, drops["fill"])
