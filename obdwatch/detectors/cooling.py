"""Does the cooling system carry the heat away? Where the coolant gets too hot says which part cannot.

Only while standing: the fan. Steeply, on the road, out of regulation: the pump has stopped. Everywhere, in proportion
to load: too little coolant, a blockage, a weak pump. A thermostat that opens late is the warm-up detector's matter.
"""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.cooling_danger import NAME
from obdwatch.detectors.cooling_danger import danger as danger
from obdwatch.detectors.cooling_evidence import Seen, look
from obdwatch.detectors.cooling_record import prepare
from obdwatch.detectors.cooling_verdicts import Judgement, judge, with_head_gasket
from obdwatch.detectors.warm_up import CAUTION
from obdwatch.records import Car, Drive, Finding, History, Measure, Span, Verdict

USES: frozenset[str] = frozenset(
    {"coolant_temperature", "coolant_temperature_sensor_1", "engine_speed", "vehicle_speed"}
)
"""Signals whose being wrong makes the verdict wrong."""

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


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the cooling system on one drive.

    Signatures of a fault: `overheating`, `about_to_overheat` (the place does not tell), `hot_when_standing`,
    `hot_at_idle`, `pump_stopped`, `hot_everywhere`, `regulates_high`, `coolant_erratic`, `hotter_than_before`; with
    not_enough_data one of `DRIVE_TO_GET`.
    """
    record = prepare(drive)
    if isinstance(record, str):
        return danger(drive, car) or Finding(NAME, Verdict.NOT_ENOUGH_DATA, record, drive_to_get=DRIVE_TO_GET[record])
    seen = look(drive, car, history, record)
    judgement = judge(drive, car, seen)
    return Finding(
        detector=NAME,
        verdict=judgement.verdict,
        signature=judgement.signature,
        urgency=judgement.urgency,
        confidence=judgement.confidence,
        parts=with_head_gasket(judgement, drive, seen.earlier),
        measures=(*_measures(seen), *judgement.more),
        spans=_spans(seen, judgement),
        drive_to_get=DRIVE_TO_GET.get(judgement.signature, ""),
    )


def _measures(seen: Seen) -> tuple[Measure, ...]:
    tops = seen.tops
    found = [Measure("hottest_coolant", _hottest(seen), "degC", None, (-40.0, CAUTION))]
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
    found += _idling(seen)
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


def _idling(seen: Seen) -> list[Measure]:
    idle, before = seen.idle, seen.idle_before
    if idle is None:
        return []
    usual = (before.middle - (before.limit - before.middle), before.limit) if before is not None else None
    found = [Measure("idle_level", idle.level, "degC", None, usual)]
    if idle.heat is not None:
        found.append(Measure("idle_heat", idle.heat, "kW"))
    if before is not None:
        found.append(Measure("idle_level_before", before.middle, "degC"))
    return found


def _hottest(seen: Seen) -> float:
    """Return the hottest coolant with the engine running [degC]; switched off, a hot engine heats it further."""
    running = seen.record.coolant[seen.record.settled & np.isfinite(seen.record.coolant)]
    values = running if len(running) else seen.record.readings.values
    highest = float(np.max(values))
    return max(highest, seen.peril.peak) if seen.peril is not None else highest


def _spans(seen: Seen, judgement: Judgement) -> tuple[Span, ...]:
    times = seen.record.times
    if judgement.verdict is not Verdict.FAULT:
        return ()
    hot = tuple(Span(float(times[one.start]), float(times[one.end - 1]), "too hot") for one in seen.hot)
    if not hot and seen.peril is not None:
        return (seen.peril.span,)
    return hot[:5]
