"""How a wide-range sensor follows the mixture that the engine control commands, at the begin and end of enrichment.

At full load the exhaust is dense and fast and the sensor hot, so little but its own slowness lies between command and
answer. Both lie between two readings, as after a fuel cut.
"""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.oxygen_sensors_answer import FEW_SAMPLES, Answers, answers_of
from obdwatch.detectors.oxygen_sensors_record import LEAN_RATIO, Bank
from obdwatch.detectors.sampled import spacing
from obdwatch.records import Signal

RICH_COMMAND, EVEN_COMMAND = 0.94, 0.98
"""Commanded equivalence ratio (lambda) that is clearly an enrichment, and one that is clearly none (common practice:
0.85 to 0.92 at full load; purge and correction stay within two percent)."""

QUICK_STEP = 1.5
"""Longest time a step of the command may take [s]: a slow ramp tells no delay."""

HELD = 1.5
"""Time the command must then stay [s], so that the answer belongs to it."""

LONGEST_WAIT = 6.0
"""Time after the step within which an answer belongs to it [s]."""


def after_commands(bank: Bank, commanded: Signal | None) -> Answers:
    """Return the times [s] from a step of the command until the sensor has gone half the way."""
    if commanded is None or not bank.wide_range:
        return answers_of([])
    good = np.isfinite(commanded.values) & np.isfinite(commanded.times)
    times, values = commanded.times[good], commanded.values[good]
    state = np.where(values <= RICH_COMMAND, -1, np.where(values >= EVEN_COMMAND, 1, 0))
    told = np.flatnonzero(state)
    steps = np.flatnonzero(state[told[1:]] != state[told[:-1]])
    front, longest = bank.front, FEW_SAMPLES * spacing(bank.front)
    rows = []
    for number, step in enumerate(steps):
        before, after = told[step], told[step + 1]
        ends = times[told[steps[number + 1] + 1]] if number + 1 < len(steps) else times[-1]
        if times[after] - times[before] > QUICK_STEP or ends - times[after] < HELD:
            continue
        half = (values[before] + values[after]) / 2.0
        first = int(np.searchsorted(front.times, times[before], side="right")) - 1
        last = int(np.searchsorted(front.times, min(times[after] + LONGEST_WAIT, ends)))
        if first < 0 or (front.values[first:last] >= LEAN_RATIO).any():
            continue  # a fuel cut came between
        richer = state[after] < 0
        passed = np.flatnonzero(front.values[first:last] <= half if richer else front.values[first:last] >= half)
        if not len(passed) or passed[0] == 0:
            continue
        there = first + int(passed[0])
        if front.times[there] - front.times[there - 1] <= longest:
            rows.append((front.times[there - 1] - times[after], front.times[there] - times[before], times[after]))
    return answers_of(rows)
