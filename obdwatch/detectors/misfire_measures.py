"""The numbers a misfire finding rests on; their names are also those of the car's history."""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.misfire_counts import Counters
from obdwatch.detectors.misfire_evidence import Evidence
from obdwatch.detectors.misfire_fuel import lean_alike
from obdwatch.detectors.misfire_idle import ROUGH
from obdwatch.detectors.misfire_pattern import Pattern
from obdwatch.physics.misfire import CATALYST_PERCENT, EMISSION_PERCENT, firings
from obdwatch.physics.order_statistics import median
from obdwatch.records import Drive, Measure, Span

NAMES = ("cylinder", "cylinder_2")
"""Measures that name the cylinders meant, where they are not more than two."""

SHOWN_SPANS = 3
"""Pieces of the drive shown at most: those with most misfires."""


def measures_of(drive: Drive, seen: Evidence, pattern: Pattern | None) -> tuple[Measure, ...]:
    """Return the measures of a finding: shares of the firings, counts by cylinder, conditions, what was inferred."""
    return (*_windows(seen), *_who(seen, pattern), *_conditions(seen), *_idle(seen), *_frame(drive, seen))


def _windows(seen: Evidence) -> list[Measure]:
    found = []
    if seen.percent is not None:
        found.append(Measure("misfire_percent", seen.percent, "%", None, (0.0, EMISSION_PERCENT)))
        found.append(Measure("counted_turns", seen.seen_turns, ""))
        steps = np.diff(seen.turns)
        found.append(Measure("turns_between_readings", median(steps), ""))
    for name, window, floor in (
        ("worst_1000", seen.emission, EMISSION_PERCENT),
        ("worst_200", seen.catalyst, CATALYST_PERCENT),
    ):
        if window is not None:
            found.append(Measure(name, window.value, "%", (window.low, window.high), (0.0, floor)))
    return found


def _who(seen: Evidence, pattern: Pattern | None) -> list[Measure]:
    """Which bank and cylinders are meant, and what each cylinder counted."""
    found = []
    if pattern is not None and pattern.bank is not None:
        found.append(Measure("bank", float(pattern.bank), ""))
    named = pattern.cylinders if pattern is not None and len(pattern.cylinders) <= len(NAMES) else ()
    found += [Measure(name, float(cylinder), "") for name, cylinder in zip(NAMES, named, strict=False)]
    counters = seen.counters
    if counters is None:
        return found
    if counters.cylinders is not None:
        found.append(Measure("cylinders_inferred" if counters.inferred else "cylinders", float(counters.cylinders), ""))
    return [*found, *_counted(seen, counters), *_named(seen, counters, named), *_failed(counters)]


def _counted(seen: Evidence, counters: Counters) -> list[Measure]:
    if seen.seen_turns <= 0.0:
        return []
    if not counters.by_cylinder:
        return [Measure("count_all_cylinders", float(seen.by_cylinder.sum()), "")]
    return [Measure(f"count_cylinder_{place + 1}", float(count), "") for place, count in enumerate(seen.by_cylinder)]


def _named(seen: Evidence, counters: Counters, named: tuple[int, ...]) -> list[Measure]:
    """Share and ten-cycle average of the cylinders that are meant."""
    found = []
    for cylinder in named:
        place = cylinder - 1
        if seen.seen_turns > 0.0 and place < len(seen.by_cylinder):
            share = 100.0 * float(seen.by_cylinder[place]) / firings(seen.seen_turns, 1)
            found.append(Measure(f"percent_cylinder_{cylinder}", share, "%"))
        if place < len(counters.averages) and np.isfinite(counters.averages[place]):
            found.append(Measure(f"average_cylinder_{cylinder}", float(counters.averages[place]), ""))
    return found


def _failed(counters: Counters) -> list[Measure]:
    """The car's own misfire result beyond the car's own limit."""
    for result in counters.failed:
        if result.value is not None and result.minimum is not None and result.maximum is not None:
            return [Measure("car_own_result", result.value, result.unit, None, (result.minimum, result.maximum))]
    return []


def _conditions(seen: Evidence) -> list[Measure]:
    found = []
    for shares in (seen.scene.loads, seen.scene.temperatures):
        for name, share in shares.misfires.items():
            turned = 100.0 * float(shares.revolutions[name])
            found.append(Measure(f"share_{name}", 100.0 * float(share), "%", None, (turned, turned)))
    if seen.fuel_level is not None:
        found.append(Measure("fuel_level", seen.fuel_level, "%"))
    if lean_alike(seen.scene.trims, seen.scene.trim_growth, seen.percent or 0.0):
        found.append(Measure("lean_alike", 1.0, ""))
    return found


def _idle(seen: Evidence) -> list[Measure]:
    if seen.idle is None:
        return []
    own = seen.past.scatter
    expected = (0.0, 2.0 * max(own)) if len(own) >= 3 else (0.0, ROUGH)
    return [
        Measure("idle_scatter", seen.idle.scatter, "1/min", None, expected),
        Measure("idle_seen", seen.idle.seconds, "s"),
        Measure("idle_spacing", seen.idle.spacing, "s"),
    ]


def _frame(drive: Drive, seen: Evidence) -> list[Measure]:
    """What the car noted when it set its misfire code."""
    frame = next((f for f in drive.freeze_frames if f.code in seen.codes), None)
    if frame is None:
        return []
    wanted = (("engine_speed", "1/min"), ("calculated_load", "%"), ("coolant_temperature", "degC"))
    return [Measure(f"frame_{key}", float(frame.values[key]), unit) for key, unit in wanted if key in frame.values]


def learnt_of(seen: Evidence) -> tuple[Measure, ...]:
    """Return what is kept for the car's history only: the fuel trims that go with these misfires."""
    banks = zip((1, 2), seen.scene.trims, strict=True)
    return tuple(
        Measure(f"trim_bank_{bank}", trim + seen.past.trims.get(bank, 0.0), "%")
        for bank, trim in banks
        if trim is not None
    )


def spans_of(seen: Evidence) -> tuple[Span, ...]:
    """Return the pieces of the drive between two readings in which most misfires were counted."""
    if len(seen.times) < 2 or seen.whole:
        return ()
    steps = np.diff(seen.counts.sum(axis=1))
    best = [int(place) for place in np.argsort(-steps, kind="stable")[:SHOWN_SPANS] if steps[place] > 0.0]
    return tuple(
        Span(float(seen.times[place]), float(seen.times[place + 1]), f"{steps[place]:.0f} misfires")
        for place in sorted(best)
    )
