"""What a misfire does to the trims: a charge that did not burn leaves its oxygen in the exhaust, and the sensor takes
it for a lean mixture that is not there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from obdwatch.detectors.fuel_trims_fit import Level, TrimFit
from obdwatch.detectors.results import tests_of
from obdwatch.detectors.sampled import held, once, readings
from obdwatch.records import Car, Drive, FloatArray
from obdwatch.signals import masks

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


STANDING_SHARE = 0.8
"""Share of the time between two readings of a counter that makes its misfires those of idle; the rest, of driving."""


@dataclass(frozen=True, slots=True)
class FalseLean:
    """What misfires add to a trim [%]: over the whole drive, at idle and while driving."""

    whole: float = 0.0
    idle: float = 0.0
    flow: float = 0.0

    @property
    def most(self) -> float:
        """The largest of the three [%]."""
        return max(self.whole, self.idle, self.flow)

    def plus(self, other: FalseLean, times: float = 1.0) -> FalseLean:
        """Return the sum of both, the other taken `times` as much."""
        return FalseLean(
            self.whole + times * other.whole, self.idle + times * other.idle, self.flow + times * other.flow
        )


def series_of(drive: Drive) -> dict[int, FloatArray]:
    """Return times [s] and misfire counts of this drive by cylinder, shape (2, readings); sorted once per drive."""
    return once(drive, "misfire counts of the trims", lambda: _series(drive))


def _series(drive: Drive) -> dict[int, FloatArray]:
    rows: dict[int, list[tuple[float, float]]] = {}
    for (_, monitor, test), told in tests_of(drive).items():
        if CYLINDERS[0] <= monitor <= CYLINDERS[1] and test == DRIVE_COUNTS:
            counted = [(one.t, one.value) for one in told if one.value is not None]
            if counted:
                rows.setdefault(monitor - CYLINDERS[0] + 1, []).extend(counted)
    return {cylinder: np.array(sorted(series)).T for cylinder, series in rows.items()}


def counts_of(drive: Drive) -> dict[int, float]:
    """Return the latest misfire count of this drive by cylinder."""
    return {cylinder: float(series[1, -1]) for cylinder, series in series_of(drive).items()}


def misfiring_cylinder(drive: Drive) -> int | None:
    """Return the cylinder that misfires far more than any other, by the car's own counters."""
    counts = counts_of(drive)
    if not counts:
        return None
    ordered = sorted(counts.values(), reverse=True)
    if ordered[0] < MISFIRES or (len(ordered) > 1 and ordered[0] < MISFIRES_MORE * max(1.0, ordered[1])):
        return None
    return max(counts, key=lambda cylinder: counts[cylinder])


def false_lean(drive: Drive, car: Car | None, banks: dict[int, TrimFit]) -> dict[int, FalseLean]:
    """Return by how much the misfires of each bank lift its trim: their share of the bank's charges.

    Valid: the whole charge of a misfire passes unburnt; what burns late counts less (arithmetic of the mixture).
    """
    found = dict.fromkeys(banks, FalseLean())
    speed, series = readings(drive, "engine_speed"), series_of(drive)
    if speed is None or len(speed.times) < 2 or not series:
        return found
    seconds = np.minimum(np.diff(speed.times), LONGEST_STEP)
    turned = np.r_[0.0, np.cumsum(seconds * (speed.values[1:] + speed.values[:-1]) / 120.0)]
    if turned[-1] < FEWEST_REVOLUTIONS:
        return found
    standing = held(readings(drive, "vehicle_speed"), speed.times, masks.FAST_AGE) <= masks.IDLE_VEHICLE_SPEED
    stood = np.r_[0.0, np.cumsum(np.diff(speed.times) * standing[:-1])]
    many = max(1, (car.cylinders if car is not None else None) or max(len(series), USUAL_CYLINDERS))
    for cylinder, (times, counts) in series.items():
        share = _shares(times, counts, np.interp(times, speed.times, turned), np.interp(times, speed.times, stood))
        whole = min(MOST_SHARE, 2.0 * counts[-1] / turned[-1])
        idle, flow = (whole if one is None else one for one in share)
        bank = bank_of(cylinder, car, banks)
        found[bank] = found[bank].plus(FalseLean(whole, idle, flow), 100.0 * len(banks) / many)
    return found


LONGEST_STEP = 10.0
"""Time between readings of engine speed [s] beyond which nobody knows that it turned."""


def _shares(
    times: FloatArray, counts: FloatArray, turned: FloatArray, stood: FloatArray
) -> tuple[float | None, float | None]:
    """Share of a cylinder's charges that misfired at idle and while driving, None where no readings enclose either."""
    length = np.maximum(np.diff(times), 1e-3)
    idle = np.diff(stood) / length
    more, turns = np.maximum(np.diff(counts), 0.0), np.diff(turned)
    shares: list[float | None] = []
    for here in (idle >= STANDING_SHARE, idle <= 1.0 - STANDING_SHARE):
        enough = float(np.sum(turns[here])) >= FEWEST_TURNS
        shares.append(min(MOST_SHARE, 2.0 * float(np.sum(more[here]) / np.sum(turns[here]))) if enough else None)
    return shares[0], shares[1]


FEWEST_TURNS = 200.0
"""Revolutions that make a share of one kind of driving (the catalyst block of 40 CFR 86.010-18(h)(2))."""


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


def without(fit: TrimFit, lean: FalseLean) -> TrimFit:
    """Return a fit with what misfires add taken off."""
    whole = replace(fit.whole, value=fit.whole.value - lean.whole)
    return replace(fit, idle=_less(fit.idle, lean.idle), flow=_less(fit.flow, lean.flow), whole=whole)


def _less(level: Level | None, lean: float) -> Level | None:
    return None if level is None else replace(level, value=level.value - lean)
