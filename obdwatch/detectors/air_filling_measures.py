"""The numbers an air filling finding rests on; their names are also those of the car's history."""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.air_filling_judgement import LEVEL_FIRST, LEVEL_OWN, Filling
from obdwatch.detectors.air_filling_record import FillingRecord
from obdwatch.physics.order_statistics import median
from obdwatch.records import Measure

TWO_SIDED = 1.96
"""Standard deviations about a mean that hold 95 % (normal distribution)."""


def measures_of(record: FillingRecord, filling: Filling) -> tuple[Measure, ...]:
    """Return what was seen: pulls, their range of speed, filling, what is missing and where, hot idle."""
    return (*_pulls(record, filling), *_losses(filling), *_idle(record, filling))


def _pulls(record: FillingRecord, filling: Filling) -> list[Measure]:
    if not filling.bands:
        return []
    bands = filling.bands
    seconds = sum(span.end - span.start for span in record.pulls.spans)
    shown = [
        Measure("full_throttle_time", seconds, "s"),
        Measure("lowest_speed_seen", bands[0].start, "1/min"),
        Measure("highest_speed_seen", bands[-1].start + 500.0, "1/min"),
    ]
    fillings = [band.filling for band in bands if np.isfinite(band.filling)]
    if fillings:
        expected = None if record.boosted else (75.0, 110.0)  # tuned inlets included (Heywood, from memory)
        shown.append(Measure("full_throttle_filling", float(max(fillings)), "%", None, expected))
    shares = [band.share for band in bands if np.isfinite(band.share)]
    if shares:
        level = median(shares)
        shown.append(Measure("full_throttle_load", level, "%", None, (100.0 - LEVEL_FIRST, 100.0)))
    ratios = record.pulls.ratio[np.isfinite(record.pulls.ratio)]
    if len(ratios):
        shown.append(Measure("full_throttle_pressure_ratio", median(ratios), "ratio"))
    return shown


def _losses(filling: Filling) -> list[Measure]:
    place, losses = filling.place, filling.losses
    if place is None or losses is None:
        return []
    level = LEVEL_OWN if losses.own else LEVEL_FIRST
    spread = TWO_SIDED * place.level_error
    interval = (place.overall - spread, place.overall + spread)
    shown = [
        Measure("air_missing", place.overall, "%", interval, (-level, level + filling.allowance)),
        Measure("own_history_drives", float(losses.drives), ""),
    ]
    if place.split is not None:
        about = TWO_SIDED * place.error
        shown += [
            Measure("air_missing_low", place.low, "%", (place.low - about, place.low + about)),
            Measure("air_missing_high", place.high, "%", (place.high - about, place.high + about)),
            Measure("split_speed", place.split, "1/min"),
        ]
    return shown


def _idle(record: FillingRecord, filling: Filling) -> list[Measure]:
    idle = record.idle
    shown = []
    if idle is not None and idle.pressure is not None:
        shown.append(Measure("hot_idle_pressure", idle.pressure, "kPa"))
    if filling.pressure_rise is not None:
        shown.append(Measure("idle_pressure_rise", filling.pressure_rise, "kPa"))
    if filling.breathing_change is not None:
        shown.append(Measure("idle_breathing_change", 100.0 * filling.breathing_change, "%"))
    return shown
