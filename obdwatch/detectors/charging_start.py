"""How soon the alternator takes over after a start, and what this car's own starts lead to expect of it.

In no other moment of a drive does the engine speed up as it does when it fires, just when the battery wants back what
the starter took: a worn or loose belt slips and chirps then first (common practice). How soon a sound system takes over
differs from car to car, so it is judged against the car's own starts alone, and only where they were all prompt: a
regulator that lets the alternator come in slowly on purpose hides the belt.
"""

from __future__ import annotations

import numpy as np

from obdwatch.detectors import cranking_record
from obdwatch.detectors.cranking_past import KEY_ON_DROP
from obdwatch.detectors.sampled import readings
from obdwatch.physics.charging import rises_through
from obdwatch.physics.cranking import resting_charge
from obdwatch.physics.prediction import Norm, predict
from obdwatch.records import Drive, Signal

RUNS = 1000.0
"""The engine turns by itself [1/min]: well above any starter, and passed at every start on the way to a fast idle."""

ABOVE_REST = 0.6
"""So much [V] above the battery at rest the alternator carries the consumers and charges: six cells that are charged
polarise by 0.1 V each within a moment (common practice), whatever the battery's charge."""

LEAST_CHARGE = 50.0
"""Below it [%] a battery takes whatever the alternator can give at that speed, and the delay is the battery's (common
practice: a flat battery is charged with all an alternator has)."""

LOOKED_AT = 10.0
"""So long [s] after the engine runs; later it is the load and not the belt."""

LONGEST_STEP = 0.2
"""Readings farther apart [s], one reply lost of those that come twelve times a second, do not show a short delay."""

PROMPT = 0.5
"""A sound alternator that is not held back follows the engine within so much [s]: its field needs 0.1 to 0.2 s, while
regulators that come in slowly on purpose take 2 to 10 s (common practice)."""

ALIKE = 10.0
"""Starts in outside air within so much [K] are compared: cold makes the oil thick and switches heaters
on, heat the air conditioning."""

FEWEST_STARTS = 2

USUAL_DELAY = Norm(level=0.25, between=0.2, within=0.025)
"""Delay [s]. One car's scatter: the time of a reading is known to half a reply, some 10 ms, and between readings 0.08 s
apart the curve bends by as much again, both for speed and for voltage; the engine speeds up a little otherwise each
time."""

CHANCE = 2.5e-3
"""Chance that a sound start is called late: a little more than elsewhere, as a look at a belt costs a glance."""

LEAST_LATER = 0.08
"""Later by less [s] is within one step of the readings."""


def delay(drive: Drive, source: str) -> float | None:
    """Return how long after the engine turned by itself the voltage stood above rest [s], None where it is not seen."""
    start = cranking_record.prepare(drive)
    speed = readings(drive, "engine_speed")
    volts = readings(drive, source)
    if isinstance(start, str) or speed is None or volts is None or not start.fired:
        return None
    if start.resting is None or start.source != source or resting_charge(start.resting + KEY_ON_DROP) < LEAST_CHARGE:
        return None
    runs = _rise(speed, start.end, RUNS)
    charges = _rise(volts, start.end, start.resting + ABOVE_REST)
    return None if runs is None or charges is None else charges - runs


def _rise(signal: Signal, fired: float, level: float) -> float | None:
    first, last = np.searchsorted(signal.times, [fired - LONGEST_STEP, fired + LOOKED_AT])
    return rises_through(signal.times[first:last], signal.values[first:last], level, LONGEST_STEP)


def latest_usual(air: float, earlier: list[tuple[float, float]]) -> tuple[float, int] | None:
    """Return the latest delay that is usual [s], and from how many starts; None without a past.

    `earlier`: outside air [degC] and delay [s] of each earlier start.
    """
    alike = [late for at, late in earlier if abs(at - air) <= ALIKE]
    if len(alike) < FEWEST_STARTS or max(alike) > PROMPT:
        return None
    usual = predict(USUAL_DELAY, np.zeros(len(alike)), np.array(alike))
    return usual.middle + max(LEAST_LATER, usual.limit(CHANCE)), usual.readings
