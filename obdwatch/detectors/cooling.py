"""Does the cooling system carry the heat away? Where the coolant gets too hot says which part cannot.

Only while standing: the fan. Steeply, on the road, out of regulation: the pump has stopped. Everywhere, in proportion
to load: too little coolant, a blockage, a weak pump. A thermostat that opens late is the warm-up detector's matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.cooling_danger import BEYOND_REGULATION, NAME, PARTS, Peril, peril_of
from obdwatch.detectors.cooling_danger import danger as danger
from obdwatch.detectors.cooling_history import AGAIN, MAPPED_FEWEST, Before, before, hot_drives
from obdwatch.detectors.cooling_levels import (
    FEWEST_OWN,
    Levels,
    driving_level,
    levels,
    standing,
    warm_from,
)
from obdwatch.detectors.cooling_places import (
    ERRATIC_COUNT,
    SLUG_FALL,
    Excursion,
    better_with_speed,
    erratic,
    excursions,
    fan_seen,
    fastest_fall,
    held_high,
    is_steep,
    regulated,
    stand_end,
    steepest,
)
from obdwatch.detectors.cooling_record import LAG, STEP, CoolingRecord, prepare, trailing_mean
from obdwatch.detectors.heat_input import USUAL_DISPLACEMENT, displacement, find_heat
from obdwatch.detectors.sampled import block_means
from obdwatch.detectors.warm_up import CAUTION, STOP
from obdwatch.detectors.warm_up_late import opened_late
from obdwatch.detectors.warm_up_model import HEAT_CAPACITY_BASE, HEAT_CAPACITY_PER_LITRE, MAPPED_FROM
from obdwatch.detectors.warm_up_record import WarmUpRecord
from obdwatch.detectors.warm_up_record import prepare as prepare_warm_up
from obdwatch.records import Car, Drive, Finding, FloatArray, History, Measure, Span, Urgency, Verdict

USES: frozenset[str] = frozenset(
    {"coolant_temperature", "coolant_temperature_sensor_1", "engine_speed", "vehicle_speed"}
)
"""Signals whose being wrong makes the verdict wrong."""

FEWEST_WARM = 180.0
"""Time with regulated coolant, engine running [s], below which nothing can be said of the cooling system."""

FEWEST_STAND = 180.0
"""Hot standing [s] that puts a fan to the test: coolant gains 2 to 3 K/min at idle without one (energy balance)."""

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

HEAVY_HEAT = 50.0
"""Heat of the fuel [kW per litre], mean of a minute, from which an engine pulls about half of all it can: a trailer
uphill. At 120 km/h on the level a 2.0 L engine burns half of that (Willans line, common practice)."""

ERRATIC_PARTS = ("coolant_pump", "coolant_temperature_sensor", "head_gasket")
"""Where coolant is lost or air gets in, and the sensor itself, which jumps alike when its plug is loose."""

MISFIRE_CODES = ("P030", "P031")
"""Beginnings of the misfire codes P0300 to P0312 (SAE J2012)."""

DRIVE_TO_GET = {
    "coolant_missing": "Record coolant temperature (parameter 05) with vehicle speed and engine speed.",
    "sampling_too_slow": "Record with fewer parameters, so that coolant temperature comes every few seconds.",
    "too_short": "Record at least 15 minutes of driving with the engine warm.",
    "never_warm": "Drive until the gauge has stood still for five minutes, then let the engine idle for five minutes at"
    " a safe place in the open air, until the radiator fan has started and stopped.",
    "heavy_load": "Record a drive without trailer and long climbs, half of it at a steady 80 to 110 km/h; with them,"
    " slow down and choose a lower gear when the coolant climbs.",
    "fan_not_seen": "With the engine hot, let it idle in the open air until the radiator fan has started and stopped;"
    " switch off at once if the coolant passes 110 degC.",
}
"""What to drive or do, by what was missing."""


@dataclass(frozen=True, slots=True)
class Seen:
    """All that a drive shows of the cooling system, ready to be judged; temperatures in degC."""

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


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict before its numbers are attached."""

    verdict: Verdict
    signature: str = ""
    urgency: Urgency | None = None
    confidence: float = 0.0
    parts: tuple[str, ...] = ()
    more: tuple[Measure, ...] = ()


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the cooling system on one drive.

    Signatures of a fault: `overheating`, `about_to_overheat` (the place does not tell), `hot_when_standing`,
    `hot_at_idle`, `pump_stopped`, `hot_everywhere`, `regulates_high`, `coolant_erratic`, `hotter_than_before`; with
    not_enough_data one of `DRIVE_TO_GET`.
    """
    record = prepare(drive)
    if isinstance(record, str):
        return danger(drive, car) or Finding(NAME, Verdict.NOT_ENOUGH_DATA, record, drive_to_get=DRIVE_TO_GET[record])
    seen = _look(drive, car, history, record)
    judgement = _judge(drive, car, history, seen)
    return Finding(
        detector=NAME,
        verdict=judgement.verdict,
        signature=judgement.signature,
        urgency=judgement.urgency,
        confidence=judgement.confidence,
        parts=_with_head_gasket(judgement, drive, seen.earlier),
        measures=(*_measures(seen), *judgement.more),
        spans=_spans(seen, judgement),
        drive_to_get=DRIVE_TO_GET.get(judgement.signature, ""),
    )


def _look(drive: Drive, car: Car | None, history: History, record: CoolingRecord) -> Seen:
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


def _judge(drive: Drive, car: Car | None, history: History, seen: Seen) -> Judgement:
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
    size = displacement(drive, car) or USUAL_DISPLACEMENT
    heat = _heat(drive, car, seen.record)
    capacity = HEAT_CAPACITY_BASE + HEAT_CAPACITY_PER_LITRE * size
    rate, share = steepest(seen.record, heat, capacity, seen.tops)
    more: tuple[Measure, ...] = (Measure("hot_on_road", 100.0 * on_road, "%"), Measure("steepest_rise", rate, "K/min"))
    if np.isfinite(share):
        more = (*more, Measure("unrejected_share", 100.0 * share, "%", None, (0.0, 40.0)))
    sure = 0.9 if seen.tops.source in ("own_history", "profile") else 0.75
    if on_road >= SHARE_ON_ROAD and held_high(seen.record, seen.tops):
        parts: tuple[str, ...] = ("coolant_temperature_sensor", "thermostat")
        return Judgement(Verdict.FAULT, "regulates_high", _urgency(seen, Urgency.WATCH), sure, parts, more)
    if on_road > SHARE_STANDING and is_steep(rate, share):
        parts = _stopped_parts(car, seen, hot)
        return Judgement(Verdict.FAULT, "pump_stopped", _urgency(seen, Urgency.SOON), sure, parts, more)
    if seen.jumps >= ERRATIC_COUNT:
        return Judgement(Verdict.FAULT, "coolant_erratic", _urgency(seen, Urgency.SOON), sure, ERRATIC_PARTS, more)
    if on_road >= SHARE_ON_ROAD and seen.peril is None and _heavy(seen, hot, heat, size):
        return Judgement(Verdict.NOT_ENOUGH_DATA, "heavy_load", more=more)
    if on_road >= SHARE_ON_ROAD:
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


def _stopped_parts(car: Car | None, seen: Seen, hot: tuple[Excursion, ...]) -> tuple[str, ...]:
    """Pump or thermostat: one that was open and regulating cannot have shut by itself while the coolant was hot."""
    electric = car is not None and car.coolant_pump == "electric"
    boiling = np.count_nonzero(seen.record.settled & (seen.record.coolant >= BOILING)) * STEP >= BOILING_TIME
    pump_first = electric or boiling or any(one.regulated for one in hot)
    parts = ("coolant_pump", "thermostat") if pump_first else ("thermostat", "coolant_pump")
    return parts if electric else (*parts, "drive_belt")


def _against_past(seen: Seen) -> Judgement | None:
    """Hotter than the car's own earlier drives, though not yet too hot."""
    stands = _exceeds(seen.standing_level, seen.stand_before)
    drives = _exceeds(seen.driving_level, seen.drive_before)
    if not stands and not drives:
        return None
    driving_too = (
        seen.driving_level is not None
        and seen.drive_before is not None
        and seen.driving_level >= seen.drive_before.middle + DRIVING_HOTTER
    )
    climbing = seen.stand is not None and seen.stand[2] >= CLIMBING
    if stands and not driving_too and climbing and not seen.fan:
        parts: tuple[str, ...] = ("radiator_fan", "coolant_pump")
    elif stands:
        parts = ("coolant_pump", "radiator_fan")
    else:
        parts = ("coolant_pump", "thermostat", "coolant_temperature_sensor")
    pairs = ((seen.standing_level, seen.stand_before), (seen.driving_level, seen.drive_before))
    above = max(now - then.middle for now, then in pairs if now is not None and then is not None)
    urgency = Urgency.NEXT_SERVICE if above >= MUCH_HOTTER else Urgency.WATCH
    return Judgement(Verdict.FAULT, "hotter_than_before", urgency, 0.8, parts)


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
    if seen.stand is None or seen.fan or tops.level is None or tops.standing <= tops.level:
        return False
    _, top, rate = seen.stand
    far = top > tops.level + FAR_UP * (tops.standing - tops.level)
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
    return len(pulled) > 0 and float(np.max(pulled)) >= HEAVY_HEAT * size


def _opened_late(drive: Drive, car: Car | None) -> bool:
    """Ask the warm-up detector's own test; where it cannot look, nothing is taken from this detector."""
    warm_up = prepare_warm_up(drive, car)
    named = car.thermostat_temperature if car is not None else None
    plain = named is not None and named <= MAPPED_FROM
    return isinstance(warm_up, WarmUpRecord) and opened_late(warm_up, plain=plain)


def _with_head_gasket(judgement: Judgement, drive: Drive, earlier: int) -> tuple[str, ...]:
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


def _measures(seen: Seen) -> tuple[Measure, ...]:
    tops = seen.tops
    found = [Measure("hottest_coolant", float(np.max(seen.record.readings.values)), "degC", None, (-40.0, CAUTION))]
    if tops.level is not None:
        found.append(Measure("regulating_level", tops.level, "degC"))
    for name, value, top, earlier in (
        ("driving_level", seen.driving_level, tops.driving, seen.drive_before),
        ("standing_level", seen.standing_level, tops.standing, seen.stand_before),
    ):
        if value is not None:
            lowest = tops.level - 10.0 if tops.level is not None else 75.0
            highest = min(top, earlier.limit) if earlier is not None else top
            found.append(Measure(name, value, "degC", None, (lowest, highest)))
    for name, earlier in (("driving_level_before", seen.drive_before), ("standing_level_before", seen.stand_before)):
        if earlier is not None:
            found.append(Measure(name, earlier.middle, "degC"))
    found += [Measure("top_driving", tops.driving, "degC"), Measure("top_standing", tops.standing, "degC")]
    if seen.earlier:
        found.append(Measure("earlier_hot_drives", float(seen.earlier), ""))
    if seen.stand is not None:
        found += [Measure("hot_stand", seen.stand[0], "s"), Measure("stand_rise", seen.stand[2], "K/min")]
    if seen.record.air is not None:
        found.append(Measure("outside_air", seen.record.air, "degC"))
    found += [Measure("fan_seen", float(seen.fan), ""), Measure("jumps", float(seen.jumps), "")]
    found.append(Measure("warm_time", seen.warm, "s"))
    return tuple(found)


def _spans(seen: Seen, judgement: Judgement) -> tuple[Span, ...]:
    times = seen.record.times
    if judgement.verdict is not Verdict.FAULT:
        return ()
    hot = tuple(Span(float(times[one.start]), float(times[one.end - 1]), "too hot") for one in seen.hot)
    if not hot and seen.peril is not None:
        return (seen.peril.span,)
    return hot[:5]
