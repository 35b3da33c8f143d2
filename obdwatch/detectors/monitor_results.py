"""What do the car's own tests say? Every result of service 06 beside the limits that the car itself sets.

A failed result is the car's own verdict, often a drive before the lamp. A result near its limit is only raised when
earlier drives show it drifting there. Misfire counters have a detector of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.leak_order import leaks_by_age
from obdwatch.detectors.misfire_conditions import bank_trim, trim_growth, turning
from obdwatch.detectors.misfire_counts import failed_tests, is_misfire_monitor
from obdwatch.detectors.misfire_fuel import DRIVE_TO_GET as NEW_FUEL
from obdwatch.detectors.misfire_fuel import is_new_fuel, lean_alike
from obdwatch.detectors.monitor_results_margin import Judged, Sorted, sort_results
from obdwatch.detectors.monitor_results_parts import CATALYST, FUEL_SYSTEM, OXYGEN, bank_of_monitor, drive_for, parts_of
from obdwatch.detectors.monitor_results_trend import Drift, drift
from obdwatch.detectors.oxygen_sensors_baseline import features_of
from obdwatch.records import Car, CodeKind, Drive, EventKind, Feature, Finding, History, Measure, Span, Urgency, Verdict

NAME = "monitor_results"
USES: frozenset[str] = frozenset()

NEAR = 20.0
"""Margin [% of the allowed span] below which a result is worth following (common practice)."""

CHANCE = 0.01
"""Chance at which a fall of the margin counts as drift, shared among all results near their limit."""

FEWEST_DRIVES = 6
"""Drives from which a drift is spoken of: fewer cannot reach that chance with several results (1 in 5! is 0.008)."""

SEVERAL = 2
"""Failing readings within a drive from which a result that passes at the end is still raised: one can be a glitch."""

SHOWN = 6
"""Results shown at most, those nearest to their limits; all of them go into the car's history."""

FAILED, SILENT, RAW = 0.95, 0.8, 0.6
"""Confidence in a failed result; in one although the car holds no code at all, not even a pending one; and in one from
before CAN, whose unit nobody knows (workshop rule)."""

DRIVE_TO_GET = {
    "no_results": "Read the car's monitor results (service 06); most cars tell them from about 2005 on.",
    "none_run": "Drive from a cold start: ten minutes in town, 15 at a steady 80 km/h; read the results again.",
    "only_misfire": "Read all of the car's monitor results (service 06), not those of misfire alone; some cars have no"
    " others.",
    "new_fuel": NEW_FUEL,
    "not_comparable": "Have a workshop read these results: their limits are known to the car's maker only.",
}
"""What to drive or do, by what was missing."""


@dataclass(frozen=True, slots=True)
class Followed:
    """A result with its drift over earlier drives, None where too few are known."""

    judged: Judged
    drift: Drift | None


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the results of one drive; pure.

    The finding's `signature` is `test_failed`, `test_failed_at_times` or `drifts_to_limit` for a fault; with
    not_enough_data one of `DRIVE_TO_GET`.
    """
    found = sort_results(drive)
    if not found.judged:
        return _missing(found, drive, car)
    near = [one for one in found.judged if 0.0 <= one.margin < NEAR]
    followed = [Followed(one, _drift(one, drive, car, history)) for one in near]
    drifting = [one for one in followed if _drifts(one, len(near))]
    failed = [one for one in found.judged if one.failed]
    at_times = [one for one in found.judged if not one.failed and one.failing >= SEVERAL]
    learnt = tuple(Measure(one.key, one.margin, "%") for one in found.judged)
    beyond = [*failed, *at_times]
    by_fuel = bool(beyond) and all(map(_suffers_from_fuel, beyond))
    if by_fuel and is_new_fuel(drive, car, history, *_trims(drive)):
        return _of_new_fuel(found, min(beyond, key=lambda one: one.margin), drive)
    codes = frozenset(reading.code for reading in drive.codes)
    if failed:
        worst = min(failed, key=lambda one: one.margin)
        sure = RAW if worst.is_raw else SILENT if _keeps_silent(drive) else FAILED
        urgency = Urgency.WATCH if worst.is_raw else Urgency.NEXT_SERVICE
        return _fault("test_failed", urgency, sure, worst, found, learnt, drive, car, history, codes)
    if at_times:
        worst = max(at_times, key=lambda one: one.failing)
        return _fault("test_failed_at_times", Urgency.WATCH, 0.7, worst, found, learnt, drive, car, history, codes)
    if drifting:
        first = min(drifting, key=lambda one: one.judged.margin)
        return _fault(
            "drifts_to_limit", Urgency.WATCH, 0.75, first.judged, found, learnt, drive, car, history, codes, first.drift
        )
    tried = len(found.judged) / (len(found.judged) + len(found.not_run) + len(found.unknown))
    return Finding(
        NAME,
        Verdict.HEALTHY,
        confidence=round(0.5 + 0.4 * tried, 3),
        measures=(*_measures(found, None, None), *_misfire_failed(drive)),
        learnt=learnt,
        drive_to_get=drive_for(found.not_run),
    )


def _misfire_failed(drive: Drive) -> tuple[Measure, ...]:
    """How many misfire tests failed by the judgement of their own detector, so that none is said to have passed."""
    failed = failed_tests(drive)
    return (Measure("misfire_tests_failed", float(len(failed)), ""),) if failed else ()


def _lean_alike(drive: Drive, worst: Judged) -> bool:
    """Whether a failed fuel system result may be the fuel's doing: lean alike on every bank and at every load."""
    if worst.result.monitor not in FUEL_SYSTEM or worst.result.unit != "%" or worst.value <= 0.0:
        return False
    return lean_alike(*_trims(drive))


def _trims(drive: Drive) -> tuple[tuple[float | None, ...], float | None]:
    """Return the trims of both banks [%], None where unknown, and by how much they grow with load [%]."""
    turned = turning(drive)
    growth = trim_growth(drive, turned) if turned is not None else None
    return tuple(bank_trim(drive, bank) for bank in (1, 2)), growth


def _suffers_from_fuel(one: Judged) -> bool:
    """Whether another fuel alone can make this result fail: the correction itself, and what needs an even mixture."""
    monitor = one.result.monitor
    if monitor in FUEL_SYSTEM:
        return one.result.unit == "%" and one.value > 0.0
    return monitor in CATALYST or monitor in OXYGEN


def _of_new_fuel(found: Sorted, worst: Judged, drive: Drive) -> Finding:
    """A failure that another fuel explains; what that fuel moved is kept out of the car's history."""
    learnt = tuple(Measure(one.key, one.margin, "%") for one in found.judged if not _suffers_from_fuel(one))
    return Finding(
        NAME,
        Verdict.NOT_ENOUGH_DATA,
        "new_fuel",
        measures=_measures(found, worst, None),
        spans=_spans(drive, worst),
        drive_to_get=NEW_FUEL,
        learnt=learnt,
    )


def _keeps_silent(drive: Drive) -> bool:
    """Whether the pending codes were read and there is no code: a failed test should leave one (40 CFR 86.010-18)."""
    return CodeKind.PENDING in drive.codes_read and not drive.codes


def _missing(found: Sorted, drive: Drive, car: Car | None) -> Finding:
    nothing = "only_misfire" if any(map(is_misfire_monitor, drive.monitors)) else "no_results"
    signature = "not_comparable" if found.unknown else "none_run" if found.not_run else nothing
    text = drive_for(found.not_run) or DRIVE_TO_GET[signature]
    measures = (*_measures(found, None, None), *_misfire_failed(drive))
    return Finding(NAME, Verdict.NOT_ENOUGH_DATA, signature, measures=measures, drive_to_get=text)


def _fault(
    signature: str,
    urgency: Urgency,
    confidence: float,
    worst: Judged,
    found: Sorted,
    learnt: tuple[Measure, ...],
    drive: Drive,
    car: Car | None,
    history: History,
    codes: frozenset[str],
    moved: Drift | None = None,
) -> Finding:
    flags = {
        "no_code": _keeps_silent(drive),
        "lean_alike": _lean_alike(drive, worst),
    }
    said = tuple(Measure(name, 1.0, "") for name, is_so in flags.items() if is_so)
    return Finding(
        detector=NAME,
        verdict=Verdict.FAULT,
        signature=signature,
        urgency=urgency,
        confidence=confidence,
        parts=leaks_by_age(parts_of(worst, car, codes, found.judged), drive, car, history),
        measures=(*_measures(found, worst, moved), *said),
        spans=_spans(drive, worst),
        learnt=learnt,
    )


def _spans(drive: Drive, worst: Judged) -> tuple[Span, ...]:
    """When the result was read: from the first to the last failing reading."""
    own = [
        r.t
        for r in drive.monitors
        if (r.ecu, r.monitor, r.test) == _identity(worst) and r.completed and np.isfinite(r.t)
    ]
    return (Span(float(min(own)), float(max(own)), "result read"),) if own else ()


def _identity(one: Judged) -> tuple[int | None, int, int]:
    return one.result.ecu, one.result.monitor, one.result.test


def _drifts(one: Followed, near: int) -> bool:
    moved = one.drift
    if moved is None or moved.drives < FEWEST_DRIVES:
        return False
    return moved.slope < 0.0 and moved.interval[1] < 0.0 and moved.chance_of_fall < CHANCE / max(near, 1)


def _drift(one: Judged, drive: Drive, car: Car | None, history: History) -> Drift | None:
    """How this margin moved over earlier drives, by distance where every drive knows its own, else drive by drive."""
    features = _earlier(one, car, history)
    values = np.array([*(feature.value for feature in features), one.margin])
    driven = [*(feature.odometer_km for feature in features), drive.session.odometer_km]
    known = [km / 1000.0 for km in driven if km is not None]
    if len(known) == len(values) and len(set(known)) > 2:
        order = np.argsort(known, kind="stable")
        return drift(np.array(known)[order], values[order])
    return drift(np.arange(float(len(values))), values)


def _earlier(one: Judged, car: Car | None, history: History) -> Sequence[Feature]:
    """Margins of the same test on earlier drives, since a part it depends on was last replaced."""
    parts = parts_of(one, car, frozenset(), ())
    repairs = [e.at for e in history.events if e.kind is EventKind.REPAIR and e.part in parts]
    since = max(repairs, default=None)
    own = features_of(history, NAME, one.key)
    return own if since is None else [f for f in own if f.at is not None and f.at > since]


def _measures(found: Sorted, worst: Judged | None, moved: Drift | None) -> tuple[Measure, ...]:
    """Counts of results, the worst one, and the others nearest to their limits."""
    measures = [
        Measure("results_judged", float(len(found.judged)), ""),
        Measure("results_failed", float(sum(one.failed for one in found.judged)), ""),
        Measure("results_not_run", float(len(found.not_run)), ""),
        Measure("results_unknown", float(len(found.unknown)), ""),
    ]
    if worst is not None:
        bank = bank_of_monitor(worst.result.monitor)
        measures += [Measure("monitor", float(worst.result.monitor), ""), Measure("test", float(worst.result.test), "")]
        measures += [Measure("bank", float(bank), "")] if bank is not None else []
        measures.append(Measure("margin", worst.margin, "%"))
        for name, limit in (("lower_limit", worst.low), ("upper_limit", worst.high)):
            measures += [Measure(name, limit, worst.result.unit)] if limit is not None else []
        if worst.failing:
            measures.append(Measure("failing_readings", float(worst.failing), "", None, (0.0, float(worst.readings))))
        if moved is not None:
            measures.append(Measure("margin_slope", moved.slope, "%", moved.interval))
            measures.append(Measure("drives_followed", float(moved.drives), ""))
    nearest = sorted(found.judged, key=lambda one: (one is not worst, one.margin))[:SHOWN]
    measures += [_shown(one) for one in nearest]
    waiting = sorted({result.monitor for result in found.not_run})[:SHOWN]
    return (*measures, *(Measure(f"not_run_{monitor:02X}", 1.0, "") for monitor in waiting))


def _shown(one: Judged) -> Measure:
    """One result beside its limits, where it has them on both sides."""
    low = one.low if one.low is not None else one.bottom
    limits = (low, one.high) if low is not None and one.high is not None else None
    name = f"result_{one.result.monitor:02X}_{one.result.test:02X}"
    return Measure(name, one.value, one.result.unit, None, limits)
