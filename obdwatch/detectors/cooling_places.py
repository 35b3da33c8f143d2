"""Where and how the coolant gets too hot: standing, driving, steeply or in proportion to load, with or without a fan.

Every function looks at the prepared record only; heat comes in where the rise has to be compared with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.cooling_danger import BEYOND_REGULATION
from obdwatch.detectors.cooling_levels import (
    DRIVING_SPEED,
    FLAT_RANGE,
    PLATEAU_RANGE,
    PLATEAU_TIME,
    Levels,
    driving,
    driving_level,
    standing,
)
from obdwatch.detectors.cooling_record import STEP, CoolingRecord
from obdwatch.physics.heat_rejection import unrejected_rate
from obdwatch.physics.order_statistics import quantiles
from obdwatch.records import BoolArray, FloatArray, Signal

HOT_TIME = 60.0
"""Time above a top [s] that counts: longer than one slug of hot coolant takes to pass (common practice)."""

COOLING_DOWN = -0.5
"""Coolant that falls faster [K/min] while driving is on its way back from a hot stop."""

FAN_FALL, FAN_TIME, FAN_ABOVE = 3.0, 150.0, 5.0
"""A fan shows as a fall of at least 3 K within so long [s] while the car stands and idles on, from at least 5 K above
the level, where a thermostat has little left to give: fans switch off 4 to 6 K below their start (common practice)."""

STEEP_SHARE, STEEP_RATE = 0.4, 4.0
"""A rise of 0.4 of what unrejected heat gives: the radiator, in road wind, carries away less than the surface does; or,
where the heat is not known, in K/min: any engine at road load gains 6 to 12 without a radiator (energy balance)."""

HEAT_SHARE = 0.33
"""Of the fuel's heat: a third reaches the coolant at part load, 30 to 40 % (common practice)."""

REVVED, REVVED_TIME = 1.5, 20.0
"""Engine speed over idle speed [-] and for how long [s] that makes a belt-driven pump deliver clearly more."""


@dataclass(frozen=True, slots=True)
class Excursion:
    """One time above the top while the engine ran: steps `start` to `end`, `peak` [degC].

    `on_road` is the share of it spent driving and not yet cooling down; `regulated` tells whether the thermostat was
    seen to regulate between the start of the drive, or the excursion before, and this one.
    """

    start: int
    end: int
    peak: float
    on_road: float
    regulated: bool


def excursions(record: CoolingRecord, tops: Levels) -> tuple[Excursion, ...]:
    """Return the times above the top for where the car was, one minute or longer in all."""
    on_road = driving(record) & ~(record.slope < COOLING_DOWN)
    still = standing(record)
    hot = record.settled & np.where(on_road, record.coolant > tops.driving, record.coolant > tops.standing)
    hot |= record.settled & (record.coolant > tops.standing)
    found: list[Excursion] = []
    before = 0
    for start, end in joined(hot, int(HOT_TIME / STEP)):
        if (end - start) * STEP < HOT_TIME:
            continue
        peak = float(np.nanmax(record.coolant[start:end]))
        road, stand = int(np.count_nonzero(on_road[start:end])), int(np.count_nonzero(still[start:end]))
        share = road / max(1, road + stand)
        found.append(Excursion(start, end, peak, share, regulated(record, before, start)))
        before = end
    return tuple(found)


def joined(mask: BoolArray, gap: int) -> list[tuple[int, int]]:
    """Return the stretches of a mask as (start, end), those less than `gap` steps apart as one."""
    edges = np.flatnonzero(np.diff(np.r_[False, mask, False].astype(np.int8))).reshape(-1, 2)
    result: list[tuple[int, int]] = []
    for start, end in edges.tolist():
        if result and start - result[-1][1] < gap:
            result[-1] = (result[-1][0], end)
        else:
            result.append((start, end))
    return result


def regulated(record: CoolingRecord, first: int, last: int) -> bool:
    """Tell whether the coolant stood still, warm, between two steps while the engine ran."""
    count = int(PLATEAU_TIME / STEP)
    part = record.coolant[first:last]
    if len(part) < count:
        return False
    windows = np.lib.stride_tricks.sliding_window_view(part, count)
    steady = windows.max(axis=1) - windows.min(axis=1) <= PLATEAU_RANGE
    running = record.settled[first + count - 1 : last]
    return bool(np.any(steady & running & (windows.min(axis=1) > 70.0)))


def steepest(record: CoolingRecord, heat: FloatArray | None, capacity: float, tops: Levels) -> tuple[float, float]:
    """Return the steepest rise of a minute on the road, from the level up [K/min], and its share of unrejected heat.

    The share is NaN where the heat is not known. `heat` [steps] in kW, mean of the last minute.
    """
    level = tops.level if tops.level is not None else tops.driving - 10.0
    back = int(60.0 / STEP)
    from_level = np.r_[np.full(back, np.inf), record.coolant[:-back]] >= level + 1.0
    on_road = record.settled & (record.road >= DRIVING_SPEED / 2.0) & from_level & np.isfinite(record.slope)
    if not on_road.any():
        return 0.0, float("nan")
    at = int(np.argmax(np.where(on_road, record.slope, -np.inf)))
    rate = float(record.slope[at])
    if heat is None or not np.isfinite(heat[at]) or heat[at] <= 0.0:
        return rate, float("nan")
    return rate, rate / float(unrejected_rate(float(heat[at]), HEAT_SHARE, capacity))


def is_steep(rate: float, share: float) -> bool:
    """Tell whether next to no heat was carried away."""
    return rate >= STEEP_RATE and (not np.isfinite(share) or share >= STEEP_SHARE)


def fan_seen(record: CoolingRecord, level: float | None) -> bool:
    """Tell whether a fan brought the temperature down while the car stood with the engine running."""
    return _falls(record, standing(record), level if level is not None else 80.0)


def _falls(record: CoolingRecord, still: BoolArray, level: float) -> bool:
    count = int(FAN_TIME / STEP)
    for start, end in joined(still, 1):
        values = record.coolant[start:end]
        if len(values) < 6:
            continue
        best = np.maximum.accumulate(values)
        padded = np.concatenate([np.full(count, -np.inf), values])
        top = np.lib.stride_tricks.sliding_window_view(padded, count + 1).max(axis=1)
        risen = best >= values[0] + 1.0  # it rose while standing first: not merely what the road's air left behind
        if np.any(risen & (top - values >= FAN_FALL) & (top >= level + FAN_ABOVE)):
            return True
    return False


def better_with_speed(record: CoolingRecord) -> bool:
    """Tell whether hot coolant, standing, fell whenever the engine was revved and rose at idle."""
    still = standing(record)
    speed = record.speed[still]
    if not len(speed) or not np.isfinite(speed).any():
        return False
    idle = float(np.nanpercentile(speed, 20.0))
    step = np.r_[np.nan, np.diff(record.coolant)]
    revved = still & (record.speed >= REVVED * idle)
    idling = still & (record.speed < 1.2 * idle)
    if np.count_nonzero(revved) * STEP < REVVED_TIME or np.count_nonzero(idling) * STEP < REVVED_TIME:
        return False
    return bool(np.nanmean(step[revved]) < 0.0 < np.nanmean(step[idling]))


HELD_ABOVE, HELD_BELOW, HELD_SPEEDS = 8.0, 120.0, 30.0
"""Coolant that stands still 8 K and more above a plain thermostat's level, or above any regulation, while the road
speed ranges over 30 km/h is being regulated, only too high: a cooling system that cannot keep up follows load and
speed, and one that stands still boils above 120 degC."""


def held_high(record: CoolingRecord, tops: Levels) -> bool:
    """Tell whether the coolant is held steadily at too high a level while speed and load change."""
    seen = driving_level(record)
    if seen is None:
        return False
    middle, spread = seen
    plain = tops.level is not None and tops.driving < BEYOND_REGULATION
    least = (tops.level or 0.0) + HELD_ABOVE if plain else tops.driving
    low, high = quantiles(record.road[driving(record)], (0.1, 0.9))
    return spread <= FLAT_RANGE and least <= middle < HELD_BELOW and high - low >= HELD_SPEEDS


SLUG_FALL, SLUG_TIME = 7.0, 10.0
"""Coolant that falls by 7 K within 10 s when the engine speeds up after a hot stand: the pump fetches cold water that
had been waiting in the radiator. With a dead fan that water is as hot as the engine, and air alone cools the whole by
half a kelvin per second at most: 0.5 kW/K times 80 K over 80 to 100 kJ/K (energy balance)."""


def fastest_fall(record: CoolingRecord, hot: tuple[Excursion, ...]) -> float:
    """Return by how much the coolant fell within 10 s during a hot time or the minute after it [K], zero if never."""
    back, after = int(SLUG_TIME / STEP), int(HOT_TIME / STEP)
    fall = np.zeros(len(record.coolant))
    fall[back:] = np.nan_to_num(record.coolant[:-back] - record.coolant[back:])
    return max((float(np.max(fall[one.start : one.end + after])) for one in hot), default=0.0)


def stand_end(record: CoolingRecord, tops: Levels) -> tuple[float, float, float] | None:
    """Return the longest hot stand: its length [s], its highest coolant [degC] and its rise in the last two minutes
    [K/min]; None where the car never stood for two minutes with warm coolant.
    """
    least = tops.level - 5.0 if tops.level is not None else 80.0
    parts = [(s, e) for s, e in joined(standing(record) & (record.coolant >= least), 3) if (e - s) * STEP >= 120.0]
    if not parts:
        return None
    start, end = max(parts, key=lambda part: float(np.nanmax(record.coolant[part[0] : part[1]])))
    back = min(int(120.0 / STEP), end - start - 1)
    rate = (record.coolant[end - 1] - record.coolant[end - 1 - back]) / (back * STEP / 60.0)
    return (end - start) * STEP, float(np.nanmax(record.coolant[start:end])), float(rate)


ERRATIC_STEP, ERRATIC_TIME, ERRATIC_COUNT = 2.0, 6.0, 3
"""Readings that move by 2 K and back within 6 s, three times while warm: heat cannot (a warm engine gains 0.2 K/s at
most) and one count of the 1 K scale is not enough; steam and air at the sensor do (common practice)."""

NOISY_SHARE = 0.05
"""A sensor that moves by a single count and back in more than this share of its readings is noisy, and then two counts
mean nothing either."""


def erratic(raw: Signal, from_time: float) -> int:
    """Return how often the coolant jumped there and back from a time [s] on, zero for a sensor that is merely noisy."""
    late = raw.times >= from_time
    times, values = raw.times[late], raw.values[late]
    if len(values) < 3:
        return 0
    before, after = values[1:-1] - values[:-2], values[1:-1] - values[2:]
    quick = (times[2:] - times[:-2] <= ERRATIC_TIME) & (before * after > 0.0)
    there_and_back = np.minimum(np.abs(before), np.abs(after))
    small = np.count_nonzero(quick & (there_and_back < ERRATIC_STEP))
    if small > NOISY_SHARE * len(values):
        return 0
    return int(np.count_nonzero(quick & (there_and_back >= ERRATIC_STEP)))


STEPS_COUNT = 4
"""Steps of 2 K from one reading to the next within 6 s, in both directions, while the car stands: heat moves the
coolant by 0.8 K in that time and the 1 K scale by another 1 K, so that a sound sensor shows none. Water that arrives in
slugs between pockets of steam or air does (common practice)."""


NOISY_STEPS = 0.3
"""Noise that makes a step of two counts in one reading of forty makes one of a count in almost every second reading
(normal distribution): with more than this share it may be noise."""


def lurches(raw: Signal, record: CoolingRecord, from_time: float) -> int:
    """Return how often the coolant stepped up or down from one reading to the next while the car stood, from a time [s]
    on; zero where it went one way only, or for a sensor that is merely noisy.
    """
    late = raw.times >= from_time
    times, values = raw.times[late], raw.values[late]
    if len(values) < 3:
        return 0
    step = np.diff(values)
    place = np.clip(np.searchsorted(record.times, times[1:], side="right") - 1, 0, len(record.times) - 1)
    seen = standing(record)[place] & (np.diff(times) <= ERRATIC_TIME)
    if np.count_nonzero(seen & (np.abs(step) >= 1.0)) > NOISY_STEPS * np.count_nonzero(seen):
        return 0
    up, down = np.count_nonzero(seen & (step >= ERRATIC_STEP)), np.count_nonzero(seen & (step <= -ERRATIC_STEP))
    return int(up + down) if up and down and up + down >= STEPS_COUNT else 0
