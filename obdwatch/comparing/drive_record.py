"""From a drive and what was found in it to what a comparison needs: its conditions, and means in cells of them."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence

import numpy as np

from obdwatch.comparing.proof_records import Cell, Driven, DriveRecord
from obdwatch.detectors.misfire_conditions import LOADS, TEMPERATURES, turning
from obdwatch.physics.two_samples import error_of_mean
from obdwatch.records import BoolArray, Drive, Finding, FloatArray, Measure, Session
from obdwatch.signals.alignment import grid, hold
from obdwatch.signals.masks import FAST_AGE, SLOW_AGE, closed_loop, idling, overrun, running, warm

STEP = 0.5  # s; finer than fuel trims are read
SPEED_BAND, LOAD_BAND = 500.0, 20.0  # 1/min, %; coarser than the similar conditions of 40 CFR 86.010-18 (375, 20)
BLOCK = 20.0  # s; the integrator of the mixture control forgets within some seconds (common practice)
LEAST_SECONDS = 10.0  # s in a cell; less is a passage, not a state

CONDITIONS: Mapping[str, tuple[str, ...]] = {
    "outside_air": ("outside_air", "ambient_air_temperature_at_rest"),
    "coolant_at_start": ("coolant_at_start", "coolant_at_rest"),
    "intake_air": ("advance_intake_air", "intake_air_under_load", "intake_air"),
}
"""By condition the measures of findings that hold it."""

FINDING_CELLS: Mapping[str, tuple[str, re.Pattern[str]]] = {
    "matched_advance": ("ignition_timing", re.compile(r"advance_a_\d+_\d+$")),
    "matched_filling": ("air_filling", re.compile(r"full_\d+$")),
}
"""Measures whose cells the detectors have worked out already."""


def record_of(session: Session, findings: Sequence[Finding], driven: Driven) -> DriveRecord:
    """Return what a comparison needs of a drive; pure."""
    cells = {**_cells_of_findings(findings), **driven.trims}
    return DriveRecord(session, tuple(findings), conditions_of(session, findings), cells, driven.turns, driven.pending)


def conditions_of(session: Session, findings: Sequence[Finding]) -> dict[str, float]:
    """Return the conditions of a drive that are known."""
    found: dict[str, float] = {}
    every = [m for f in findings for m in (*f.measures, *f.learnt) if math.isfinite(m.value)]
    for condition, names in CONDITIONS.items():
        values = [m.value for name in names for m in every if m.name == name]
        if values:
            found[condition] = values[0]
    if session.soak_hours is not None:
        found["soak_hours"] = session.soak_hours
    return found


def turns_of(drive: Drive) -> dict[str, float]:
    """Return the revolutions of the engine in each condition of temperature and load."""
    record = turning(drive)
    if record is None:
        return {}
    kinds = ((TEMPERATURES, record.temperature), (LOADS, record.load))
    return {
        name: float(record.revolutions[place == number].sum())
        for names, place in kinds
        for number, name in enumerate(names)
    }


def _cells_of_findings(findings: Sequence[Finding]) -> dict[str, dict[str, Cell]]:
    found: dict[str, dict[str, Cell]] = {}
    for measure, (detector, pattern) in FINDING_CELLS.items():
        named = [m for f in findings if f.detector == detector for m in (*f.measures, *f.learnt)]
        cells = {m.name: Cell(m.value, 1.0, _error(m)) for m in named if pattern.match(m.name)}
        if cells:
            found[measure] = cells
    return found


def _error(measure: Measure) -> float:
    """Standard error of a measure with a 95 % interval."""
    return (measure.interval[1] - measure.interval[0]) / 3.92 if measure.interval is not None else math.nan


def trim_cells(drive: Drive) -> dict[str, dict[str, Cell]]:
    """Return the fuel correction (short and long term together) [%] of each bank, warm and in closed loop, in cells.

    At idle one cell; on the road bands of engine speed and load. Without knowing the mixture control's state or the
    coolant temperature nothing is returned.
    """
    at = grid(drive, STEP)
    if not len(at):
        return {}
    usable = warm(drive, at) & closed_loop(drive, at) & running(drive, at) & ~overrun(drive, at)
    if not usable.any():
        return {}
    standing = idling(drive, at)
    load_key = next((key for key in ("calculated_load", "absolute_load") if key in drive.signals), "")
    speed, load = _signal(drive, "engine_speed", at, FAST_AGE), _signal(drive, load_key, at, FAST_AGE)
    names = np.floor(speed / SPEED_BAND) * 1000.0 + np.floor(load / LOAD_BAND)
    found: dict[str, dict[str, Cell]] = {}
    for bank in (1, 2):
        total = _signal(drive, f"short_term_fuel_trim_bank_{bank}", at, FAST_AGE)
        total = total + _signal(drive, f"long_term_fuel_trim_bank_{bank}", at, SLOW_AGE)
        good = usable & np.isfinite(total)
        at_idle = _cells(total, np.where(standing, 0.0, np.nan), at, good & standing)
        on_road = _cells(total, names, at, good & ~standing & np.isfinite(names), load_key)
        found |= {f"matched_{where}_bank_{bank}": c for where, c in (("idle", at_idle), ("road", on_road)) if c}
    return found


def _signal(drive: Drive, key: str, at: FloatArray, age: float) -> FloatArray:
    return hold(drive.signals.get(key), at, age)


def _cells(values: FloatArray, names: FloatArray, at: FloatArray, good: BoolArray, kind: str = "") -> dict[str, Cell]:
    cells = {}
    for name in np.unique(names[good]):
        inside = good & (names == name)
        seconds = float(np.count_nonzero(inside)) * STEP
        if seconds >= LEAST_SECONDS:
            error = error_of_mean(values[inside], np.floor(at[inside] / BLOCK))
            cells[f"{kind}{name:.0f}"] = Cell(float(np.mean(values[inside])), seconds, error)
    return cells
