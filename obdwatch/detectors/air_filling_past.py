"""A car's own surface from earlier drives, cell by cell; for the detectors of air filling and ignition timing.

A drive that was found faulty leaves no cells behind, one that could not yet be judged does: without that a car that has
no physical prior (a turbo) would never get a baseline.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

import numpy as np

from obdwatch.detectors.oxygen_sensors_baseline import FEWEST_DRIVES, MAD_TO_SIGMA, Baseline
from obdwatch.records import Event, EventKind, Feature, History


def surface(history: History, detector: str, prefix: str, parts: tuple[str, ...]) -> Mapping[str, Baseline]:
    """Return the baseline of every cell whose name starts with `prefix`, from drives since the last repair of `parts`;
    cells with fewer than three drives are left out.
    """
    repairs = [event for event in history.events if event.kind is EventKind.REPAIR and event.part in parts]
    cells: dict[str, dict[str, float]] = defaultdict(dict)
    for feature in history.features:
        if feature.detector != detector or not feature.name.startswith(prefix) or not np.isfinite(feature.value):
            continue
        if all(_after(feature, event) for event in repairs):
            cells[feature.name][feature.session_id] = feature.value
    return {name: _baseline(list(drives.values())) for name, drives in cells.items() if len(drives) >= FEWEST_DRIVES}


def _baseline(values: list[float]) -> Baseline:
    middle = float(np.median(values))
    return Baseline(middle, float(np.median(np.abs(np.array(values) - middle))) * MAD_TO_SIGMA, len(values))


def _after(feature: Feature, repair: Event) -> bool:
    """Whether a drive came after a repair; one without date and odometer is taken as before it."""
    if feature.at is not None:
        return feature.at > repair.at
    if feature.odometer_km is not None and repair.odometer_km is not None:
        return feature.odometer_km > repair.odometer_km
    return False
