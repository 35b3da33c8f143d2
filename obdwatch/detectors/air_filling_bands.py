"""Full-throttle filling by bands of engine speed, and how far each band falls short of what it should be.

The reference is the car's own earlier drives; on the first drive it is calculated load, which SAE J1979 defines as the
share of the full-throttle air at the same engine speed, outside pressure and temperature: at full throttle a healthy
engine without a charger reads close to 100 % at every speed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.air_filling_record import Pulls
from obdwatch.detectors.oxygen_sensors_baseline import Baseline
from obdwatch.records import FloatArray

WIDTH = 500.0
"""Width of a band [1/min]: narrow against the 2,000 to 3,000 that a flap or a cam works over (common practice)."""

FEWEST = 3
"""Readings that make a band: of two, both may lie in the start of a pull."""

FULL = 75.0
"""Percentile of the readings of a band that stands for it: what disturbs a pull (gear change, pressure still rising,
torque limiting) only takes air away."""

READING_ERROR = 0.8
"""Standard deviation of one reading at full throttle [%]: one step of 0.39 % and the pulsation of the flow (common
practice)."""

DRIVE_ERROR = 1.5
"""Least standard deviation of a car's filling from drive to drive [%]: weather and humidity beyond the correction;
vapour at 30 degC takes 1.6 to 4 % (ideal gas)."""


@dataclass(frozen=True, slots=True)
class Band:
    """Settled full-throttle readings from `start` to `start` + 500 [1/min]; `filling`, `share` [%] or NaN."""

    start: float
    count: int
    filling: float
    share: float

    @property
    def middle(self) -> float:
        """The middle of the band [1/min]."""
        return self.start + WIDTH / 2.0


@dataclass(frozen=True, slots=True)
class Losses:
    """What is missing at full throttle [%] by band: `middle` [1/min], `loss`, its standard deviation `error`.

    `count` readings each; `own` is True where it is against the car's earlier drives, `drives` of them.
    """

    middle: FloatArray
    loss: FloatArray
    error: FloatArray
    count: FloatArray
    own: bool
    drives: int = 0


def bands_of(pulls: Pulls) -> tuple[Band, ...]:
    """Return the bands with readings enough, by rising engine speed."""
    if not len(pulls.speed):
        return ()
    number = np.floor(pulls.speed / WIDTH).astype(np.intp)
    return tuple(
        Band(float(one) * WIDTH, int(np.count_nonzero(here)), _full(pulls.filling[here]), _full(pulls.share[here]))
        for one in np.unique(number)
        if np.count_nonzero(here := number == one) >= FEWEST
    )


def _full(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.percentile(known, FULL)) if len(known) >= FEWEST else float("nan")


def losses_of(bands: tuple[Band, ...], past: Mapping[str, Baseline], prior: bool) -> Losses | None:
    """Return the losses against the car's own past where it is known, else (with `prior`) against full load.

    `past` holds the cells `full_...` and `share_...`; None where nothing can be compared.
    """
    for kind in ("full", "share"):
        found = _against_past(bands, past, kind)
        if found is not None:
            return found
    known = [band for band in bands if np.isfinite(band.share)]
    if not prior or len(known) < 2:
        return None
    count = np.array([float(band.count) for band in known])
    loss = np.array([100.0 - band.share for band in known])
    return Losses(np.array([band.middle for band in known]), loss, READING_ERROR / np.sqrt(count), count, own=False)


def _against_past(bands: tuple[Band, ...], past: Mapping[str, Baseline], kind: str) -> Losses | None:
    pairs = [
        (band, past[cell(kind, band.start)])
        for band in bands
        if cell(kind, band.start) in past and np.isfinite(value_of(band, kind))
    ]
    if len(pairs) < 2:
        return None
    loss = np.array([100.0 * (1.0 - value_of(band, kind) / base.middle) for band, base in pairs])
    error = np.array([np.hypot(READING_ERROR / np.sqrt(band.count), base.spread) for band, base in pairs])
    middle = np.array([band.middle for band, _ in pairs])
    count = np.array([float(band.count) for band, _ in pairs])
    return Losses(middle, loss, error, count, own=True, drives=min(base.drives for _, base in pairs))


def value_of(band: Band, kind: str) -> float:
    """Return the filling ("full") or the calculated load ("share") of a band [%]."""
    return band.filling if kind == "full" else band.share


def cell(kind: str, start: float) -> str:
    """Return what a band is called in the car's history."""
    return f"{kind}_{start:.0f}"
