"""Does the catalyst still store oxygen? The detector of a worn catalytic converter.

At a steady warm cruise the mixture before it swings; behind a good catalyst almost nothing of that is left. Judged is
the share that survives, at readings often enough for a mean, not how often the sensors switch.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from obdwatch.detectors.catalyst_record import CatalystView, certain, view, warm_driving
from obdwatch.detectors.heat_input import burns_lean
from obdwatch.detectors.oxygen_sensors_baseline import FEWEST_DRIVES, Baseline, baseline, since_repair
from obdwatch.detectors.oxygen_sensors_judgement import judge_bank
from obdwatch.detectors.oxygen_sensors_record import States, banks, fuel_cuts, rear_sensor, states
from obdwatch.physics.order_statistics import median
from obdwatch.records import Car, Drive, Finding, History, Measure, Span, Urgency, Verdict

NAME = "catalyst"

USES = frozenset(
    {
        "fuel_system_status",
        "engine_speed",
        *(f"oxygen_sensor_voltage_bank_{bank}_sensor_{place}" for bank in (1, 2) for place in (1, 2)),
        *(f"oxygen_sensor_equivalence_ratio_bank_{bank}_sensor_1" for bank in (1, 2)),
        *(f"oxygen_sensor_equivalence_ratio_by_current_bank_{bank}_sensor_1" for bank in (1, 2)),
    }
)
"""Signals the verdict rests on."""

PARTS = ("catalytic_converter", "exhaust_leak")

WORN = 0.6
"""Share of the swing that survives a worn catalyst: 0.7 is a typical limit of on-board monitors (trade press), less the
seventh by which a mean over all readings, with the even moments among them, falls short of a count of switches."""

TIRED = 0.2
"""A good catalyst leaves less of the swing than a fifth; one that surely leaves more is on its way (common practice:
near 0 is good, a third of the typical limit is not)."""

UNSURE = 0.35
"""Half the typical limit: no drive with more than this is called healthy."""

RISEN = 0.1
"""Above the car's own earlier drives by this share: a seventh of the limit, several times the scatter of drives."""

BREAKS_THROUGH, FORGETS = 0.015, 0.5
"""Against the car's own past: rich exhaust breaks through in so much more of the readings, and the lean time after
fuel cuts has shrunk to so much of what it was. Both together mean that less oxygen is stored."""

MIXTURE_OFF = 15.0
"""Total trim [%] that speaks of a mixture fault, which makes any catalyst look tired; codes come near 20 to 25 % (from
memory)."""

MISFIRE_CODES = "P03"
"""Codes of ignition and misfire (SAE J2012)."""

SIGMAS = 2.0

FEWEST_STATUS = 3
"""Readings of the fuel system status without which fuel cuts, and so a catalyst full of oxygen, are not known."""

DRIVE_TO_GET = {
    "diesel": "Nothing: diesel catalysts are not judged here.",
    "no_front_sensor": "Record the oxygen sensors before and behind the catalyst, if the car reports them.",
    "no_rear_sensor": "Record the oxygen sensor behind the catalyst (parameters 15, 19) with the one before it.",
    "status_missing": "Record the fuel system status (parameter 03) every three seconds with the oxygen sensors.",
    "sampling_too_slow": "Record with fewer parameters, so that both oxygen sensors are read at least once a second.",
    "too_little_cruise": "Drive warm at a steady 60 to 100 km/h for five minutes, without roll-outs, and record"
    " the fuel system status too.",
    "rear_silent": "Have the oxygen sensor behind the catalyst and its plug checked, then record a warm drive.",
    "front_quiet": "Nothing can be done from the seat: this engine holds its mixture too even to put the catalyst to"
    " the test, or the sensor before it is slow.",
    "mixture_first": "Put the misfire or mixture fault right first, then record five minutes at a steady 60 to 100"
    " km/h.",
    "undecided": "Drive warm at a steady 60 to 100 km/h for ten minutes, without roll-outs; record the oxygen"
    " sensors and few other parameters.",
}
"""What to drive or do, by what was missing."""


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the catalysts of one drive; pure.

    The finding's `signature` is `worn`, `tired` or `losing_storage` for a fault; with not_enough_data it names what was
    missing, one of `DRIVE_TO_GET`.
    """
    if burns_lean(drive, car):
        return _not_enough("diesel")
    found = banks(drive)
    if not found:
        return _not_enough("no_front_sensor" if rear_sensor(drive, 1) is not None else "no_rear_sensor")
    status = drive.signals.get("fuel_system_status")
    if status is None or len(status.times) < FEWEST_STATUS:
        return _not_enough("status_missing")
    cruise = certain(drive, states(drive))
    driving = warm_driving(cruise)
    cuts = fuel_cuts(drive)
    views = [view(bank, cruise, driving, cuts) for bank in found]
    seen = [one for one in views if not one.missing]
    if not seen:
        return _not_enough(views[0].missing, views[0], views)
    worst = max(seen, key=lambda one: one.ratio)
    return _judge(drive, worst, views, cruise, history)


def _judge(drive: Drive, worst: CatalystView, views: list[CatalystView], cruise: States, history: History) -> Finding:
    low, high = worst.ratio - SIGMAS * worst.error, worst.ratio + SIGMAS * worst.error
    if worst.ratio >= WORN and low >= UNSURE:
        return _fault("worn", Urgency.NEXT_SERVICE, 0.9 if worst.steady else 0.7, worst, views, drive)
    if low >= TIRED and worst.steady and worst.two_sided:
        if _mixture(drive, worst.bank):
            return _not_enough("mixture_first", worst, views)
        return _fault("tired", Urgency.WATCH, 0.7, worst, views, drive)
    past = _worse_than_before(worst, history)
    if past and not _mixture(drive, worst.bank) and not _front_slow(drive, worst.bank, cruise):
        return _fault(past, Urgency.WATCH, 0.7, worst, views, drive)
    if high < WORN and worst.ratio < UNSURE and not any(one.missing for one in views):
        return Finding(
            NAME, Verdict.HEALTHY, confidence=0.9, measures=_measures(worst, views, drive), learnt=_learnt(views)
        )
    unclear = next((one for one in views if one.missing), None)
    return _not_enough(unclear.missing if unclear else "undecided", worst, views)


def _fault(
    signature: str, urgency: Urgency, confidence: float, worst: CatalystView, views: list[CatalystView], drive: Drive
) -> Finding:
    spans = (Span(*worst.span, "share of the swing that survives"),) if worst.span else ()
    return Finding(
        detector=NAME,
        verdict=Verdict.FAULT,
        signature=signature,
        urgency=urgency,
        confidence=confidence,
        parts=PARTS,
        measures=_measures(worst, views, drive),
        spans=spans,
        learnt=_learnt(views),
    )


def _not_enough(missing: str, worst: CatalystView | None = None, views: list[CatalystView] | None = None) -> Finding:
    finding = Finding(NAME, Verdict.NOT_ENOUGH_DATA, missing, drive_to_get=DRIVE_TO_GET[missing])
    if worst is None or views is None:
        return finding
    return replace(finding, measures=_measures(worst, views, None), learnt=_learnt(views))


def _mixture(drive: Drive, bank: int) -> bool:
    """Whether a mixture or ignition fault must be cured before the catalyst is judged by a small rise."""
    if any(reading.code.startswith(MISFIRE_CODES) for reading in drive.codes):
        return True
    total = 0.0
    for kind in ("short", "long"):
        signal = drive.signals.get(f"{kind}_term_fuel_trim_bank_{bank}")
        if signal is not None and len(signal.values):
            total += median(signal.values)
    return abs(total) >= MIXTURE_OFF


def _front_slow(drive: Drive, bank: int, cruise: States) -> bool:
    """Whether the sensor before the catalyst is at fault: it spoils what the catalyst is given to store."""
    front = next(one for one in banks(drive) if one.number == bank)
    return bool(judge_bank(drive, front, fuel_cuts(drive), cruise).signature)


def _worse_than_before(worst: CatalystView, history: History) -> str:
    if not worst.steady:
        return ""
    swing = baseline(history, NAME, f"survives_bank_{worst.bank}", PARTS[:1])
    if swing is not None and swing.beyond(worst.ratio - SIGMAS * worst.error, RISEN):
        return "losing_storage"
    usual = _earlier(history, f"survives_bank_{worst.bank}")
    through = _earlier(history, f"breakthrough_bank_{worst.bank}")
    memory = _earlier(history, f"memory_bank_{worst.bank}")
    if usual is None or through is None or memory is None or worst.breakthrough is None or worst.memory is None:
        return ""
    if worst.ratio <= usual.middle:
        return (
            ""  # a loaded engine sends more exhaust through and empties it sooner, but lets no more of the swing pass
        )
    wider = _wider(min(through.drives, memory.drives))
    breaks = through.beyond(worst.breakthrough, wider * BREAKS_THROUGH)
    return "losing_storage" if breaks and worst.memory < FORGETS**wider * memory.middle else ""


def _earlier(history: History, name: str) -> Baseline | None:
    """Return the car's own past of a measure, from its first healthy drive on."""
    known = baseline(history, NAME, name, PARTS[:1])
    if known is not None:
        return known
    values = [one.value for one in since_repair(history, NAME, PARTS[:1], name) if one.healthy]
    return Baseline(median(values), 0.0, len(values)) if values else None


def _wider(drives: int) -> float:
    """By how much a limit made for three earlier drives grows where fewer are known.

    The difference of a drive from the mean of n earlier ones scatters by the square root of 1 + 1/n (NIST Handbook,
    1.3.5.2 and 7.1.4, from memory).
    """
    return max(1.0, float(np.sqrt((1.0 + 1.0 / drives) / (1.0 + 1.0 / FEWEST_DRIVES))))


def _measures(worst: CatalystView, views: list[CatalystView], drive: Drive | None) -> tuple[Measure, ...]:
    measures = [Measure("bank", float(worst.bank), ""), Measure("banks_seen", float(len(views)), "")]
    if worst.readings and worst.missing != "front_quiet":
        interval = (max(0.0, worst.ratio - SIGMAS * worst.error), worst.ratio + SIGMAS * worst.error)
        measures += [
            Measure("share_surviving", 100.0 * worst.ratio, "%", _percent(interval), (0.0, 100.0 * TIRED)),
            Measure("swing_before", worst.front, "V"),
            Measure("swing_behind", worst.rear, "V"),
            Measure("readings", float(worst.readings), ""),
            Measure("steady", float(worst.steady), ""),
            Measure("wide_range", float(worst.wide_range), ""),
        ]
    for other in views:
        if other is not worst and other.readings and not other.missing:
            measures.append(Measure("share_other_bank", 100.0 * other.ratio, "%"))
            break
    if drive is not None and _mixture(drive, worst.bank):
        measures.append(Measure("mixture_fault", 1.0, ""))
    return tuple(measures)


def _percent(interval: tuple[float, float]) -> tuple[float, float]:
    return 100.0 * interval[0], 100.0 * interval[1]


def _learnt(views: list[CatalystView]) -> tuple[Measure, ...]:
    learnt = []
    for one in views:
        if not one.readings or one.missing or not one.steady:
            continue  # restless driving strains a catalyst more; it is no measure for other drives
        learnt.append(Measure(f"survives_bank_{one.bank}", one.ratio, "ratio"))
        if one.breakthrough is not None:
            learnt.append(Measure(f"breakthrough_bank_{one.bank}", one.breakthrough, "ratio"))
        if one.memory is not None:
            learnt.append(Measure(f"memory_bank_{one.bank}", one.memory, "ratio"))
    return tuple(learnt)
