"""All that one drive shows of the cooling system, put together once before it is judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.cooling_danger import BEYOND_REGULATION, Peril, peril_of
from obdwatch.detectors.cooling_history import MAPPED_FEWEST, Before, before, hot_drives
from obdwatch.detectors.cooling_levels import (
    FEWEST_OWN,
    Levels,
    driving_level,
    levels,
    standing,
    warm_from,
)
from obdwatch.detectors.cooling_places import Excursion, erratic, excursions, fan_seen, regulated, stand_end
from obdwatch.detectors.cooling_record import STEP, CoolingRecord
from obdwatch.records import Car, Drive, History

FEWEST_STAND = 180.0
"""Hot standing [s] that puts a fan to the test: coolant gains 2 to 3 K/min at idle without one (energy balance)."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What a drive shows of the cooling system; temperatures in degC, times in s.

    `hot` are the times above the `tops`; `warm` is the time regulated with the engine running; `stand` the longest hot
    stand: its length, its highest coolant and its rise at the end [K/min]; `jumps` how often the coolant jumped there
    and back; `stand_before` and `drive_before` what the levels were on earlier healthy drives; `earlier` the number of
    drives that overheated.
    """

    record: CoolingRecord
    tops: Levels
    hot: tuple[Excursion, ...]
    peril: Peril | None
    regulated_before_peril: bool
    warm: float
    stand: tuple[float, float, float] | None
    standing_level: float | None
    driving_level: float | None
    fan: bool
    jumps: int
    stand_before: Before | None
    drive_before: Before | None
    earlier: int


def look(drive: Drive, car: Car | None, history: History, record: CoolingRecord) -> Seen:
    """Gather what the drive shows."""
    tops = levels(record, car, history)
    start = warm_from(record)
    warm_at = len(record.times) if start is None else start
    still = standing(record)
    still[:warm_at] = False
    on_road = driving_level(record)
    standing_values = record.coolant[still]
    long = len(standing_values) * STEP >= FEWEST_STAND
    standing_level = float(np.percentile(standing_values, 90.0)) if long else None
    peril = peril_of(drive, car)
    plain = tops.level is not None and tops.driving < BEYOND_REGULATION
    raw = drive.signals.get("coolant_temperature") or drive.signals["coolant_temperature_sensor_1"]
    from_time = float(record.times[min(warm_at, len(record.times) - 1)])
    return Seen(
        record=record,
        tops=tops,
        hot=excursions(record, tops),
        peril=peril,
        regulated_before_peril=peril is not None and regulated(record, 0, _step_of(record, peril.span.start)),
        warm=float(np.count_nonzero(record.settled[warm_at:]) * STEP),
        stand=stand_end(record, tops),
        standing_level=standing_level,
        driving_level=on_road[0] if on_road is not None else None,
        fan=fan_seen(record, tops.level),
        jumps=erratic(raw, from_time) if start is not None else 0,
        stand_before=before(history, "standing_level", record.air, FEWEST_OWN if plain else MAPPED_FEWEST),
        drive_before=before(history, "driving_level", record.air) if plain else None,
        earlier=hot_drives(history),
    )


def _step_of(record: CoolingRecord, time: float) -> int:
    return int(np.searchsorted(record.times, time))
