"""What the evidence of a drive says of the cooling system: the rules that name a part by where and how it gets hot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.cooling_danger import BEYOND_REGULATION, PARTS, Peril
from obdwatch.detectors.cooling_evidence import FEWEST_STAND, Seen
from obdwatch.detectors.cooling_history import AGAIN, Before
from obdwatch.detectors.cooling_levels import driving_level
from obdwatch.detectors.cooling_places import (
    ERRATIC_COUNT,
    SLUG_FALL,
    Excursion,
    better_with_speed,
    fastest_fall,
    held_high,
    is_steep,
    steepest,
)
from obdwatch.detectors.cooling_record import LAG, STEP, CoolingRecord, trailing_mean
from obdwatch.detectors.heat_input import USUAL_DISPLACEMENT, displacement, find_heat
from obdwatch.detectors.sampled import block_means
from obdwatch.detectors.warm_up import CAUTION, STOP
from obdwatch.detectors.warm_up_late import opened_late
from obdwatch.detectors.warm_up_model import HEAT_CAPACITY_BASE, HEAT_CAPACITY_PER_LITRE, MAPPED_FROM
from obdwatch.detectors.warm_up_record import WarmUpRecord
from obdwatch.detectors.warm_up_record import prepare as prepare_warm_up
from obdwatch.physics.order_statistics import median
from obdwatch.records import Car, Drive, FloatArray, Measure, Urgency, Verdict

FEWEST_WARM = 180.0
"""Time with regulated coolant, engine running [s], below which nothing can be said of the cooling system."""

CLIMBING = 1.0
"""Coolant that still gains so much [K/min] after minutes of standing is not held by anything: half of it is within the
resolution of two readings two minutes apart."""

FAR_UP = 0.6
"""Share of the way from the level to the top for standing beyond which most fans have started (common practice)."""

MUCH_HOTTER = 6.0
"""Hotter than before by so much [K] is more than weather and load explain together (common practice)."""

BOILING, BOILING_TIME = 125.0, 60.0
"""A sticking thermostat usually gives way below this [degC], as hot wax pushes ever harder; coolant that stays so hot
for a minute is not moving (common practice)."""

OVERSHOOT_TIME = 120.0
"""A sound thermostat may swing over for so long [s] when it opens for the first time: twice its delay of up to 40 s,
and the time the first cold coolant takes to come round; longer is the warm-up detector's `opens_late`."""

SHARE_ON_ROAD, SHARE_STANDING = 0.5, 0.2
"""Share of the hot time spent driving from which it happens everywhere, and below which only while standing."""

DRIVING_HOTTER = 2.0
"""The level while driving has moved too, when it lies so much [K] above that of the earlier drives."""

IDLE_HOTTER = 1.5
"""A steady idle that has gained no more than this [K] over what the road has gained moved with it: a sensor that reads
high and a thermostat that opens later lift both alike, to the resolution of three levels of a 1 K scale."""

STILL = 1.0
"""Range [K] of most of the coolant readings on the road that is one count of their scale: nothing climbs there."""

HEAVY_HEAT = 50.0
"""Heat of the fuel [kW per litre], middle of the hot time and the minute before it, from which an engine pulls about
half of all it can: a trailer uphill. At 120 km/h on the level a 2.0 L engine burns half of that (Willans line, common
practice)."""

ERRATIC_PARTS = ("coolant_pump", "coolant_temperature_sensor", "head_gasket")
"""Where coolant is lost or air gets in, and the sensor itself, which jumps alike when its plug is loose."""

MISFIRE_CODES = ("P030", "P031")
"""Beginnings of the misfire codes P0300 to P0312 (SAE J2012)."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict before its numbers are attached."""

    verdict: Verdict
    signature: str = ""
    urgency: Urgency | None = None
    confidence: float = 0.0
    parts: tuple[str, ...] = ()
    more: tuple[Measure, ...] = ()


def judge(drive: Drive, car: Car | None, seen: Seen) -> Judgement:
    """Judge the cooling system of a drive by what was seen."""
    hot = seen.hot
    first_arrival = not hot[0].regulated if hot else seen.peril is not None and not seen.regulated_before_peril
    late = first_arrival and _opened_late(drive, car)
    if hot and (late or (seen.peril is None and _overshoot(hot[0]))):
        hot = hot[1:]
    if hot:
        return _hot(drive, car, seen, hot)
    if seen.peril is not None:
        signature = "overheating" if seen.peril.peak >= CAUTION else "about_to_overheat"
        parts = ("thermostat", "coolant_pump", "radiator_fan") if first_arrival else PARTS
        return Judgement(Verdict.FAULT, signature, _urgency(seen, Urgency.SOON), 0.9, parts, _rise_of(seen.peril))
    if seen.jumps >= ERRATIC_COUNT:
        return Judgement(Verdict.FAULT, "coolant_erratic", Urgency.NEXT_SERVICE, 0.7, ERRATIC_PARTS)
    return _against_past(seen) or _cleared(seen)


def _overshoot(first: Excursion) -> bool:
    """Tell a first arrival that swings over from a lasting rise: sound wax follows the coolant with a delay."""
    return not first.regulated and (first.end - first.start) * STEP <= OVERSHOOT_TIME


def _hot(drive: Drive, car: Car | None, seen: Seen, hot: tuple[Excursion, ...]) -> Judgement:
    """Say which part by where it got hot."""
    on_road = max(one.on_road for one in hot)
    everywhere = on_road >= SHARE_ON_ROAD
    size = displacement(drive, car) or USUAL_DISPLACEMENT
    heat = _heat(drive, car, seen.record)
    capacity = HEAT_CAPACITY_BASE + HEAT_CAPACITY_PER_LITRE * size
    rate, share = steepest(seen.record, heat, capacity, seen.tops)
    more: tuple[Measure, ...] = (Measure("hot_on_road", 100.0 * on_road, "%"), Measure("steepest_rise", rate, "K/min"))
    if np.isfinite(share):
        more = (*more, Measure("unrejected_share", 100.0 * share, "%", None, (0.0, 40.0)))
    sure = 0.9 if seen.tops.source in ("own_history", "profile") else 0.75
    heavy = seen.peril is None and _heavy(seen, hot, heat, size)
    if everywhere and not heavy and held_high(seen.record, seen.tops):
        parts: tuple[str, ...] = ("coolant_temperature_sensor", "thermostat")
        return Judgement(Verdict.FAULT, "regulates_high", _urgency(seen, Urgency.WATCH), sure, parts, more)
    if on_road > SHARE_STANDING and is_steep(rate, share):
        parts = _stopped_parts(car, seen, hot)
        still = _stood_still(seen, hot)
        if still:
            parts, more = (*parts, "coolant_temperature_sensor"), (*more, Measure("stood_still_at", still, "degC"))
        return Judgement(Verdict.FAULT, "pump_stopped", _urgency(seen, Urgency.SOON), sure, parts, more)
    if seen.jumps >= ERRATIC_COUNT:
        return Judgement(Verdict.FAULT, "coolant_erratic", _urgency(seen, Urgency.SOON), sure, ERRATIC_PARTS, more)
    if everywhere and heavy:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "heavy_load", more=more)
    if everywhere:
        parts = ("coolant_pump", "thermostat", "radiator_fan")
        return Judgement(Verdict.FAULT, "hot_everywhere", _urgency(seen, _by_peak(hot)), sure, parts, more)
    belt = car is None or car.coolant_pump != "electric"
    fall = fastest_fall(seen.record, hot)
    more = (*more, Measure("fall_on_speeding_up", fall, "K", None, (0.0, SLUG_FALL)))
    if better_with_speed(seen.record) or fall >= SLUG_FALL or (seen.fan and belt):
        parts = ("coolant_pump", "drive_belt", "radiator_fan") if belt else ("coolant_pump", "radiator_fan")
        return Judgement(Verdict.FAULT, "hot_at_idle", _urgency(seen, Urgency.NEXT_SERVICE), sure, parts, more)
    parts = ("coolant_pump", "radiator_fan") if seen.fan else ("radiator_fan", "coolant_pump")
    return Judgement(Verdict.FAULT, "hot_when_standing", _urgency(seen, Urgency.SOON), sure, parts, more)


def _stood_still(seen: Seen, hot: tuple[Excursion, ...]) -> float:
    """Return where the coolant of a car nobody knows came to a stand on the road [degC], zero where it did not.

    Coolant that is not moved climbs on until it boils; a sensor that reads too high stands still at its own "warm".
    """
    held = driving_level(seen.record)
    known = seen.tops.level is not None or any(one.regulated for one in hot)
    return held[0] if held is not None and held[1] <= STILL and not known else 0.0


def _stopped_parts(car: Car | None, seen: Seen, hot: tuple[Excursion, ...]) -> tuple[str, ...]:
    """Pump or thermostat: one that was open and regulating cannot have shut by itself while the coolant was hot."""
    electric = car is not None and car.coolant_pump == "electric"
    boiling = np.count_nonzero(seen.record.settled & (seen.record.coolant >= BOILING)) * STEP >= BOILING_TIME
    pump_first = electric or boiling or any(one.regulated for one in hot)
    parts = ("coolant_pump", "thermostat") if pump_first else ("thermostat", "coolant_pump")
    return parts if electric else (*parts, "drive_belt")


def _against_past(seen: Seen) -> Judgement | None:
    """Hotter than the car's own earlier drives, though not yet too hot."""
    idle_level = seen.idle.level if seen.idle is not None else None
    stands, idles = _exceeds(seen.standing_level, seen.stand_before), _exceeds(idle_level, seen.idle_before)
    drives = _exceeds(seen.driving_level, seen.drive_before)
    if not stands and not idles and not drives:
        return None
    drive_above, idle_above = _above(seen.driving_level, seen.drive_before), _above(idle_level, seen.idle_before)
    driving_too = drive_above >= DRIVING_HOTTER
    climbing = seen.stand is not None and seen.stand[2] >= CLIMBING
    if idles and idle_above - drive_above < IDLE_HOTTER:
        parts: tuple[str, ...] = ("thermostat", "coolant_temperature_sensor", "coolant_pump")
    elif stands and not idles and not driving_too and climbing and not seen.fan:
        parts = ("radiator_fan", "coolant_pump")
    elif stands or idles:
        parts = ("coolant_pump", "radiator_fan")
    else:
        parts = ("coolant_pump", "thermostat", "coolant_temperature_sensor")
    above = max(drive_above, idle_above, _above(seen.standing_level, seen.stand_before))
    urgency = Urgency.NEXT_SERVICE if above >= MUCH_HOTTER else Urgency.WATCH
    return Judgement(Verdict.FAULT, "hotter_than_before", urgency, 0.8, parts)


def _above(value: float | None, earlier: Before | None) -> float:
    """Return by how much a level lies above that of the earlier drives [K], -inf where either is not known."""
    return value - earlier.middle if value is not None and earlier is not None else -np.inf


def _exceeds(value: float | None, earlier: Before | None) -> bool:
    return value is not None and earlier is not None and value > earlier.limit


def _cleared(seen: Seen) -> Judgement:
    if seen.warm < FEWEST_WARM:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "never_warm")
    if _still_climbing(seen):
        return Judgement(Verdict.NOT_ENOUGH_DATA, "fan_not_seen")
    tested = seen.stand is not None and seen.stand[0] >= FEWEST_STAND
    return Judgement(Verdict.HEALTHY, confidence=0.9 if tested and seen.driving_level is not None else 0.7)


def _still_climbing(seen: Seen) -> bool:
    """Tell whether the coolant was well on its way to the top at the end of a stand and no fan had shown."""
    tops, known = seen.tops, seen.stand_before
    level = MAPPED_FROM if tops.level is None else tops.level  # unknown: the hottest a plain thermostat may open
    if seen.stand is None or seen.fan or tops.standing <= level:
        return False
    _, top, rate = seen.stand
    far = top > level + FAR_UP * (tops.standing - level)
    return far and rate >= CLIMBING and (known is None or top > known.limit)


def _by_peak(hot: tuple[Excursion, ...]) -> Urgency:
    """Too hot for this car, but not for any car, can wait for the next service."""
    return Urgency.SOON if max(one.peak for one in hot) >= BEYOND_REGULATION else Urgency.NEXT_SERVICE


def _urgency(seen: Seen, least: Urgency) -> Urgency:
    if seen.peril is None:
        return least
    return Urgency.STOP if seen.peril.peak >= STOP else Urgency.SOON


def _heat(drive: Drive, car: Car | None, record: CoolingRecord) -> FloatArray | None:
    """Return the heat of the fuel, mean of the last minute [kW], on the record's grid; None where it is not known."""
    times = record.times
    found = find_heat(drive, car, np.arange(times[0], times[-1] + STEP, 1.0))
    if found is None or found.lean:
        return None
    means = block_means(found.heat, int(STEP))
    heat = np.full(len(times), np.nan)
    heat[1 : len(means) + 1] = means[: len(times) - 1]
    return trailing_mean(heat, int(LAG / STEP))


def _heavy(seen: Seen, hot: tuple[Excursion, ...], heat: FloatArray | None, size: float) -> bool:
    """Tell whether the engine had to pull so hard that no cooling system need keep up for long."""
    if heat is None:
        return False
    pulled = np.concatenate([heat[max(0, one.start - int(LAG / STEP)) : one.end] for one in hot])
    pulled = pulled[np.isfinite(pulled)]
    return len(pulled) > 0 and median(pulled) >= HEAVY_HEAT * size


def _opened_late(drive: Drive, car: Car | None) -> bool:
    """Ask the warm-up detector's own test; where it cannot look, nothing is taken from this detector."""
    warm_up = prepare_warm_up(drive, car)
    named = car.thermostat_temperature if car is not None else None
    plain = named is not None and named <= MAPPED_FROM
    return isinstance(warm_up, WarmUpRecord) and opened_late(warm_up, plain=plain)


def with_head_gasket(judgement: Judgement, drive: Drive, earlier: int) -> tuple[str, ...]:
    """Name the head gasket too where it overheats with misfire, or again and again."""
    parts = judgement.parts
    if judgement.urgency not in (Urgency.SOON, Urgency.STOP) or "head_gasket" in parts:
        return parts
    misfire = any(code.code.startswith(MISFIRE_CODES) for code in drive.codes)
    return (*parts, "head_gasket") if misfire or earlier >= AGAIN else parts


def _rise_of(peril: Peril) -> tuple[Measure, ...]:
    if peril.peak >= CAUTION:
        return ()
    return (Measure("rise", peril.rate, "K/min"), Measure("time_left", peril.left, "s"))
