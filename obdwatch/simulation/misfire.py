"""Misfire of the virtual engine, cylinder by cylinder: why a charge does not burn, and how often it did not.

Chances are per combustion, fillings relative to 1.184 g/L, air ratios lambda.
"""

from __future__ import annotations

import math

from obdwatch.simulation.curves import Chance, clip
from obdwatch.simulation.faults import Effects
from obdwatch.simulation.layouts import Layout

SOUND = 1.5e-5  # chance of a sound engine (common practice: a handful of counts per drive)
LEAN_LIMIT = 1.36  # lambda at which half of the charges no longer burn (common practice 1.3 to 1.5)
RESIDUAL_LIMIT = 0.27  # share of exhaust gas in the charge at which half no longer burn
SEEP_TIME = 75.0  # s until coolant that seeped in overnight has burnt off
SEEP_SOAK = 3.0  # h of standing that lets it seep in
MOOD_SPREAD, MOOD_TIME = 0.6, 6.0  # misfires come in bursts: spread of the log of the chance, and how long it lasts [s]
DETECTED = 0.96  # share of misfires that the crankshaft sensor notices
FALSE_COUNTS = 2.0e-6  # per combustion: rough road taken for misfire


def _logistic(x: float) -> float:
    return 1.0 / (1.0 + math.exp(-clip(x, -40.0, 40.0)))


class Misfire:
    """Chance, events and counts per cylinder; `missing` is the share of charges that did not burn lately."""

    __slots__ = (
        "_chance",
        "_due",
        "_layout",
        "_mood",
        "_partner",
        "_seeped",
        "_shared",
        "blocks",
        "counts",
        "missing",
        "true",
    )

    def __init__(self, layout: Layout, soak_hours: float, chance: Chance) -> None:
        self._layout, self._chance = layout, chance
        self._seeped = clip(soak_hours / SEEP_SOAK, 0.0, 1.0)
        self._shared = layout.ignition == "shared_coils"
        self._partner = _partners(layout.firing_order)
        self._mood = [0.0] * layout.cylinders
        self._due = [0.0] * layout.cylinders
        self.counts = [0] * layout.cylinders  # what the control unit counted this drive
        self.true = [0] * layout.cylinders
        self.blocks = [0] * layout.cylinders  # counted since the last look of the monitor
        self.missing = [0.0] * layout.cylinders

    def forget(self) -> None:
        """Start counting anew, as after an erase."""
        self.counts = [0] * self._layout.cylinders
        self.blocks = [0] * self._layout.cylinders

    def step(
        self, dt: float, speed: float, filling: float, lambdas: list[float], residual: float, coolant: float,
        since_start: float, burning: bool, effects: Effects,
    ) -> None:  # fmt: skip
        """Advance by `dt` [s]; `burning` is False while fuel is cut or the engine stands."""
        firings = speed / 120.0 * dt if burning else 0.0
        common = self._common(filling, residual, effects)
        for cylinder in range(self._layout.cylinders):
            kick = MOOD_SPREAD * self._chance.normal() * math.sqrt(2.0 * dt / MOOD_TIME)
            self._mood[cylinder] += kick - self._mood[cylinder] * dt / MOOD_TIME
            chance = common + self._own(cylinder, filling, lambdas, coolant, since_start, effects)
            self._draw(cylinder, firings, chance * math.exp(self._mood[cylinder] - 0.5 * MOOD_SPREAD**2))

    def _common(self, filling: float, residual: float, effects: Effects) -> float:
        """Return the chance that every cylinder shares: worn plugs under load, too much residual gas."""
        wear = effects.plug_wear
        plugs = 0.10 * wear**2 * _logistic((filling - (1.12 - 0.62 * wear)) / 0.07)
        return SOUND + plugs + 0.5 * _logistic((residual - RESIDUAL_LIMIT) / 0.011) * (residual > 0.12)

    def _own(
        self, cylinder: int, filling: float, lambdas: list[float], coolant: float, since_start: float, effects: Effects
    ) -> float:
        """Return what one cylinder adds: its coil, its injector, what seeped through the gasket."""
        wear = effects.coil_wear[cylinder]
        if self._shared:
            wear = max(wear, 0.8 * effects.coil_wear[self._partner[cylinder]])
        hot = 0.22 * clip((coolant - 50.0) / 40.0, 0.0, 1.0)
        chance = 0.55 * wear**1.5 * _logistic((filling + hot - (1.25 - 0.85 * wear)) / 0.09) if wear > 0.0 else 0.0
        own_lambda = lambdas[self._layout.bank_of(cylinder + 1)] / (1.0 - effects.injector_loss[cylinder])
        if own_lambda > 1.1:
            chance += 0.7 * _logistic((own_lambda - LEAN_LIMIT) / 0.028)
        seep = effects.gasket_seep[cylinder]
        if seep > 0.0:
            wet = self._seeped * math.exp(-since_start / SEEP_TIME)
            chance += seep * (0.5 * wet + 0.004 * seep * clip(filling - 0.5, 0.0, 1.0))
        return chance

    def _draw(self, cylinder: int, firings: float, chance: float) -> None:
        """Throw the dice for the combustions of this step."""
        dice, noise = self._chance.uniform(), self._chance.uniform()
        self._due[cylinder] += firings
        combustions = int(self._due[cylinder])
        self._due[cylinder] -= combustions
        missed = _binomial(combustions, min(chance, 0.98), dice)
        seen = missed if noise < DETECTED else 0
        seen += noise < firings * FALSE_COUNTS
        self.true[cylinder] += missed
        self.counts[cylinder] += seen
        self.blocks[cylinder] += seen
        share = min(1.0, missed / firings) if firings > 0.0 else 0.0
        self.missing[cylinder] += (share - self.missing[cylinder]) * 0.5


def _binomial(trials: int, chance: float, dice: float) -> int:
    """Return how many of `trials` came true, by the inverse of the binomial distribution at `dice`."""
    probability: float = (1.0 - chance) ** trials
    reached, hits = probability, 0
    while dice > reached and hits < trials:
        probability *= (trials - hits) / (hits + 1.0) * chance / (1.0 - chance)
        hits += 1
        reached += probability
    return hits


def _partners(order: tuple[int, ...]) -> list[int]:
    """Return for each cylinder (from zero) the one that fires half a cycle later, on the same shared coil."""
    half = len(order) // 2
    partner = [0] * len(order)
    for place, cylinder in enumerate(order):
        partner[cylinder - 1] = order[(place + half) % len(order)] - 1
    return partner


def misfire_percent(counts: int, revolutions: float, cylinders: int) -> float:
    """Misfires as a share of the combustions of a four-stroke engine [%] (40 CFR 86.010-18(h)(2)).

    >>> misfire_percent(20, 200, 4)
    5.0
    """
    return 100.0 * counts / (revolutions * cylinders / 2.0)


def ten_drive_average(previous: float, counts: int) -> float:
    """The average over ten drives that service 06 test 0B reports: 0.1 times current plus 0.9 times previous.

    >>> round(ten_drive_average(1.08, 30), 3)
    3.972
    """
    return 0.1 * counts + 0.9 * previous
