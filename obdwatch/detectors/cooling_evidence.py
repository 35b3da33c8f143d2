"""All that one drive shows of the cooling system, put together once before it is judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.cooling_danger import BEYOND_REGULATION, Peril, peril_of
from obdwatch.detectors.cooling_history import (
    MAPPED_FEWEST,
    USUAL_DRIVING,
    USUAL_STANDING,
    Before,
    before,
    expected,
    hot_drives,
)
from obdwatch.detectors.cooling_idle import Idle, idle_before, steady_idle
from obdwatch.detectors.cooling_levels import FEWEST_OWN, Levels, driving_level, levels, standing, warm_from
from obdwatch.detectors.cooling_places import Excursion, erratic, excursions, fan_seen, lurches, regulated, stand_end
from obdwatch.detectors.cooling_record import STEP, CoolingRecord
from obdwatch.physics.order_statistics import quantiles
from obdwatch.records import Car, Drive, History

FEWEST_STAND = 180.0
"""Hot standing [s] that puts a fan to the test: coolant gains 2 to 3 K/min at idle without one (energy balance)."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What a drive shows of the cooling system; temperatures in degC, times in s.

    `hot` are the times above the `tops`; `warm` is the time regulated with the engine running; `stand` the longest hot
    stand: its length, its highest coolant and its rise at the end [K/min]; `jumps` how often the coolant jumped, there
    and back or to and fro; `idle` the level it idled at steadily; `stand_before`, `drive_before` and `idle_before` what
    the levels were on earlier healthy drives; `earlier` the number of drives that overheated.
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
    idle: Idle | None
    stand_before: Before | None
    drive_before: Before | None
    idle_before: Before | None
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
    standing_level = quantiles(standing_values, (0.9,))[0] if long else None
    peril = peril_of(drive, car)
    plain = _is_plain(tops)
    raw = drive.signals.get("coolant_temperature") or drive.signals["coolant_temperature_sensor_1"]
    from_time = float(record.times[min(warm_at, len(record.times) - 1)])
    stand = stand_end(record, tops)
    idle = steady_idle(drive, car, record, warm_at)
    return Seen(
        record=record,
        tops=tops,
        hot=excursions(record, tops),
        peril=peril,
        regulated_before_peril=peril is not None and regulated(record, 0, _step_of(record, peril.span.start)),
        warm=float(np.count_nonzero(record.settled[warm_at:]) * STEP),
        stand=stand,
        standing_level=standing_level,
        driving_level=on_road[0] if on_road is not None else None,
        fan=fan_seen(record, tops.level),
        jumps=max(erratic(raw, from_time), lurches(raw, record, from_time)) if start is not None else 0,
        idle=idle,
        stand_before=_stand_before(history, tops, record.air, stand[0] if stand is not None else 0.0),
        drive_before=_drive_before(history, tops, record.air) if plain else None,
        idle_before=idle_before(history, idle, tops.level, record.air) if plain else None,
        earlier=hot_drives(history),
    )


def _is_plain(tops: Levels) -> bool:
    return tops.level is not None and tops.driving < BEYOND_REGULATION


def _stand_before(history: History, tops: Levels, air: float | None, stand: float) -> Before | None:
    if not _is_plain(tops):
        return before(history, "standing_level", air, MAPPED_FEWEST)
    known = before(history, "standing_level", air, FEWEST_OWN)
    return known or expected(history, "standing_level", tops.level, USUAL_STANDING, air, stand)


def _drive_before(history: History, tops: Levels, air: float | None) -> Before | None:
    known = before(history, "driving_level", air, FEWEST_OWN)
    return known or expected(history, "driving_level", tops.level, USUAL_DRIVING, air)


def _step_of(record: CoolingRecord, time: float) -> int:
    return int(np.searchsorted(record.times, time))
