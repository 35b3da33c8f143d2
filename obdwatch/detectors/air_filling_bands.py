"""Full-throttle filling by bands of engine speed, and how far each band falls short of what it should be.

The reference is the car's own earlier drives; on the first drive it is calculated load, which SAE J1979 defines as the
share of the full-throttle air at the same engine speed, outside pressure and temperature: at full throttle a healthy
engine without a charger reads close to 100 % at every speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.air_filling_past import Cells, own_shape
from obdwatch.detectors.air_filling_record import Pulls
from obdwatch.physics.order_statistics import quantiles
from obdwatch.records import FloatArray

WIDTH = 500.0
"""Width of a band [1/min]: narrow against the 2,000 to 3,000 that a flap or a cam works over (common practice)."""

FEWEST, FEWEST_SLOW, SLOW = 3, 1, 0.7
"""Readings that make a band: of two, both may lie in one gear change. Readings more than 0.7 s apart stand for
themselves: no disturbance of a pull lasts longer (common practice)."""

FULL = 0.75
"""Quantile of the readings of a band that stands for it: what disturbs a pull (gear change, pressure still rising,
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

    `level_error` [%] is by how much all bands may be off together.

    `count` readings each; `own` is True where it is against the car's earlier drives, `drives` of them; `kind` is what
    was compared, by the names of `value_of`.
    """

    middle: FloatArray
    loss: FloatArray
    error: FloatArray
    count: FloatArray
    own: bool
    level_error: float
    drives: int = 0
    kind: str = "full"


def bands_of(pulls: Pulls) -> tuple[Band, ...]:
    """Return the bands with readings enough, by rising engine speed."""
    if not len(pulls.speed):
        return ()
    number = np.floor(pulls.speed / WIDTH).astype(np.intp)
    fewest = FEWEST if pulls.spacing <= SLOW else FEWEST_SLOW
    return tuple(
        Band(float(one) * WIDTH, int(np.count_nonzero(here)), _full(pulls.filling[here]), _full(pulls.share[here]))
        for one in np.unique(number)
        if np.count_nonzero(here := number == one) >= fewest
    )


def _full(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return quantiles(known, (FULL,))[0] if len(known) else float("nan")


def losses_of(bands: tuple[Band, ...], past: Cells) -> Losses | None:
    """Return the losses against the car's own past, None where it is not known.

    `past` holds the cells `full_...` and `share_...` of earlier drives; filling comes first, it has no upper end.
    """
    for kind in ("full", "share"):
        own = own_shape(past, f"{kind}_")
        pairs = [] if own is None else [(band, own.middle.get(cell(kind, band.start))) for band in bands]
        known = [(band, base) for band, base in pairs if base is not None and np.isfinite(value_of(band, kind))]
        if own is None or len(known) < 2:
            continue
        count = np.array([float(band.count) for band, _ in known])
        return Losses(
            middle=np.array([band.middle for band, _ in known]),
            loss=np.array([100.0 * (1.0 - value_of(band, kind) / base) for band, base in known]),
            error=np.hypot(READING_ERROR / np.sqrt(count), 100.0 * own.shape),
            count=count,
            own=True,
            level_error=float(np.hypot(DRIVE_ERROR, 100.0 * own.level)),
            drives=own.drives,
            kind=kind,
        )
    return None


def first_losses(bands: tuple[Band, ...]) -> Losses | None:
    """Return the losses against full load, for the first drives of an engine without a charger; None where the car's
    calculated load knows no torque curve, as with one that only divides by its best filling.
    """
    known = [band for band in bands if np.isfinite(band.share)]
    if len(known) < 2 or _same_at_all_speeds(known):
        return None
    count = np.array([float(band.count) for band in known])
    loss = np.array([100.0 - band.share for band in known])
    middle = np.array([band.middle for band in known])
    return Losses(middle, loss, READING_ERROR / np.sqrt(count), count, own=False, level_error=DRIVE_ERROR, kind="share")


def _same_at_all_speeds(bands: list[Band]) -> bool:
    """Whether the full load that calculated load refers to is the same at all speeds: no engine fills so evenly."""
    reference = np.array(
        [band.filling / band.share for band in bands if np.isfinite(band.filling) and band.share > 0.0]
    )
    if len(reference) < FEWEST_REFERENCES or bands[-1].start - bands[0].start < REFERENCE_RANGE:
        return False
    return float(np.ptp(reference)) < FLAT * float(np.mean(reference))


FLAT, FEWEST_REFERENCES, REFERENCE_RANGE = 0.025, 4, 1500.0
"""Spread of the reference [-] over so many bands and such a range [1/min] below which it is one number: the torque of
engines without a charger changes by 5 % and more over it (common practice), readings repeat to 1 %."""


def value_of(band: Band, kind: str) -> float:
    """Return the filling ("full") or the calculated load ("share") of a band [%]."""
    return band.filling if kind == "full" else band.share


def cell(kind: str, start: float) -> str:
    """Return what a band is called in the car's history."""
    return f"{kind}_{start:.0f}"
