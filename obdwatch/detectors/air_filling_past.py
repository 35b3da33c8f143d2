"""A car's own surface from earlier drives, cell by cell; for the detectors of air filling and ignition timing.

A drive that was found faulty leaves no cells behind, one that could not yet be judged does: without that a car that has
no physical prior (a turbo) would never get a baseline.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from obdwatch.physics.order_statistics import median
from obdwatch.records import Event, EventKind, Feature, FloatArray, History

Cells = Mapping[str, Mapping[str, float]]
"""Values by cell, then by drive."""

FEWEST_DRIVES = 3
"""Earlier drives that make a baseline: a middle that one odd drive cannot move."""

MOST_DRIVES = 20
"""Earlier drives that a baseline is taken from: a median of 20 is known to a quarter of their scatter (1.25/sqrt n)."""

MAD_TO_SIGMA = 1.4826
"""Standard deviation over median distance from the median, of a normal distribution."""

ROUNDS = 3
"""Rounds of taking medians by drive and by cell in turn; two settle it (median polish, J. W. Tukey, Exploratory Data
Analysis, chapter 11, from memory)."""


@dataclass(frozen=True, slots=True)
class Usual:
    """What a cell usually is: `middle` of `drives` earlier drives, and their robust standard deviation `spread`."""

    middle: float
    spread: float
    drives: int


@dataclass(frozen=True, slots=True)
class OwnShape:
    """A row of cells of earlier drives: `middle` by cell; how much drives differ as a whole (`level`) and a cell within
    its drive (`shape`), both as robust standard deviations in the unit of the cells' logarithm; `drives` behind it.
    """

    middle: Mapping[str, float]
    level: float
    shape: float
    drives: int


def cells_of_drives(history: History, detector: str, prefix: str, parts: tuple[str, ...]) -> Cells:
    """Return the cells whose name starts with `prefix`, each of its first drives since the last repair of `parts`.

    The first and not the last: a baseline that moves along with what wears would never see it.
    """
    repairs = [event for event in history.events if event.kind is EventKind.REPAIR and event.part in parts]
    cells: dict[str, dict[str, float]] = defaultdict(dict)
    for name, features in history.by_name.get(detector, {}).items():
        if name.startswith(prefix):
            drives = cells[name]
            for feature in features:  # oldest first
                if len(drives) == MOST_DRIVES:
                    break
                if all(_after(feature, event) for event in repairs):
                    drives[feature.session_id] = feature.value
    return cells


def surface(history: History, detector: str, prefix: str, parts: tuple[str, ...]) -> Mapping[str, Usual]:
    """Return the baseline of every cell with at least three drives."""
    cells = cells_of_drives(history, detector, prefix, parts)
    return {name: _baseline(list(drives.values())) for name, drives in cells.items() if len(drives) >= FEWEST_DRIVES}


def own_shape(cells: Cells, prefix: str) -> OwnShape | None:
    """Take a row of positive cells apart into what a drive adds as a whole and what each cell is; None without three
    drives in two cells.

    Weather and a sensor's tolerance move all cells of a drive alike: they blur its level and not its shape.
    """
    names = [name for name, drives in cells.items() if name.startswith(prefix) and len(drives) >= FEWEST_DRIVES]
    drives = sorted({drive for name in names for drive in cells[name]})
    if len(names) < 2:
        return None
    table = np.log([[max(cells[name].get(drive, np.nan), 1e-3) for name in names] for drive in drives])
    of_drive, of_cell = np.zeros(len(drives)), np.zeros(len(names))
    for _ in range(ROUNDS):
        of_cell = _medians((table - of_drive[:, None]).T)
        of_drive = _medians(table - of_cell)
        of_drive -= median(of_drive)
    left = table - of_drive[:, None] - of_cell
    return OwnShape(
        middle={name: float(np.exp(value)) for name, value in zip(names, of_cell, strict=True)},
        level=median(np.abs(of_drive)) * MAD_TO_SIGMA,
        shape=median(np.abs(left[np.isfinite(left)])) * MAD_TO_SIGMA,
        drives=len(drives),
    )


def _medians(rows: FloatArray) -> FloatArray:
    """Return the median of what is known in each row, 0 where nothing is."""
    known = [row[np.isfinite(row)] for row in rows]
    return np.array([median(row) if len(row) else 0.0 for row in known])


def _baseline(values: list[float]) -> Usual:
    middle = median(values)
    return Usual(middle, median(np.abs(np.array(values) - middle)) * MAD_TO_SIGMA, len(values))


def _after(feature: Feature, repair: Event) -> bool:
    """Whether a drive came after a repair; one without date and odometer is taken as before it."""
    if feature.at is not None:
        return feature.at > repair.at
    if feature.odometer_km is not None and repair.odometer_km is not None:
        return feature.odometer_km > repair.odometer_km
    return False
