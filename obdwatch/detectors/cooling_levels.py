"""How hot this car's coolant may be: the level it regulates at, and the tops while driving and while standing.

The best level is the car's own past, then its profile, then what the coolant settles at on this drive. Only the profile
tells a plain wax thermostat from a mapped one, which may hold 90 degC under load and 105 degC a minute later; where it
does not, only what no car regulates at counts as too hot.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.cooling_danger import BEYOND_REGULATION, FAN_ROOM, LOWEST_NAMED
from obdwatch.detectors.cooling_record import STEP, CoolingRecord
from obdwatch.detectors.oxygen_sensors_baseline import features_of
from obdwatch.detectors.warm_up_model import MAPPED_FROM
from obdwatch.detectors.warm_up_record import LOWEST_OPENING
from obdwatch.physics.order_statistics import median, quantiles
from obdwatch.records import BoolArray, Car, EventKind, FloatArray, History

PARTS = frozenset({"thermostat", "coolant_pump", "radiator_fan", "coolant_temperature_sensor", "head_gasket"})
"""A repair of one of these starts the car's history of temperatures anew."""

FEWEST_OWN = 3
"""Fewer healthy drives than this are no baseline."""

STANDING_SPEED, DRIVING_SPEED = 10.0, 35.0
"""Mean of the last minute [km/h] below which only the fan moves air through the radiator, and above which the road
does: a fan is switched off above some 40 km/h, as it no longer helps (common practice)."""

OPEN_ROOM = 12.0
"""A plain thermostat is fully open 5 to 10 K above its first opening (published), and a sensor may read 2 K high."""

PLATEAU_TIME, PLATEAU_RANGE = 120.0, 3.0
"""Coolant that stays within so much [K] for so long [s] is being regulated: warming up it gains 5 K and more (common
practice: a warm-up takes 5 to 15 minutes for 60 K)."""

FLAT_RANGE, FEWEST_FLAT = 4.0, 300.0
"""A level counts as this drive's own when the middle of the driving lies within so much [K], over so long [s]."""

FIRST_SLUG = 180.0
"""After regulation is first reached the cold coolant of the radiator comes through for some minutes [s]."""


@dataclass(frozen=True, slots=True)
class Levels:
    """Where the coolant regulates, `level` [degC] (None if unknown), and the tops while `driving` and `standing`.

    `source` is own_history, profile, this_drive or unknown.
    """

    level: float | None
    driving: float
    standing: float
    source: str


def levels(record: CoolingRecord, car: Car | None, history: History) -> Levels:
    """Return how hot this car may be."""
    named = car.thermostat_temperature if car is not None else None
    if named is not None and not LOWEST_NAMED <= named <= BEYOND_REGULATION:
        named = None
    if named is not None and named > MAPPED_FROM:
        return Levels(named, BEYOND_REGULATION, BEYOND_REGULATION, "profile")
    own = own_values(history, "driving_level")
    middle = median(own) if len(own) >= FEWEST_OWN else None
    if named is not None:
        return _plain(max(named, middle or 0.0), "own_history" if middle is not None else "profile")
    if middle is not None:
        return Levels(middle, BEYOND_REGULATION, BEYOND_REGULATION, "own_history")
    seen = driving_level(record)
    if seen is not None and seen[1] <= FLAT_RANGE and LOWEST_OPENING <= seen[0] <= MAPPED_FROM:
        return Levels(seen[0], BEYOND_REGULATION, BEYOND_REGULATION, "this_drive")
    return Levels(None, BEYOND_REGULATION, BEYOND_REGULATION, "unknown")


def _plain(level: float, source: str) -> Levels:
    return Levels(level, min(level + OPEN_ROOM, BEYOND_REGULATION), min(level + FAN_ROOM, BEYOND_REGULATION), source)


def own_values(history: History, name: str) -> FloatArray:
    """Return a measure of this car's earlier healthy drives since its cooling system was last repaired."""
    return np.array([value for value, _ in own_by_session(history, name)])


def own_by_session(history: History, name: str) -> list[tuple[float, str]]:
    """Return the same with the session each value comes from."""
    repairs = [e.at for e in history.events if e.kind is EventKind.REPAIR and e.part in PARTS]
    since = max(repairs, default=None)
    return [
        (f.value, f.session_id)
        for f in features_of(history, "cooling", name)
        if f.healthy and (since is None or (f.at is not None and f.at > since))
    ]  # fmt: skip


def driving(record: CoolingRecord) -> BoolArray:
    """Mark where road air has gone through the radiator for the last minute, engine running."""
    moving: BoolArray = record.settled & (record.road >= DRIVING_SPEED) & np.isfinite(record.coolant)
    return moving


def standing(record: CoolingRecord) -> BoolArray:
    """Mark where the car stands or creeps and has done so for the last minute, engine running."""
    slow = (record.road < STANDING_SPEED) & (record.now < STANDING_SPEED)
    still: BoolArray = record.settled & slow & np.isfinite(record.coolant)
    return still


def warm_from(record: CoolingRecord) -> int | None:
    """Return the first step at which the coolant is regulated, behind the first cold slug; None where it never is."""
    count = int(PLATEAU_TIME / STEP)
    if len(record.coolant) < count:
        return None
    windows = np.lib.stride_tricks.sliding_window_view(record.coolant, count)
    level = (windows.max(axis=1) - windows.min(axis=1) <= PLATEAU_RANGE) & (windows.min(axis=1) >= LOWEST_OPENING - 5.0)
    level &= record.settled[count - 1 :]
    return int(np.argmax(level)) if level.any() else None


def driving_level(record: CoolingRecord) -> tuple[float, float] | None:
    """Return the level the coolant settles at while driving [degC] and the range of its middle half and more [K]."""
    start = warm_from(record)
    if start is None:
        return None
    on_road = driving(record)
    on_road[: start + int(FIRST_SLUG / STEP)] = False
    values = record.coolant[on_road]
    if len(values) * STEP < FEWEST_FLAT:
        return None
    low, middle, high = quantiles(values, (0.1, 0.5, 0.8))
    return middle, high - low
