"""What became of one number: its levels on both sides, the difference beyond chance, and whether it came into range.

The rules treat both sides alike, so that exchanging them turns better into worse and leaves the rest as it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from obdwatch.comparing.measures import Harm, Kind, Rule
from obdwatch.comparing.proof_records import Change, Compared, Side
from obdwatch.comparing.readings import Pairing, Reading
from obdwatch.physics.misfire import dispersion_of
from obdwatch.physics.two_samples import Level, Rates, compare_rates, difference, level_of

CHANCE = 0.05
"""Probability of chance below which a change counts (common practice)."""

ASSUMED_FREEDOM = 4.0
"""Degrees of freedom that the assumed scatter from drive to drive is worth: as if it had been seen in five drives
(assumption). It makes a single drive count for something, and gives way once there are several."""

WITHIN = "It moved, but within its range."

CLUSTERS = 3.0
"""Variance over mean of misfire counts where too few drives show it: they come in clusters (assumption)."""

FEWEST_FOR_DISPERSION = 3
LEAST_CHANGE = 1.0
"""A change below so many scatters of a sound car matters to nobody, however sure it is (assumption)."""

LEAST_RATIO = 1.5
"""The same for rates of misfire."""


def compare_measure(pairing: Pairing, touched: bool) -> Compared:
    """Return what became of one number; without readings on both sides nothing can be told."""
    rule = pairing.rule
    blank = Compared(pairing.detector, pairing.name, _words(pairing), pairing.unit, Change.CANNOT_TELL, touched=touched)
    if not pairing.before or not pairing.after:
        return replace(blank, before=_lone(pairing.before), after=_lone(pairing.after))
    return _counts(blank, pairing) if rule.kind is Kind.COUNT else _values(blank, pairing)


def _words(pairing: Pairing) -> str:
    kind, _, number = pairing.name.rpartition("_")
    place = next((word for word in ("bank", "cylinder") if kind.endswith(f"_{word}")), None)
    if place is not None:
        return f"{pairing.rule.words.removesuffix(' of one cylinder')}, {place} {number}"
    if pairing.detector in ("monitor_results", "cam_timing"):
        tests = pairing.name.split("_")
        at = tests.index("margin") + 1
        return f"{pairing.rule.words} {'/'.join(tests[at : at + 2])}"
    return pairing.rule.words


def _lone(readings: Sequence[Reading]) -> Side | None:
    if not readings or readings[0].firings:
        return None
    shown = median(r.shown if r.shown is not None else r.value for r in readings)
    return Side(shown, (shown, shown), len(readings), readings[-1].expected)


@dataclass(frozen=True, slots=True)
class _Ends:
    """Harm and limits of a number; `middle` is the best value where both directions harm."""

    harm: Harm
    lower: float | None
    upper: float | None

    @property
    def middle(self) -> float:
        return (self.lower + self.upper) / 2.0 if self.lower is not None and self.upper is not None else 0.0

    def badness(self, level: Level) -> Level:
        """The level so turned that more is worse."""
        if self.harm is Harm.RISE:
            return level
        if self.harm is Harm.FALL:
            return replace(level, mean=-level.mean)
        return replace(level, mean=abs(level.mean - self.middle))

    def room(self, value: float) -> float | None:
        """How far a value is from the nearest limit that harm passes, negative beyond it; None without a limit."""
        ends = []
        if self.upper is not None and self.harm is not Harm.FALL:
            ends.append(self.upper - value)
        if self.lower is not None and self.harm is not Harm.RISE:
            ends.append(value - self.lower)
        return min(ends) if ends else None

    def state(self, interval: tuple[float, float], value: float) -> tuple[bool, bool] | None:
        """Whether a value is in range, and whether its whole interval says the same."""
        room = self.room(value)
        if room is None:
            return None
        rooms = [self.room(end) or 0.0 for end in interval]
        sure = all(r >= 0.0 for r in rooms) if room >= 0.0 else self._wholly_out(interval)
        return room >= 0.0, sure

    def _wholly_out(self, interval: tuple[float, float]) -> bool:
        low, high = interval
        above = self.upper is not None and self.harm is not Harm.FALL and low > self.upper
        return above or (self.lower is not None and self.harm is not Harm.RISE and high < self.lower)


def _level(readings: Sequence[Reading], rule: Rule, ends: _Ends) -> Level:
    """Mean of a side; a fault shows more or less by the drive, so what is far out of range scatters more."""
    values = np.array([r.value for r in readings])
    within = math.sqrt(float(np.mean([r.error**2 for r in readings])))
    beyond = max(0.0, -(ends.room(float(np.mean(values))) or 0.0))
    return level_of(values, math.hypot(rule.scatter, rule.when_bad * beyond), ASSUMED_FREEDOM, within)


def _values(blank: Compared, pairing: Pairing) -> Compared:
    rule, readings = pairing.rule, (*pairing.before, *pairing.after)
    expected = _middle_range([r.expected for r in readings if r.expected is not None])
    lower, upper = rule.limits(expected)
    ends = _Ends(rule.harm, lower, upper)
    before, after = _level(pairing.before, rule, ends), _level(pairing.after, rule, ends)
    plain, harm = difference(before, after), difference(ends.badness(before), ends.badness(after))
    moved = harm.probability <= CHANCE and abs(harm.value) >= LEAST_CHANGE * rule.scatter
    states = ends.state(before.interval(), before.mean), ends.state(after.interval(), after.mean)
    same = sorted(r.value for r in pairing.before) == sorted(r.value for r in pairing.after)
    change = _change(moved, harm.value, states[0], states[1], same)
    return replace(
        blank,
        change=change,
        why=WITHIN if moved and change is Change.UNCHANGED else "",
        before=_side(pairing.before, before, rule),
        after=_side(pairing.after, after, rule),
        difference=plain.value,
        interval=plain.interval,
        probability=harm.probability,
        limits=(lower, upper) if rule.kind is not Kind.POSITION else (None, None),
    )


def _change(
    moved: bool, worse_by: float, before: tuple[bool, bool] | None, after: tuple[bool, bool] | None, same: bool
) -> Change:
    """`before` and `after`: in range, and surely so. Within its range a number may move without being worse."""
    if before is not None and after is not None and before[0] and after[0]:
        return Change.UNCHANGED
    if moved and worse_by > 0.0:
        return Change.WORSE
    if moved:
        came = before is not None and after is not None and not before[0] and after == (True, True)
        return Change.PROVEN if came else Change.BETTER
    if same or before is None or after is None:
        return Change.UNCHANGED
    if before[0] != after[0]:
        return Change.CANNOT_TELL
    return Change.UNCHANGED if before[1] or after[1] else Change.CANNOT_TELL


def _side(readings: Sequence[Reading], level: Level, rule: Rule) -> Side:
    if rule.kind is not Kind.POSITION:
        return Side(level.mean, level.interval(), level.count, _middle_range([r.expected for r in readings]))
    expected = _middle_range([r.expected for r in readings])
    assert expected is not None
    shown = float(np.mean([r.shown for r in readings]))
    half = (expected[1] - expected[0]) / 2.0
    low, high = (shown + (end - level.mean) * half for end in level.interval())
    return Side(shown, (low, high), level.count, expected)


def _middle_range(ranges: Sequence[tuple[float, float] | None]) -> tuple[float, float] | None:
    known = [one for one in ranges if one is not None]
    return (median(one[0] for one in known), median(one[1] for one in known)) if known else None


def _counts(blank: Compared, pairing: Pairing) -> Compared:
    """Compare counts of misfires exactly, shrunk to independent events where they come in clusters."""
    sides = (pairing.before, pairing.after)
    spread = _dispersion(sides)
    (one, fired), (other, fired_after) = (
        (sum(r.value for r in side) / spread, sum(r.firings for r in side)) for side in sides
    )
    rates = compare_rates(one, fired, other, fired_after)
    upper = pairing.rule.upper
    shown = [_rate_side(side, spread) for side in sides]
    moved = _moved(rates)
    states = [
        None
        if upper is None
        else (s.value <= upper, s.interval[1] <= upper if s.value <= upper else s.interval[0] > upper)
        for s in shown
    ]
    same = sorted((r.value, r.firings) for r in sides[0]) == sorted((r.value, r.firings) for r in sides[1])
    change = _change(moved, rates.ratio - 1.0, states[0], states[1], same)
    usual = compare_rates(one * spread / CLUSTERS, fired, other * spread / CLUSTERS, fired_after)
    if change is Change.UNCHANGED and upper is None and _moved(usual):
        change = Change.CANNOT_TELL  # it moved, but the drives of a side differ as much among themselves
    return replace(
        blank,
        change=change,
        why=WITHIN if moved and change is Change.UNCHANGED else "",
        before=shown[0],
        after=shown[1],
        difference=shown[1].value - shown[0].value,
        interval=None,
        probability=rates.probability,
        limits=(None, upper),
    )


def _moved(rates: Rates) -> bool:
    return rates.probability <= CHANCE and not 1.0 / LEAST_RATIO < rates.ratio < LEAST_RATIO


def _dispersion(sides: Sequence[Sequence[Reading]]) -> float:
    """Variance over mean of the counts from drive to drive, at least 1; an assumed one where few drives tell."""
    if sum(len(side) for side in sides) < FEWEST_FOR_DISPERSION + 1:
        return CLUSTERS
    found = []
    for side in sides:
        if len(side) >= 2 and sum(r.value for r in side) > 0.0:
            counts = np.array([[r.value] for r in side])
            found.append((len(side) - 1, float(dispersion_of(counts, np.array([r.firings for r in side]))[0])))
    freedom = sum(n for n, _ in found)
    seen = sum(n * value for n, value in found)
    return max(1.0, (ASSUMED_FREEDOM * CLUSTERS + seen) / (ASSUMED_FREEDOM + freedom))


def _rate_side(readings: Sequence[Reading], spread: float) -> Side:
    """Misfires in percent of the firings, with the exact Poisson interval of the shrunk count."""
    from scipy.special import gammaincinv

    count, firings = sum(r.value for r in readings), sum(r.firings for r in readings)
    events = count / spread
    low = float(gammaincinv(events, 0.025)) if events > 0.0 else 0.0
    high = float(gammaincinv(events + 1.0, 0.975))
    scale = 100.0 * spread / firings
    return Side(100.0 * count / firings, (low * scale, high * scale), len(readings))
