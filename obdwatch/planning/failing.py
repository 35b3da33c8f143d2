"""How likely a part has failed by any distance, and how much life is left in it, from the few distances that are known.

Between known distances the hazard (failures per mile of those that still run) is constant: the probability never
falls, never exceeds one, and goes through what is known. Beyond the last known distance the hazard is that of the
catalogue's lives for a part of this age, at a few more distances; where the age is not known, and beyond those, the
hazard of the last stretch goes on.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

from obdwatch.parts.life import wear
from obdwatch.parts.part import Part
from obdwatch.records import PartRisk
from obdwatch.units import KM_PER_MILE

FURTHER_MILES = (20_000, 40_000, 80_000, 160_000)  # beyond them hardly a part of any age is left
SUREST = 1.0 - 1e-9  # a failure that is certain has no finite hazard


@dataclass(frozen=True, slots=True)
class FailureCurve:
    """Cumulative hazard at increasing distances from now: `miles` [mile] and `hazard` [-], both beginning with zero."""

    miles: tuple[float, ...]
    hazard: tuple[float, ...]

    def fails_within(self, miles: float) -> float:
        """Return the probability of failing within a distance from now [mile].

        >>> curve = curve_through({1000: 0.1, 5000: 0.4})
        >>> round(curve.fails_within(1000), 3), round(curve.fails_within(3000), 3), round(curve.fails_within(5000), 3)
        (0.1, 0.265, 0.4)
        """
        return -math.expm1(-self._hazard(miles))

    def fails_between(self, begin: float, end: float) -> float:
        """Return the probability that a part that still runs at `begin` fails before `end` [mile from now]."""
        return -math.expm1(self._hazard(begin) - self._hazard(end))

    def running_miles(self, begin: float, end: float) -> float:
        """Return the expected distance [mile] that the present part covers between two distances from now."""
        stops = [begin, *(stop for stop in self.miles if begin < stop < end), end]
        return sum(self._stretch(a, b) for a, b in itertools.pairwise(stops))

    def miles_left(self, at: float) -> float:
        """Return the expected distance [mile] to failure of a part that still runs `at` miles from now."""
        last = max(at, self.miles[-1])
        # Where nothing fails in the last stretch, the mean hazard up to there goes on.
        rate = self._rate(len(self.miles) - 2) or self.hazard[-1] / self.miles[-1]
        beyond = math.exp(-self._hazard(last)) / rate if rate > 0.0 else math.inf
        return (self.running_miles(at, last) + beyond) / math.exp(-self._hazard(at))

    def _stretch(self, begin: float, end: float) -> float:
        """The integral of exp(-hazard) over a stretch of constant hazard rate."""
        low, high = self._hazard(begin), self._hazard(end)
        if high - low < 1e-9:
            return (end - begin) * math.exp(-(low + high) / 2.0)
        return (end - begin) * math.exp(-low) * -math.expm1(low - high) / (high - low)

    def _hazard(self, miles: float) -> float:
        at = min(bisect.bisect_right(self.miles, miles), len(self.miles) - 1) - 1
        return self.hazard[at] + self._rate(at) * (miles - self.miles[at])

    def _rate(self, at: int) -> float:
        return (self.hazard[at + 1] - self.hazard[at]) / (self.miles[at + 1] - self.miles[at])


def curve_through(failure_within_miles: Mapping[int, float]) -> FailureCurve:
    """Return the curve through known probabilities by distance [mile]; one that falls is taken as level.

    Raises ValueError where there is no distance above zero, or where a value is no probability.
    """
    distances = sorted(failure_within_miles)
    if not distances or distances[0] <= 0:
        raise ValueError(f"the risk of failure needs distances above zero, not {distances}")
    miles, hazard = [0.0], [0.0]
    for distance in distances:
        chance = failure_within_miles[distance]
        if not 0.0 <= chance <= 1.0:
            raise ValueError(f"the risk of failing within {distance} miles is {chance}, not between 0 and 1")
        if hazard[-1] < -math.log1p(-SUREST):  # after a certain failure there is no hazard left to know
            miles.append(float(distance))
            hazard.append(max(hazard[-1], -math.log1p(-min(chance, SUREST))))
    return FailureCurve(tuple(miles), tuple(hazard))


def curve_for(part: Part, risk: PartRisk) -> FailureCurve:
    """Return the curve of a part through its risk, and beyond it by the lives of the catalogue.

    Raises ValueError as `curve_through` does.
    """
    near = curve_through(risk.failure_within_miles)
    if risk.since_new_km is None or near.miles[-1] < max(risk.failure_within_miles):
        return near
    further = (near.miles[-1], *(miles for miles in FURTHER_MILES if miles > near.miles[-1]))
    worn = wear(part.onset, part.to_failure, risk.since_new_km, tuple(miles * KM_PER_MILE for miles in further))
    by_life = [-math.log1p(-min(chance, SUREST)) for chance in worn.fails(risk.degraded)]
    added = itertools.accumulate((max(0.0, b - a) for a, b in itertools.pairwise(by_life)), initial=near.hazard[-1])
    return FailureCurve((*near.miles, *further[1:]), (*near.hazard, *list(added)[1:]))
