"""How long a wear part lasts: sound until its first signs, degraded from there until it fails.

Both stretches are Weibull distributions of distance (`Life`). The part is known not to have failed yet, so every
probability here is conditional on that. A failure distance is the sum of the two stretches; its distribution is their
convolution, which has no closed form and is integrated numerically, without ever subtracting two numbers near one.
The model is that of reliability-centred maintenance, potential failure to functional failure (SAE JA1011, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from obdwatch.parts.part import Life
from obdwatch.records import FloatArray

SHORTEST_KM = 1e-6  # a millimetre; below it a part is new
FIT_STEPS = 100  # halvings of the interval that holds the shape: far below what a number can hold


def survival(life: Life, distance: float | FloatArray) -> FloatArray:
    """Return the share of lives longer than `distance` [km], exp(-(distance / scale) ** shape); 1 at and below zero.

    >>> float(survival(Life(1.0, 1000.0, "assumption: example"), 1000.0).round(6))
    0.367879
    """
    ratio = np.maximum(np.asarray(distance, dtype=np.float64), 0.0) / life.scale_km
    return np.asarray(np.exp(-(ratio**life.shape)))


def density(life: Life, distance: FloatArray) -> FloatArray:
    """Return the probability density of the life [1/km] at distances above zero [km]."""
    ratio = distance / life.scale_km
    return np.asarray(life.shape / life.scale_km * ratio ** (life.shape - 1.0) * np.exp(-(ratio**life.shape)))


@dataclass(frozen=True, slots=True)
class Wear:
    """A part that has not failed yet, at one distance since new.

    `degraded` is the probability that it has begun to degrade; `fails_if_degraded` and `fails_if_sound` map a further
    distance to the probability of failing within it, given each state now; both are for the distances asked for [km].
    """

    degraded: float
    fails_if_degraded: tuple[float, ...]
    fails_if_sound: tuple[float, ...]

    def fails(self, degraded: float) -> tuple[float, ...]:
        """Return the probabilities of failing where the part is degraded with this probability, evidence included."""
        pairs = zip(self.fails_if_degraded, self.fails_if_sound, strict=True)
        return tuple(degraded * worn + (1.0 - degraded) * sound for worn, sound in pairs)


@lru_cache(maxsize=4096)
def wear(onset: Life, to_failure: Life, since_new_km: float, further_km: tuple[float, ...] = ()) -> Wear:
    """Return what distance alone says of a part that has not failed `since_new_km` [km] after it was new.

    `onset` is the distance to the first signs, `to_failure` the distance from there to failure. With F the
    distribution functions, the probability of being degraded is (F_onset - F_failure) / (1 - F_failure).
    Raises ValueError for a distance below zero.

    >>> worn = wear(Life(1.0, 100.0, "assumption: example"), Life(1.0, 100.0, "assumption: example"), 100.0)
    >>> round(worn.degraded, 9)  # of two equal exponential stretches: x / (1 + x) at x = distance / scale
    0.5
    """
    if since_new_km < 0.0 or any(each < 0.0 for each in further_km):
        raise ValueError(f"a distance below zero: {since_new_km} km and {further_km}")
    now = since_new_km if since_new_km > SHORTEST_KM else 0.0
    still_sound = float(survival(onset, now))
    lasting = _begun(onset, now, lambda rest: survival(to_failure, rest))
    alive = still_sound + lasting
    if_degraded, if_sound = [], []
    for further in further_km:
        worn = _begun(onset, now, lambda rest, d=further: _fails_within(to_failure, rest, d))  # type: ignore[misc]
        if_degraded.append(
            worn / lasting if lasting > 0.0 else float(_fails_within(to_failure, np.zeros(1), further)[0])
        )
        if_sound.append(_begins_and_fails(onset, to_failure, now, further))
    degraded = lasting / alive if alive > 0.0 else 1.0  # both vanish only far beyond any life
    return Wear(degraded, tuple(map(_share, if_degraded)), tuple(map(_share, if_sound)))


def _share(value: float) -> float:
    return min(1.0, max(0.0, value))


def _fails_within(to_failure: Life, rest: FloatArray, further: float) -> FloatArray:
    """The probability that a stretch ends between `rest` and `rest + further`, without losing small ones."""
    low, high = (np.maximum(x, 0.0) / to_failure.scale_km for x in (rest, rest + further))
    hazard = high**to_failure.shape - low**to_failure.shape
    return np.asarray(-survival(to_failure, rest) * np.expm1(-hazard))


def _begun(onset: Life, now: float, of_rest: Callable[[FloatArray], FloatArray]) -> float:
    """Integrate over every onset before now, weighted with a function of the distance driven since it."""
    if now == 0.0:
        return 0.0
    from_start, to_end, weights = _rule()
    values = density(onset, now * from_start) * of_rest(now * to_end)
    return float(now * np.sum(weights * values))


def _begins_and_fails(onset: Life, to_failure: Life, now: float, further: float) -> float:
    """The probability that a part that is sound now begins to degrade and fails within `further` [km]."""
    if further == 0.0:
        return 0.0
    from_start, to_end, weights = _rule()
    begins = now + further * from_start
    # Relative to being sound now: the survival of now is divided out in the exponent, where it cannot vanish.
    hazard = (begins / onset.scale_km) ** onset.shape - (now / onset.scale_km) ** onset.shape
    rate = onset.shape / onset.scale_km * (begins / onset.scale_km) ** (onset.shape - 1.0)
    fails = -np.expm1(-((further * to_end / to_failure.scale_km) ** to_failure.shape))
    return float(further * np.sum(weights * rate * np.exp(-hazard) * fails))


@lru_cache(maxsize=1)
def _rule() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Nodes in (0, 1), their distances to 1, and weights of the double exponential rule (Takahasi and Mori, 1974).

    It keeps its accuracy where the density has no bound (shapes below one, at zero), and the distances to both ends
    are exact however near a node lies.
    """
    step = 2.0**-7
    t = np.arange(-4.0, 4.0 + step / 2.0, step)
    inner = np.pi * np.sinh(t)
    from_start, to_end = 1.0 / (1.0 + np.exp(-inner)), 1.0 / (1.0 + np.exp(inner))
    weights = step * np.pi * np.cosh(t) * from_start * to_end
    keep = (weights > 0.0) & (from_start > 1e-200) & (to_end > 1e-200)
    return from_start[keep], to_end[keep], weights[keep]


def fitted(ended_km: Sequence[float], still_running_km: Sequence[float] = (), origin: str = "") -> Life:
    """Return the Weibull distribution that fits lives best (maximum likelihood), for a workshop with its own records.

    `ended_km` are lives that ended, `still_running_km` those that have not yet (censored), all above zero [km].
    Raises ValueError for fewer than two lives that ended at different distances. Reference: NIST/SEMATECH
    e-Handbook of Statistical Methods, 8.4.1.3.

    >>> life = fitted([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [500] * 10)
    >>> round(life.scale_km, 2), round(life.shape, 4)
    (606.53, 1.7208)
    """
    ended = np.asarray(ended_km, dtype=np.float64)
    every = np.concatenate([ended, np.asarray(still_running_km, dtype=np.float64)])
    if len(ended) < 2 or np.ptp(ended) == 0.0 or not np.all(np.isfinite(every)) or every.min() <= 0.0:
        raise ValueError("a life distribution needs two or more different distances, all above zero")
    logs = np.log(every / every.max())
    mean_log = float(np.mean(np.log(ended / every.max())))
    low, high = 1e-3, 1.0
    while _slope(high, logs, mean_log) < 0.0:
        low, high = high, 2.0 * high
    for _ in range(FIT_STEPS):
        middle = (low + high) / 2.0
        low, high = (middle, high) if _slope(middle, logs, mean_log) < 0.0 else (low, middle)
    shape = (low + high) / 2.0
    scale = float(every.max() * (np.sum(np.exp(shape * logs)) / len(ended)) ** (1.0 / shape))
    return Life(
        shape, scale, origin or f"source: {len(ended)} lives that ended and {len(still_running_km)} that have not"
    )


def _slope(shape: float, logs: FloatArray, mean_log: float) -> float:
    """Minus the slope of the profile likelihood over the shape; rises through zero at the best one."""
    powers = np.exp(shape * logs)
    return float(np.sum(powers * logs) / np.sum(powers) - 1.0 / shape - mean_log)
