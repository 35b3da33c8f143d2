"""What a drive's surface of ignition advance says: lost against the car's own past, or not possible in a sound engine.

Without a past only patterns are named that no sound petrol engine shows: how much advance is right differs from engine
to engine by more than knock takes away. Slopes and levels are common practice and from memory (J. B. Heywood, Internal
Combustion Engine Fundamentals, sections 9.3 and 15.4): advance rises with speed, because burning takes about the same
time and the crank turns further in it, and falls with load, because a full cylinder burns faster and knocks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.air_filling_past import Usual
from obdwatch.detectors.ignition_timing_record import LOAD_CELL, SPEED_CELL, TimingCell, TimingRecord
from obdwatch.physics.order_statistics import median
from obdwatch.records import FloatArray

LOADED, LIGHT = 60.0, 50.0
"""Load [%] from which an engine may knock, and up to which it hardly can (common practice)."""

LOST = 4.0
"""Advance lost in the mean [deg] that counts: knock control takes it back in steps of 1 to 3 (common practice)."""

LOST_MUCH = 7.0
"""Advance lost [deg] from which power and fuel are lost to notice: 10 deg cost about 5 to 8 % of torque (Heywood,
section 9.3.3, from memory)."""

DRIVE_ERROR = 1.0
"""Least standard deviation of a cell from drive to drive [deg]: fuel and weather (common practice)."""

SIGMAS = 4.0
"""Standard deviations of the mean that a loss must exceed."""

FEWEST_CELLS = 3
"""Cells that must tell; one may be used in another way than before."""

AGREEING = 0.75
"""Share of the loaded cells that must have lost at least half of `LOST`."""

HEAT_RETARD, HEAT_FROM = 0.3, 30.0
"""Advance that hot intake air costs [deg/K], from which temperature on [degC] (common practice: 0.1 to 0.3)."""

FALL_WITH_SPEED = 8.0
"""Fall of advance under load over 2,500 1/min or more [deg] that no naturally aspirated engine shows: it rises by 2
to 4 per 1,000 1/min, and knock limits take back some around the speed of most torque (common practice)."""

FALL_OVER = 2500.0

RISE_WITH_LOAD = 5.0
"""Advance under load over that at light load [deg]: it falls with load by 10 to 20 in a sound engine."""

LATE, LATE_FROM = 2.0, 2500.0
"""Advance under load [deg before top] at or above a speed [1/min] that a naturally aspirated engine only falls to when
knock control has taken everything it may; 10 to 30 is usual (common practice)."""

DURING = 5.0
"""Advance lost under load from the first to the second half of a drive [deg], intake heat allowed for."""

FEWEST_EACH = 12
"""Readings of a cell in each half of the drive from which its halves are compared (common practice)."""


@dataclass(frozen=True, slots=True)
class TimingChange:
    """Against earlier drives: advance lost under load and at light load [deg] (NaN unknown), `error`, cells, drives."""

    loaded: float
    light: float
    error: float
    cells: int
    drives: int
    agreeing: float


@dataclass(frozen=True, slots=True)
class TimingPattern:
    """What is not possible: `signature`, how far [deg], and where the readings behind it lie [s]."""

    signature: str
    by: float


def heat_allowance(intake: float, former: float) -> float:
    """Return the advance that hotter intake air than before may cost [deg].

    >>> round(heat_allowance(50.0, 30.0), 1), heat_allowance(10.0, 30.0)
    (6.0, 0.0)
    """
    return max(0.0, HEAT_RETARD * (max(intake, HEAT_FROM) - max(former, HEAT_FROM)))


def change_of(
    cells: Sequence[TimingCell], past: Mapping[str, Usual], source: str, intake: float
) -> TimingChange | None:
    """Compare cells with the car's own past; None where fewer than three loaded cells have one."""
    former = past.get("advance_intake_air")
    allowance = heat_allowance(intake, former.middle) if former is not None and np.isfinite(intake) else 0.0
    pairs = [(one, past[one.name(source)]) for one in cells if one.name(source) in past]
    loaded = [(one, base) for one, base in pairs if one.load >= LOADED]
    light = [(one, base) for one, base in pairs if one.load <= LIGHT]
    if len(loaded) < FEWEST_CELLS:
        return None
    fallen = np.array([base.middle - one.advance for one, base in loaded])
    lost = np.where(fallen > 0.0, np.maximum(fallen - allowance, 0.0), fallen)  # heat excuses a loss, it makes no gain
    errors = np.array([np.hypot(one.error, max(base.spread, DRIVE_ERROR)) for one, base in loaded])
    return TimingChange(
        loaded=median(lost),
        light=median([base.middle - one.advance for one, base in light]) if light else float("nan"),
        error=float(np.sqrt(np.sum(errors**2)) / len(errors)),
        cells=len(loaded),
        drives=min(base.drives for _, base in loaded),
        agreeing=float(np.mean(lost >= LOST / 2.0)),
    )


def has_lost(change: TimingChange | None) -> bool:
    """Whether advance has been lost under load beyond scatter, in most of the cells."""
    if change is None:
        return False
    return change.loaded >= max(LOST, SIGMAS * change.error) and change.agreeing >= AGREEING


def impossible(record: TimingRecord, cells: Sequence[TimingCell], uncharged: bool) -> TimingPattern | None:
    """Return what no sound petrol engine shows, None where nothing of the kind is seen."""
    hot = record.intake[record.load >= LOADED]
    if len(hot) and np.nanmax(np.nan_to_num(hot)) > HOT_INTAKE:
        return None
    return _rises_with_load(cells) or ((_falls_with_speed(cells) or _late(cells)) if uncharged else None)


HOT_INTAKE = 65.0
"""Intake air [degC] from which deep retard is what the engine should do: heat soak after standing (common practice)."""


def _rises_with_load(cells: Sequence[TimingCell]) -> TimingPattern | None:
    rises = []
    for speed in {one.speed for one in cells}:
        light = [one.advance for one in cells if one.speed == speed and one.load <= LIGHT]
        loaded = [one.advance for one in cells if one.speed == speed and one.load >= LOADED]
        if light and loaded:
            rises.append(min(loaded) - max(light))
    if len(rises) < FEWEST_CELLS or min(rises) < RISE_WITH_LOAD:
        return None
    return TimingPattern("rises_with_load", median(rises))


def _falls_with_speed(cells: Sequence[TimingCell]) -> TimingPattern | None:
    """At one load, over a wide range of speeds, at least three cells each later than the one before."""
    worst: TimingPattern | None = None
    for load in {one.load for one in cells if one.load >= LOADED}:
        row = sorted((one for one in cells if one.load == load), key=lambda one: one.speed)
        if len(row) < FEWEST_CELLS or row[-1].speed - row[0].speed < FALL_OVER:
            continue
        advance = np.array([one.advance for one in row])
        fall = float(advance[0] - advance[-1])
        if fall >= FALL_WITH_SPEED and bool(np.all(np.diff(advance) < 0.0)) and (worst is None or fall > worst.by):
            worst = TimingPattern("falls_with_speed", fall)
    return worst


def _late(cells: Sequence[TimingCell]) -> TimingPattern | None:
    here = [one.advance for one in cells if one.load >= LOADED and one.speed >= LATE_FROM]
    if len(here) < FEWEST_CELLS or median(here) > LATE:
        return None
    return TimingPattern("late_under_load", median(here))


def lost_during(record: TimingRecord) -> TimingPattern | None:
    """Advance under load, second half of the drive against the first, cell by cell: knock that came with heat."""
    loaded = record.load >= LOADED
    times = record.times[loaded]
    if len(times) < 2 * FEWEST_EACH:
        return None
    off, heat = (record.advance - record.fitted)[loaded], record.intake[loaded]
    number = np.floor(record.speed[loaded] / SPEED_CELL) * 100.0 + np.floor(record.load[loaded] / LOAD_CELL)
    late = times > (times[0] + times[-1]) / 2.0
    lost = []
    for one in np.unique(number):
        then, before = (number == one) & late, (number == one) & ~late
        if min(np.count_nonzero(then), np.count_nonzero(before)) >= FEWEST_EACH:
            fallen = median(off[before]) - median(off[then])
            lost.append(fallen - _heat(heat[then], heat[before]))
    if len(lost) < FEWEST_CELLS or min(lost) < DURING / 2.0 or median(lost) < DURING:
        return None
    return TimingPattern("lost_during_drive", median(lost))


def _heat(second: FloatArray, first: FloatArray) -> float:
    known = [one[np.isfinite(one)] for one in (second, first)]
    return heat_allowance(*(median(one) for one in known)) if all(len(one) for one in known) else 0.0
