"""The two-part fit of one bank's trims: a leak that vacuum feeds, an error that is the same everywhere, one that grows
with flow; and the plain levels at idle and with air flowing, on which the verdict rests.

Model: 1 + trim = (1 + e) (1 + L / air), L an orifice below manifold vacuum; linear in e and (1 + e) L. The purge valve
is a part of the model with a size of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.fuel_trims_record import TrimRecord
from obdwatch.physics.leaks import equivalent_hole, flow_share
from obdwatch.physics.linear_fit import LinearFit, fit_shapes, serial_correlation
from obdwatch.physics.order_statistics import median, quantiles
from obdwatch.records import BoolArray, FloatArray

FEWEST_IDLE, FEWEST_FLOW = 20, 20
"""Seconds of each that make a level: some ten swings of the short trim (common practice: one to two seconds each)."""

FLOW_TIMES_IDLE = 2.5
"""Air flow over idle air from which a reading counts as flow: a leak of constant flow has shrunk to 40 % there."""

TOP_SHARE = 0.35
"""Share of the readings with air flowing, those with most of it, that count: errors that grow with flow show there."""

IDLE_SPREAD = 1.6
"""Air over its idle median beyond which a standing engine is being revved: fan, alternator and air conditioning add up
to half (common practice)."""

IDLE_AIR = 1.8
"""Air of a warm idle [g/s per litre]: 700 1/min at an absolute load of 26 %, 18 to 30 are usual (SAE J1979 PID 43)."""

RESOLUTION = 100.0 / 128.0 / np.sqrt(12.0) * np.sqrt(2.0)
"""Scatter of one reading of short and long trim together [%]: steps of 100/128 (SAE J1979), uniform."""

GAP = 2.5
"""Seconds between readings that still belong to one steady piece."""

PRIOR_ERROR, PRIOR_LEAK, PRIOR_RISE, PRIOR_PURGE = 25.0, 30.0, 20.0, 5.0
"""Usual size of each part before the drive [%]: the ends of what control units correct; purge vapour 5 % at idle."""

SPREAD_OF_MEAN = 1.25
"""Standard deviation of a median over that of a mean (normal errors)."""

Z95 = 1.96


@dataclass(frozen=True, slots=True)
class Level:
    """A mean trim [%] with its standard deviation, from `seconds` of readings at `air` [g/s]."""

    value: float
    sigma: float
    seconds: int
    air: float

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval [%]."""
        return self.value - Z95 * self.sigma, self.value + Z95 * self.sigma


@dataclass(frozen=True, slots=True)
class Leak:
    """Unmetered air at idle: `share` of the metered air [%] with `sigma`; `flow` [g/s] and `diameter` [mm] of the hole
    with intervals, None where grams are unknown. `vacuum_evidence`: natural logarithm of the odds of a shape that
    follows vacuum against one that follows flow alone.
    """

    share: float
    sigma: float
    flow: tuple[float, float, float] | None
    diameter: tuple[float, float, float] | None
    vacuum_evidence: float


@dataclass(frozen=True, slots=True)
class TrimFit:
    """What one series of trims says. `idle`, `flow`: levels, None where not driven; `error` and `rise` [%]: the part
    that is the same everywhere, and the growth from idle to flow beside the leak; `whole`: level over everything.
    """

    idle: Level | None
    flow: Level | None
    whole: Level
    error: tuple[float, float] | None
    rise: tuple[float, float] | None
    leak: Leak | None

    @property
    def contrast(self) -> tuple[float, float] | None:
        """Trim at idle less that with air flowing [%], and its standard deviation."""
        if self.idle is None or self.flow is None:
            return None
        return self.idle.value - self.flow.value, float(np.hypot(self.idle.sigma, self.flow.sigma))


@dataclass(frozen=True, slots=True)
class Regimes:
    """Which readings are idle and which have air flowing, and the idle air [g/s]."""

    idle: BoolArray
    flow: BoolArray
    idle_air: float


def regimes(record: TrimRecord) -> Regimes:
    """Sort the readings by the air that flows; without a standing idle, the least air stands for it as a scale only."""
    standing = record.idle
    if np.count_nonzero(standing) >= FEWEST_IDLE:
        usual = median(record.air[standing])
    else:
        usual = min(quantiles(record.air, (0.05,))[0], IDLE_AIR * record.size)
    idle = standing & (record.air <= IDLE_SPREAD * usual)
    flowing = ~standing & (record.air >= FLOW_TIMES_IDLE * usual)
    many = int(np.count_nonzero(flowing))
    if many:
        few = min(many, max(FEWEST_FLOW, round(TOP_SHARE * many)))
        flowing &= record.air >= np.sort(record.air[flowing])[many - few]
    return Regimes(idle, flowing, usual)


def fit_bank(record: TrimRecord, trim: FloatArray, split: Regimes, rivals: bool = True) -> TrimFit:
    """Fit one series of trims [n]; `rivals`: also weigh vacuum against flow alone, which costs a second fit."""
    ratio = _ratio(record)
    follows_vacuum = flow_share(ratio) * (split.idle_air / record.air)
    purge = np.where(np.isfinite(record.purge), record.purge, 0.0) * follows_vacuum
    purge_size = 0.0
    fit = None
    enough_idle = np.count_nonzero(split.idle) >= FEWEST_IDLE
    enough_flow = np.count_nonzero(split.flow) >= FEWEST_FLOW
    if enough_idle and enough_flow:
        fit = _fit(record, trim, follows_vacuum, purge, split)
        purge_size = float(fit.sizes[3])
    plain = trim - purge_size * purge
    idle = _level(record, plain, split.idle) if enough_idle else None
    flow = _level(record, plain, split.flow) if enough_flow else None
    whole = _level(record, plain, np.ones(len(trim), dtype=np.bool_))
    if fit is None or idle is None:
        return TrimFit(idle, flow, whole, None, None, None)
    evidence = 0.0
    if rivals:
        evidence = fit.log_evidence - _fit(record, trim, split.idle_air / record.air, purge, split).log_evidence
    leak = _leak(record, fit, evidence, split, ratio)
    sigma = np.sqrt(np.diag(fit.covariance))
    sizes = fit.sizes
    return TrimFit(idle, flow, whole, (float(sizes[0]), float(sigma[0])), (float(sizes[2]), float(sigma[2])), leak)


def modelled(record: TrimRecord, split: Regimes, fit: TrimFit) -> FloatArray | None:
    """Return the trim [%, n] that a fit gives at each reading without purge; None where only levels were fitted."""
    if fit.error is None or fit.rise is None or fit.leak is None:
        return None
    ratio = _ratio(record)
    top = median(record.air[split.flow])
    choked = fit.leak.share / _at_idle(ratio, split, fit.error[0])
    values: FloatArray = fit.error[0] + choked * flow_share(ratio) * (split.idle_air / record.air)
    return values + fit.rise[0] * _rising(record, split, top)


def _ratio(record: TrimRecord) -> FloatArray:
    """Manifold over outside pressure, that of a light load where it is not known."""
    return np.where(np.isfinite(record.ratio), record.ratio, 0.4)


def _rising(record: TrimRecord, split: Regimes, top: float) -> FloatArray:
    rising: FloatArray = (record.air - split.idle_air) / max(top - split.idle_air, 1e-3)
    return rising


def _at_idle(ratio: FloatArray, split: Regimes, error: float) -> float:
    """What makes a leak's share of the idle air out of its size at choked flow."""
    return float(flow_share(np.array([median(ratio[split.idle])]))[0]) / max(0.5, 1.0 + error / 100.0)


def _fit(record: TrimRecord, trim: FloatArray, falling: FloatArray, purge: FloatArray, split: Regimes) -> LinearFit:
    top = median(record.air[split.flow])
    rising = _rising(record, split, top)
    shapes = np.stack([np.ones(len(trim)), falling, rising, purge], axis=1)
    prior = np.array([PRIOR_ERROR, PRIOR_LEAK, PRIOR_RISE, PRIOR_PURGE])
    return fit_shapes(shapes, trim, prior, record.times, float(RESOLUTION), GAP)


def _level(record: TrimRecord, trim: FloatArray, here: BoolArray) -> Level:
    """Median of the trims; its error from how many of them are independent, and from the resolution."""
    values, times = trim[here], record.times[here]
    middle = median(values)
    errors = values - middle
    alike = serial_correlation(times, errors, GAP)
    independent = max(1.0, len(values) * (1.0 - alike) / (1.0 + alike))
    scatter = max(float(RESOLUTION), 1.4826 * median(np.abs(errors)))
    sigma = float(np.hypot(SPREAD_OF_MEAN * scatter / np.sqrt(independent), RESOLUTION / 2.0))
    return Level(middle, sigma, len(values), median(record.air[here]))


def _leak(record: TrimRecord, fit: LinearFit, evidence: float, split: Regimes, ratio: FloatArray) -> Leak:
    choked, sigma = float(fit.sizes[1]), float(np.sqrt(fit.covariance[1, 1]))
    at_idle = median(ratio[split.idle])
    factor = _at_idle(ratio, split, float(fit.sizes[0]))
    share, spread = choked * factor, sigma * factor
    if not record.in_grams:
        return Leak(share, spread, None, None, evidence)
    ends = (share, share - Z95 * spread, share + Z95 * spread)
    grams = [max(0.0, one) / 100.0 * split.idle_air for one in ends]
    after = min(at_idle, 0.95) * record.outside
    holes = [equivalent_hole(one, record.outside, after, record.warmth) for one in grams]
    return Leak(share, spread, (grams[0], grams[1], grams[2]), (holes[0], holes[1], holes[2]), evidence)
