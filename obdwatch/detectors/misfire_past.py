"""What the car's earlier drives say of its misfires: counts by cylinder, scatter of idle, trims.

Only drives that were found healthy since the last repair of an ignition, fuel or cylinder head part are its own past.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from obdwatch.detectors.misfire_pattern import DISPERSION
from obdwatch.physics.misfire import chance_of_excess
from obdwatch.physics.order_statistics import median
from obdwatch.records import EventKind, FloatArray, History

REPAIRS = ("ignition_coil", "spark_plugs", "fuel_injector", "head_gasket", "fuel_pump", "intake_leak")
"""Parts whose repair starts a new baseline."""

GROWN = 1e-3
"""Chance of so many misfires at the car's own earlier rate, below which they have grown."""

STEADY = 0.5
"""Earlier over present rate from which a cylinder has always been so: less is a past too short to tell."""

CYCLES = 10.0
"""Driving cycles that the car's running average stands for (SAE J1979)."""

TYPICAL_TURNS = 10_000.0
"""Revolutions of an earlier drive whose count only the ten-cycle average tells: a quarter of an hour at 700 to idle and
2,000 on the road (arithmetic); most drives are longer, which makes this cautious."""


@dataclass(frozen=True, slots=True)
class Past:
    """Earlier healthy drives: misfires by cylinder and the turns they came in; idle scatter [1/min] and trims [%]."""

    drives: int = 0
    turns: float = 0.0
    counts: dict[int, float] = field(default_factory=dict)
    scatter: tuple[float, ...] = ()
    trims: dict[int, float] = field(default_factory=dict)


def past_of(history: History, name: str) -> Past:
    """Return what earlier healthy drives of this car told the detector `name`."""
    repairs = [e.at for e in history.events if e.kind is EventKind.REPAIR and e.part in REPAIRS]
    since = max(repairs, default=None)
    drives = {
        measure: {
            f.session_id: f.value for f in own if f.healthy and (since is None or (f.at is not None and f.at > since))
        }
        for measure, own in history.by_name.get(name, {}).items()
    }
    turns = drives.get("counted_turns", {})
    counts = {}
    for measure, told in drives.items():
        cylinder = measure.removeprefix("count_cylinder_")
        if cylinder != measure and cylinder.isdecimal() and (seen := [told[drive] for drive in turns if drive in told]):
            counts[int(cylinder)] = sum(seen)
    trims = {bank: list(drives.get(f"trim_bank_{bank}", {}).values()) for bank in (1, 2)}
    return Past(
        drives=len(turns),
        turns=sum(turns.values()),
        counts=counts,
        scatter=tuple(drives.get("idle_scatter", {}).values()),
        trims={bank: median(values) for bank, values in trims.items() if len(values) >= 3},
    )


def has_grown(
    counts: FloatArray, turns: float, cylinders: tuple[int, ...], past: Past, averages: FloatArray
) -> bool | None:
    """Whether the named cylinders (all where none is named) misfire more than they did; None where that is not known.

    The past is this tool's own record, else the car's average over ten driving cycles; that tells no turns, so it can
    show growth but never that there is none.
    """
    places = [one - 1 for one in cylinders] or list(range(len(counts)))
    now, turned = float(sum(counts[place] for place in places)), max(turns, 1.0)
    if past.turns > 0.0:
        before = sum(past.counts.get(place + 1, 0.0) for place in places)
        if chance_of_excess(now, turned, before, past.turns, DISPERSION) < GROWN:
            return True
        return False if before / past.turns >= STEADY * now / turned else None
    known = [averages[place] for place in places if np.isfinite(averages[place])]
    if not known:
        return None
    per_cycle = float(sum(known)) * CYCLES
    grown = chance_of_excess(now, turned, per_cycle, CYCLES * TYPICAL_TURNS, DISPERSION) < GROWN
    return True if grown else None
