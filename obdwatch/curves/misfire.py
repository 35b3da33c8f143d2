"""Misfires by cylinder in firing order, as shares of all firings, beside the limit that the car has set itself."""

from __future__ import annotations

import numpy as np

from obdwatch.curves.curve import Axis, Curve, Expected, Look, Panel, Series
from obdwatch.detectors.heat_input import burns_lean
from obdwatch.detectors.misfire import NAME
from obdwatch.detectors.misfire_counts import GENERAL
from obdwatch.detectors.misfire_evidence import gather
from obdwatch.physics.misfire import EMISSION_PERCENT, EMISSION_WINDOW, firings
from obdwatch.records import Car, Drive, History, Measure


def curve(drive: Drive, car: Car | None, history: History) -> Curve | None:
    """Return each cylinder's misfires [% of all firings] while the drive was recorded, and their sum.

    None without counters by cylinder (service 06, monitors A2 to AD of SAE J1979) or without the turns they count.
    """
    if burns_lean(drive, car):
        return None
    seen = gather(drive, car, history, NAME)
    counters = seen.counters
    if counters is None or not counters.ran or not counters.by_cylinder or seen.seen_turns < EMISSION_WINDOW:
        return None
    counts = seen.by_cylinder
    order = _order(car, len(counts))
    inside = np.array([counts[one - 1] for one in order])
    shares = 100.0 * np.append(inside, inside.sum()) / float(firings(seen.seen_turns, len(counts)))
    x = np.arange(1.0, len(shares) + 1.0)
    limit, own = _limit(drive)
    labels = (*(str(one) for one in order), "all")
    told = "the car's own limit" if own else "lowest limit of the regulations"
    panel = Panel(
        Axis("Misfires, share of all firings", "%"),
        (Series("measured", Look.BARS, x, shares),),
        (Expected(told, np.array([0.5, len(shares) + 0.5]), high=np.full(2, limit)),),
    )
    known = car is not None and car.firing_order is not None and len(car.firing_order) == len(counts)
    words = "cylinder, in firing order" if known else "cylinder"
    worst = int(np.argmax(counts)) + 1
    facts = [
        Measure("total", float(counts.sum()), ""),
        Measure("share", float(shares[-1]), "%", None, (0.0, limit)),
        Measure("turns", seen.seen_turns, ""),
        Measure("worst_cylinder", float(worst), ""),
        Measure("worst_count", float(counts[worst - 1]), ""),
    ]
    if own:
        facts.append(Measure("own_limit", limit, "%"))
    if seen.emission is not None:
        facts.append(Measure("worst_window", seen.emission.value, "%", None, (0.0, limit)))
    return Curve(NAME, Axis(words, "", labels), (panel,), tuple(facts))


def _order(car: Car | None, cylinders: int) -> tuple[int, ...]:
    """The firing order where the profile tells one of this engine, else by number."""
    order = car.firing_order if car is not None else None
    plain = tuple(range(1, cylinders + 1))
    return order if order is not None and tuple(sorted(order)) == plain else plain


def _limit(drive: Drive) -> tuple[float, bool]:
    """The share of all firings [%] that the car's own monitor allows, and whether the car told one."""
    told = [
        result.maximum
        for result in drive.monitors
        if result.monitor == GENERAL and result.unit == "%" and result.completed and result.maximum is not None
    ]
    usable = [limit for limit in told if 0.0 < limit < 100.0]
    return (min(usable), True) if usable else (EMISSION_PERCENT, False)
