"""Drives as bad adapters leave them: signals lost, cut, thinned out, pierced, frozen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from obdwatch.records import Drive, Signal


def cut_and_thinned(drive: Drive, random: np.random.Generator, kinds: int) -> Drive:
    """Each signal gets one of `kinds` fates: lost, cut, thinned out, pierced, a single value; from 5 on it stays."""
    signals = {}
    for key, signal in drive.signals.items():
        times, values = signal.times, signal.values.copy()
        kind = random.integers(0, kinds)
        if kind == 0:
            continue
        if kind == 1:
            times, values = times[: len(times) // 3], values[: len(times) // 3]
        if kind == 2:
            keep = random.random(len(times)) < 0.1
            times, values = times[keep], values[keep]
        if kind == 3:
            values[random.integers(0, len(values), 5)] = np.nan
        if kind == 4:
            times, values = times[:1], values[:1]
        signals[key] = Signal(key, signal.unit, times, values)
    return replace(drive, signals=signals)


def pierced_and_frozen(
    drive: Drive, random: np.random.Generator, few: int, gap: tuple[float, float] | None = None
) -> Drive:
    """Each signal gets one of eight fates: lost, a single value, empty, pierced, frozen, `few` values, a `gap` [s]."""
    signals = {}
    for key, one in drive.signals.items():
        times, values = one.times.copy(), one.values.copy()
        kind = int(random.integers(8))
        if kind == 0:
            continue
        if kind == 1:
            times, values = times[:1], values[:1]
        elif kind == 2:
            times, values = times[:0], values[:0]
        elif kind == 3:
            values[random.random(len(values)) < 0.4] = np.nan
        elif kind == 4:
            values[:] = values[0]
        elif kind == 5:
            keep = np.sort(random.choice(len(times), few, replace=False))
            times, values = times[keep], values[keep]
        elif kind == 6 and gap is not None:
            kept = (times < gap[0]) | (times > gap[1])
            times, values = times[kept], values[kept]
        signals[key] = Signal(key, one.unit, times, values)
    return replace(drive, signals=signals)
