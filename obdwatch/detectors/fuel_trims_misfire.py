"""What a misfire does to the trims: a charge that did not burn leaves its oxygen in the exhaust, and the sensor takes
it for a lean mixture that is not there.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from obdwatch.detectors.fuel_trims_fit import Level, TrimFit
from obdwatch.detectors.sampled import readings
from obdwatch.records import Car, Drive

CYLINDERS = (0xA2, 0xAD)
"""Service 06 monitors that count misfire of cylinders 1 to 12 (SAE J1979)."""

DRIVE_COUNTS = 0x0C
"""Service 06 test that counts the misfires of the last or current drive (SAE J1979)."""

MISFIRES, MISFIRES_MORE = 20.0, 5.0
"""Misfires of one cylinder in a drive, and how many times the next one's, that single it out."""

FEWEST_REVOLUTIONS = 1000.0
"""Revolutions of the recording over which counts make a share (the emission block of 40 CFR 86.010-18(h)(2))."""

USUAL_CYLINDERS = 4
"""Cylinders of an engine that nobody described."""

MOST_SHARE = 0.8
"""Largest believed share of a cylinder's charges; counts of an earlier piece of the drive would make it more."""


def counts_of(drive: Drive) -> dict[int, float]:
    """Return the latest misfire count of this drive by cylinder."""
    return {
        result.monitor - CYLINDERS[0] + 1: result.value
        for result in drive.monitors
        if CYLINDERS[0] <= result.monitor <= CYLINDERS[1] and result.test == DRIVE_COUNTS and result.value is not None
    }


def misfiring_cylinder(drive: Drive) -> int | None:
    """Return the cylinder that misfires far more than any other, by the car's own counters."""
    counts = counts_of(drive)
    if not counts:
        return None
    ordered = sorted(counts.values(), reverse=True)
    if ordered[0] < MISFIRES or (len(ordered) > 1 and ordered[0] < MISFIRES_MORE * max(1.0, ordered[1])):
        return None
    return max(counts, key=lambda cylinder: counts[cylinder])


def false_lean(drive: Drive, car: Car | None, banks: dict[int, TrimFit]) -> dict[int, float]:
    """Return by how much the misfires of each bank lift its trim [%]: their share of the bank's charges.

    Valid: the whole charge of a misfire passes unburnt; what burns late counts less (arithmetic of the mixture).
    """
    speed = readings(drive, "engine_speed")
    counts = counts_of(drive)
    nothing = dict.fromkeys(banks, 0.0)
    if speed is None or not counts:
        return nothing
    seconds = np.minimum(np.diff(speed.times), 10.0)
    revolutions = float(np.sum(seconds * (speed.values[1:] + speed.values[:-1]) / 2.0)) / 60.0
    if revolutions < FEWEST_REVOLUTIONS:
        return nothing
    many = max(1, (car.cylinders if car is not None else None) or max(len(counts), USUAL_CYLINDERS))
    for cylinder, count in counts.items():
        share = min(MOST_SHARE, count / (revolutions / 2.0))
        nothing[bank_of(cylinder, car, banks)] += 100.0 * share * len(banks) / many
    return nothing


def bank_of(cylinder: int, car: Car | None, banks: dict[int, TrimFit]) -> int:
    """Return the bank of a cylinder; untold it is taken for the leaner one, where a misfire shows."""
    leanest = max(banks, key=lambda bank: banks[bank].whole.value)
    if len(banks) == 1:
        return leanest
    if car is not None and car.bank_cylinders is not None:
        for bank, cylinders in enumerate(car.bank_cylinders, start=1):
            if cylinder in cylinders and bank in banks:
                return bank
    return leanest


def without(fit: TrimFit, lean: float) -> TrimFit:
    """Return a fit with a part of the trim [%] taken off at every flow."""
    return replace(
        fit,
        idle=_less(fit.idle, lean),
        flow=_less(fit.flow, lean),
        whole=replace(fit.whole, value=fit.whole.value - lean),
    )


def _less(level: Level | None, lean: float) -> Level | None:
    return None if level is None else replace(level, value=level.value - lean)
