"""Does the cooling system carry the heat away? Where the coolant gets too hot says which part cannot.

Only while standing: the fan. Steeply, on the road, out of regulation: the pump has stopped. Everywhere, in proportion
to load: too little coolant, a blockage, a weak pump. A thermostat that opens late is the warm-up detector's matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.cooling_danger import NAME, PARTS, Peril, peril_of
from obdwatch.detectors.cooling_danger import danger as danger
from obdwatch.detectors.cooling_history import AGAIN, Before, before, hot_drives
from obdwatch.detectors.cooling_levels import (
    Levels,
    driving_level,
    levels,
    standing,
    warm_from,
)
from obdwatch.detectors.cooling_places import (
    ERRATIC_COUNT,
    Excursion,
    better_with_speed,
    erratic,
    excursions,
    fan_seen,
    is_steep,
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

USES: frozenset[str] = frozenset({"coolant_temperature", "coolant_temperature_sensor_1", "engine_speed"})
"""Signals whose being wrong makes the verdict wrong."""

FEWEST_WARM = 180.0
"""Time with regulated coolant, engine running [s], below which nothing can be said of the cooling system."""

FEWEST_STAND = 180.0
"""Hot standing [s] that puts a fan to the test: coolant gains 2 to 3 K/min at idle without one (energy balance)."""

CLIMBING = 0.5
"""Coolant that still gains so much [K/min] after minutes of standing is not held by anything."""

BOILING, BOILING_TIME = 125.0, 60.0
"""A sticking thermostat usually gives way below this [degC], as hot wax pushes ever harder; coolant that stays so hot
for a minute is not moving (common practice)."""

SHARE_ON_ROAD, SHARE_STANDING = 0.5, 0.2
"""Share of the hot time spent driving from which it happens everywhere, and below which only while standing."""

DRIVING_HOTTER = 2.0
"""The level while driving has moved too, when it lies so much [K] above that of the earlier drives."""

MISFIRE_CODES = ("P030", "P031")
"""Beginnings of the misfire codes P0300 to P0312 (SAE J2012)."""

DRIVE_TO_GET = {
    "coolant_missing": "Record coolant temperature (parameter 05) with vehicle speed and engine speed.",
    "sampling_too_slow": "Record with fewer parameters, so that coolant temperature comes every few seconds.",
    "too_short": "Record at least 15 minutes of driving with the engine warm.",
    "never_warm": "Drive until the gauge has stood still for five minutes, then let the engine idle for five minutes at"
    " a safe place in the open air, until the radiator fan has started and stopped.",
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
    warm: float
    stand: tuple[float, float, float] | None
    standing_level: float | None
    driving_level: float | None
    fan: bool
    jumps: int
    stand_before: Before | None
    drive_before: Before | None


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
    `hot_at_idle`, `pump_stopped`, `hot_everywhere`, `coolant_erratic`, `hotter_than_before`; with not_enough_data one
    of `DRIVE_TO_GET`.
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
        parts=_with_head_gasket(judgement, drive, history),
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
    raw = drive.signals.get("coolant_temperature") or drive.signals["coolant_temperature_sensor_1"]
    from_time = float(record.times[min(warm_at, len(record.times) - 1)])
    return Seen(
        record=record,
        tops=tops,
        hot=excursions(record, tops),
        peril=peril_of(drive, car),
        warm=float(np.count_nonzero(record.settled[warm_at:]) * STEP),
        stand=stand_end(record, tops),
        standing_level=standing_level,
        driving_level=on_road[0] if on_road is not None else None,
        fan=fan_seen(record, tops.level),
        jumps=erratic(raw, from_time) if start is not None else 0,
        stand_before=before(history, "standing_level", record.air),
        drive_before=before(history, "driving_level", record.air),
    )


def _judge(drive: Drive, car: Car | None, history: History, seen: Seen) -> Judgement:
    hot = seen.hot
    late = bool(hot) and not hot[0].regulated and _opened_late(drive, car)
    if late:
        hot = hot[1:]
    if hot:
        return _hot(drive, car, seen, hot)
    if seen.peril is not None:
        signature = "overheating" if seen.peril.peak >= CAUTION else "about_to_overheat"
        parts = ("thermostat", "coolant_pump", "radiator_fan") if late else PARTS
        return Judgement(Verdict.FAULT, signature, _urgency(seen, Urgency.SOON), 0.9, parts, _rise_of(seen.peril))
    if seen.jumps >= ERRATIC_COUNT:
        return Judgement(Verdict.FAULT, "coolant_erratic", Urgency.SOON, 0.7, ("coolant_pump", "head_gasket"))
    return _against_past(seen) or _cleared(seen)


def _hot(drive: Drive, car: Car | None, seen: Seen, hot: tuple[Excursion, ...]) -> Judgement:
    """Say which part by where it got hot."""
    on_road = max(one.on_road for one in hot)
    rate, share = _steepness(drive, car, seen)
    more: tuple[Measure, ...] = (Measure("hot_on_road", 100.0 * on_road, "%"), Measure("steepest_rise", rate, "K/min"))
    if np.isfinite(share):
        more = (*more, Measure("unrejected_share", 100.0 * share, "%", None, (0.0, 40.0)))
    sure = 0.9 if seen.tops.source in ("own_history", "profile") else 0.75
    if on_road > SHARE_STANDING and is_steep(rate, share):
        parts = _stopped_parts(car, seen, hot)
        return Judgement(Verdict.FAULT, "pump_stopped", _urgency(seen, Urgency.SOON), sure, parts, more)
    if seen.jumps >= ERRATIC_COUNT:
        parts = ("coolant_pump", "head_gasket")
        return Judgement(Verdict.FAULT, "coolant_erratic", _urgency(seen, Urgency.SOON), sure, parts, more)
    if on_road >= SHARE_ON_ROAD:
        parts = ("coolant_pump", "thermostat", "radiator_fan")
        return Judgement(Verdict.FAULT, "hot_everywhere", _urgency(seen, Urgency.SOON), sure, parts, more)
    belt = car is None or car.coolant_pump != "electric"
    if better_with_speed(seen.record) or (seen.fan and belt):
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
    return Judgement(Verdict.FAULT, "hotter_than_before", Urgency.NEXT_SERVICE, 0.8, parts)


def _exceeds(value: float | None, earlier: Before | None) -> bool:
    return value is not None and earlier is not None and value > earlier.limit


def _cleared(seen: Seen) -> Judgement:
    if seen.warm < FEWEST_WARM:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "never_warm")
    if seen.stand is not None and seen.tops.level is not None and seen.tops.standing > seen.tops.level:
        _, top, rate = seen.stand
        if top > seen.tops.level + 0.6 * (seen.tops.standing - seen.tops.level) and rate >= CLIMBING and not seen.fan:
            return Judgement(Verdict.NOT_ENOUGH_DATA, "fan_not_seen")
    tested = seen.stand is not None and seen.stand[0] >= FEWEST_STAND
    return Judgement(Verdict.HEALTHY, confidence=0.9 if tested and seen.driving_level is not None else 0.7)


def _urgency(seen: Seen, least: Urgency) -> Urgency:
    if seen.peril is None:
        return least
    return Urgency.STOP if seen.peril.peak >= STOP else Urgency.SOON


def _steepness(drive: Drive, car: Car | None, seen: Seen) -> tuple[float, float]:
    times = seen.record.times
    fine = np.arange(times[0], times[-1] + STEP, 1.0)
    found = find_heat(drive, car, fine)
    heat: FloatArray | None = None
    if found is not None and not found.lean:
        means = block_means(found.heat, int(STEP))
        heat = np.full(len(times), np.nan)
        heat[1 : len(means) + 1] = means[: len(times) - 1]
        heat = trailing_mean(heat, int(LAG / STEP))
    size = displacement(drive, car) or USUAL_DISPLACEMENT
    return steepest(seen.record, heat, HEAT_CAPACITY_BASE + HEAT_CAPACITY_PER_LITRE * size, seen.tops)


def _opened_late(drive: Drive, car: Car | None) -> bool:
    """Ask the warm-up detector's own test; where it cannot look, nothing is taken from this detector."""
    warm_up = prepare_warm_up(drive, car)
    named = car.thermostat_temperature if car is not None else None
    plain = named is not None and named <= MAPPED_FROM
    return isinstance(warm_up, WarmUpRecord) and opened_late(warm_up, plain=plain)


def _with_head_gasket(judgement: Judgement, drive: Drive, history: History) -> tuple[str, ...]:
    """Name the head gasket too where it overheats with misfire, or again and again."""
    parts = judgement.parts
    if judgement.urgency not in (Urgency.SOON, Urgency.STOP) or "head_gasket" in parts:
        return parts
    misfire = any(code.code.startswith(MISFIRE_CODES) for code in drive.codes)
    return (*parts, "head_gasket") if misfire or hot_drives(history) >= AGAIN else parts


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
