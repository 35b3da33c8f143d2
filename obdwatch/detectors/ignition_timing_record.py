"""Ignition advance of one drive as a surface over engine speed and load, moved to the middles of its cells.

Advance belongs to the speed and load of its own moment, so both are interpolated to its times, and only where they move
slowly. A smooth surface through the whole drive carries each reading to the middle of its cell: otherwise a cell would
change from drive to drive only because it was used at another end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.sampled import held, readings
from obdwatch.physics.order_statistics import median
from obdwatch.records import BoolArray, Drive, FloatArray, Signal
from obdwatch.signals import masks
from obdwatch.signals.alignment import places

SPEED_CELL, LOAD_CELL = 1000.0, 20.0
"""Width of a cell [1/min, %]."""

SPEEDS, LOADS = (1000.0, 7000.0), (20.0, 120.0)
"""Speeds and loads looked at; below lie idle and overrun, whose advance is used to hold the speed (common practice)."""

FEWEST_IN_CELL = 8
"""Readings that make a cell: advance moves by 1 to 2 deg from reading to reading while it hunts for knock."""

FEWEST = 60
"""Readings from which there is a surface: ten for each of its six terms."""

SLOW_SPEED, SLOW_LOAD = 1000.0, 12.0
"""Change of speed [1/min] and load [%] per second up to which a reading counts: advance then lags by less than 1 deg
(slopes of 3 deg per 1,000 1/min and 0.3 deg per %, common practice, times 0.25 s)."""

GAP = 2.5
"""Longest time between two readings of speed or load that advance is placed between [s]."""

SCALE_ENDS = (-64.0, 63.5)
"""The ends of what SAE J1979 can say of advance [deg]: a control unit that does not tell, and no advance."""

HOT_COOLANT = 110.0
"""Coolant from which any engine takes its advance back [degC] (common practice)."""

MOST_AGE = 35.0
"""Age of a temperature still used [s]; slow parameters are read every 30 s at worst."""


@dataclass(frozen=True, slots=True)
class TimingRecord:
    """Usable readings: `times` [s], `speed` [1/min], `load` [%], `advance` [deg], `intake` air [degC] (NaN unknown).

    `fitted` is the smooth surface at each reading. `source` is the load used: absolute_load or calculated_load.
    """

    times: FloatArray
    speed: FloatArray
    load: FloatArray
    advance: FloatArray
    intake: FloatArray
    fitted: FloatArray
    surface: FloatArray
    source: str


@dataclass(frozen=True, slots=True)
class TimingCell:
    """Advance in the middle of a cell: `speed` [1/min], `load` [%], `advance` [deg], standard deviation `error`."""

    speed: float
    load: float
    advance: float
    error: float
    count: int

    def name(self, source: str) -> str:
        """Return what the cell is called in the car's history; absolute and calculated load are kept apart."""
        return f"advance_{source[0]}_{self.speed:.0f}_{self.load:.0f}"


def prepare(drive: Drive) -> TimingRecord | str:
    """Return the usable readings, or the name of what is missing."""
    advance, speed = readings(drive, "timing_advance"), readings(drive, "engine_speed")
    load = readings(drive, "absolute_load") or readings(drive, "calculated_load")
    if advance is None or speed is None or load is None:
        return "signals_missing"
    told = (advance.values > SCALE_ENDS[0]) & (advance.values < SCALE_ENDS[1])
    times, values = advance.times[told], advance.values[told]
    (turning, calm), (loaded, even) = _placed(speed, times, SLOW_SPEED), _placed(load, times, SLOW_LOAD)
    good = _inside(turning, SPEEDS) & _inside(loaded, LOADS) & _warm(drive, times) & calm & even
    if np.count_nonzero(good) < FEWEST:
        return "too_little_driving" if len(times) >= FEWEST else "signals_missing"
    times, values, turning, loaded = (one[good] for one in (times, values, turning, loaded))
    intake = held(readings(drive, "intake_air_temperature"), times, MOST_AGE)
    surface = _fit(turning, loaded, values)
    fitted = terms(turning, loaded) @ surface
    return TimingRecord(times, turning, loaded, values, intake, fitted, surface, load.key)


def _inside(values: FloatArray, limits: tuple[float, float]) -> BoolArray:
    inside: BoolArray = (values >= limits[0]) & (values < limits[1])
    return inside


def _warm(drive: Drive, at: FloatArray) -> BoolArray:
    coolant = held(readings(drive, "coolant_temperature"), at, MOST_AGE)
    warm: BoolArray = (coolant >= masks.WARM_COOLANT) & (coolant < HOT_COOLANT)
    return warm


def _placed(signal: Signal, at: FloatArray, limit: float) -> tuple[FloatArray, BoolArray]:
    """Return values between two readings close enough, NaN elsewhere; and whether a signal changes by no more than
    `limit` per second between the readings around each time.
    """
    if len(signal.times) < 2 or not len(at):
        return np.full(len(at), np.nan), np.zeros(len(at), dtype=np.bool_)
    next_one = np.clip(places(signal.times, at, "left"), 1, len(signal.times) - 1)
    before, after = signal.times[next_one - 1], signal.times[next_one]
    inside = (at >= before - GAP / 2.0) & (at <= after + GAP / 2.0)
    close = inside & (after - before <= GAP)
    changed = np.abs(signal.values[next_one] - signal.values[next_one - 1])
    slow: BoolArray = changed <= limit * np.maximum(after - before, 0.1)
    return np.where(close, np.interp(at, signal.times, signal.values), np.nan), slow


def terms(speed: FloatArray, load: FloatArray) -> FloatArray:
    """Return the terms of the smooth surface [readings, 6]: constant, linear, square and mixed."""
    n, w = speed / 1000.0 - 3.0, load / 50.0 - 1.0
    return np.stack([np.ones(len(n)), n, w, n * n, w * w, n * w], axis=1)


def _fit(speed: FloatArray, load: FloatArray, advance: FloatArray) -> FloatArray:
    """Fit the surface by least squares, twice, the second time without what lies far off (a gear change, knock)."""
    table = terms(speed, load)
    keep: BoolArray = np.ones(len(advance), dtype=np.bool_)
    answer: FloatArray = np.zeros(table.shape[1])
    ridge = 1e-3 * len(advance) * np.eye(table.shape[1])
    ridge[0, 0] = 0.0
    for _ in range(2):
        rows = table[keep]
        answer = np.linalg.solve(rows.T @ rows + ridge, rows.T @ advance[keep]).astype(np.float64)
        off = np.abs(advance - table @ answer)
        keep = off <= max(FAR, 3.0 * 1.4826 * median(off))
        if np.count_nonzero(keep) < FEWEST // 2:
            break
    return answer


FAR = 5.0
"""Distance from the surface [deg] within which no reading is left out."""


def cells_of(record: TimingRecord) -> tuple[TimingCell, ...]:
    """Return the cells with readings enough, each reading carried along the surface to the middle of its cell."""
    speed = np.floor(record.speed / SPEED_CELL)
    load = np.floor(record.load / LOAD_CELL)
    middle_speed, middle_load = (speed + 0.5) * SPEED_CELL, (load + 0.5) * LOAD_CELL
    way = _way(record, middle_speed - record.speed, middle_load - record.load)
    near = np.abs(way) <= MOST_CARRIED
    carried = (record.advance + way)[near]
    number = (speed * 100.0 + load).astype(np.intp)[near]
    order = np.argsort(number, kind="stable")
    names, starts, counts = np.unique(number[order], return_index=True, return_counts=True)
    return tuple(
        _cell(int(name), carried[order[start : start + count]])
        for name, start, count in zip(names, starts, counts, strict=True)
        if count >= FEWEST_IN_CELL
    )


SPEED_SLOPE, LOAD_SLOPE = (-1.0, 6.0), (-0.4, 0.1)
"""Slopes of advance [deg per 1,000 1/min, deg per %] that engines have (common practice): a surface that is bent by
knock at one end must not carry a reading further than that."""


def _way(record: TimingRecord, speed: FloatArray, load: FloatArray) -> FloatArray:
    """Return by how much advance changes over a way of `speed` [1/min] and `load` [%] from each reading."""
    n, w = record.speed / 1000.0 - 3.0, record.load / 50.0 - 1.0
    _, by_n, by_w, by_nn, by_ww, by_nw = record.surface.tolist()
    along_speed = np.clip(by_n + 2.0 * by_nn * n + by_nw * w, *SPEED_SLOPE)
    along_load = np.clip((by_w + 2.0 * by_ww * w + by_nw * n) / 50.0, *LOAD_SLOPE)
    way: FloatArray = along_speed * speed / 1000.0 + along_load * load
    return way


MOST_CARRIED = 5.0
"""Farthest a reading is carried along the surface [deg]: half a cell is about 1.5 + 3 deg (slopes: `SLOW_LOAD`)."""


def _cell(number: int, values: FloatArray) -> TimingCell:
    middle = median(values)
    spread = 1.4826 * median(np.abs(values - middle))
    error = max(spread, LEAST_SPREAD) / float(np.sqrt(min(len(values), INDEPENDENT)))
    speed, load = divmod(number, 100)
    return TimingCell((speed + 0.5) * SPEED_CELL, (load + 0.5) * LOAD_CELL, middle, error, len(values))


LEAST_SPREAD = 1.0
"""Least scatter of advance in a cell [deg]: two steps of 0.5 (SAE J1979)."""

INDEPENDENT = 20
"""Readings of a cell that count as independent at most: those of one stretch of road are alike (common practice)."""
