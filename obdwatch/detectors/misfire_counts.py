"""The car's own misfire counters (service 06, monitors A1 to AD) as counts that only rise, at the times they were read.

A car asks its counters one by one, so the readings of one round are joined; a counter that falls was set back, and what
it shows then is new. What stood there before the recording began belongs to no revolutions that were seen.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from math import isfinite

import numpy as np

from obdwatch.decoding.monitors import MISFIRE_AVERAGE, MISFIRE_COUNT, passed
from obdwatch.detectors.results import tests_of
from obdwatch.detectors.sampled import once
from obdwatch.records import Car, Drive, FloatArray, MonitorResult

GENERAL, FIRST, LAST = 0xA1, 0xA2, 0xAD
"""Monitor ids: all cylinders together, cylinder 1, cylinder 12 (SAE J1979)."""

MOST_CYLINDERS = LAST - FIRST + 1
COUNTS = (MISFIRE_AVERAGE, MISFIRE_COUNT)


MOST_PER_SECOND = 9000.0 / 120.0
"""Firings of a cylinder [1/s] at an engine speed that no road car passes; it fires every second turn."""

READ_APART = 10.0 * MOST_PER_SECOND
"""Firings that fit into the seconds by which readings of one round may be apart, at a slow adapter (assumption)."""


@dataclass(frozen=True, slots=True)
class Counters:
    """Misfire counters of one drive.

    `times` [s, n] of the rounds; `counts` [n, cylinders] since the first round, set-backs taken out; `standing`
    [cylinders] what the first round showed; `averages` [cylinders] over ten driving cycles, NaN where not told.
    `by_cylinder` is False where only the sum of all cylinders is known (one column). `failed` are results of these
    monitors beyond the car's own limits.
    """

    times: FloatArray
    counts: FloatArray
    standing: FloatArray
    averages: FloatArray
    cylinders: int | None
    inferred: bool
    by_cylinder: bool
    ran: bool
    failed: tuple[MonitorResult, ...]

    @property
    def total(self) -> FloatArray:
        """Counts of all cylinders together [n]."""
        total: FloatArray = self.counts.sum(axis=1)
        return total


def is_misfire_monitor(result: MonitorResult) -> bool:
    """Whether a result belongs to the misfire monitors."""
    return GENERAL <= result.monitor <= LAST


def read_counters(drive: Drive, car: Car | None) -> Counters | None:
    """Return the counters of the control unit that told most of them, None where the car has none."""
    by_test = _tests(drive)
    if not by_test:
        return None
    present = [monitor for monitor, test in by_test if test == MISFIRE_COUNT and monitor >= FIRST]
    present = present or [monitor for monitor, test in by_test if test == MISFIRE_AVERAGE and monitor >= FIRST]
    cylinders, inferred = _cylinders(car, present, by_test)
    columns = [FIRST + place for place in range(cylinders or 0)] if present else [GENERAL]
    times, shown = _rounds(columns, by_test)
    steps = np.diff(shown, axis=0)
    counts = np.vstack([np.zeros((1, len(columns))), np.cumsum(np.where(steps < 0.0, shown[1:], steps), axis=0)])
    averages = [by_test.get((column, MISFIRE_AVERAGE), ()) for column in columns]
    return Counters(
        times=times,
        counts=counts if len(times) else np.zeros((0, len(columns))),
        standing=shown[0] if len(times) else np.zeros(len(columns)),
        averages=np.array([_number(one[-1]) if one else np.nan for one in averages]),
        cylinders=cylinders,
        inferred=inferred,
        by_cylinder=bool(present),
        ran=any(_has_run(result) for (_, test), told in by_test.items() if test in COUNTS for result in told),
        failed=failed_tests(drive),
    )


def failed_tests(drive: Drive) -> tuple[MonitorResult, ...]:
    """Return the last results of the misfire monitors that lie beyond the car's own limits."""
    return tuple(told[-1] for told in _tests(drive).values() if passed(told[-1]) is False)


def _tests(drive: Drive) -> dict[tuple[int, int], list[MonitorResult]]:
    """Results by monitor and test of the control unit that told most of misfire, none where no unit did; kept."""
    return once(drive, "results of misfire", lambda: _own_tests(drive))


def _own_tests(drive: Drive) -> dict[tuple[int, int], list[MonitorResult]]:
    told: dict[int | None, dict[tuple[int, int], list[MonitorResult]]] = defaultdict(dict)
    for (ecu, monitor, test), results in tests_of(drive).items():
        timed = [result for result in results if isfinite(result.t)] if GENERAL <= monitor <= LAST else []
        if timed:
            told[ecu][monitor, test] = timed
    return max(told.values(), key=lambda tests: sum(map(len, tests.values())), default={})


def _cylinders(
    car: Car | None, present: list[int], by_test: dict[tuple[int, int], list[MonitorResult]]
) -> tuple[int | None, bool]:
    """How many cylinders the engine has, and whether only the monitors say so."""
    known = None
    if car is not None:
        banks = sum(len(bank) for bank in car.bank_cylinders or ())
        known = car.cylinders or len(car.firing_order or ()) or banks or None
    seen = max((monitor - FIRST + 1 for monitor in present), default=0)
    counting = [key[0] - FIRST + 1 for key, found in by_test.items() if key[0] >= FIRST and _number(found[-1]) > 0.0]
    if known is not None and max(counting, default=0) <= known <= MOST_CYLINDERS:
        return known, False
    return (seen or None), True


def _rounds(columns: list[int], by_test: dict[tuple[int, int], list[MonitorResult]]) -> tuple[FloatArray, FloatArray]:
    """Join readings into rounds: a round ends when a counter comes again. A counter left out keeps what it showed."""
    places = {column: place for place, column in enumerate(columns)}
    readings = [(r.t, places[c], _number(r)) for c in columns for r in by_test.get((c, MISFIRE_COUNT), ())]
    rounds: list[tuple[list[float], dict[int, float]]] = []
    for t, place, value in sorted(readings):
        if not rounds or place in rounds[-1][1]:
            rounds.append(([], {}))
        rounds[-1][0].append(t)
        rounds[-1][1][place] = value
    shown = np.full((len(rounds), len(columns)), np.nan)
    for row, (_, values) in enumerate(rounds):
        for place, value in values.items():
            shown[row, place] = value
    at = np.array([sum(times) / len(times) for times, _ in rounds])
    for column in shown.T:
        _strike_out_strays(at, column)
    # Before its first reading a counter showed what it shows then.
    shown = _kept(_kept(shown)[::-1])[::-1]
    return at, np.nan_to_num(shown)


def _strike_out_strays(at: FloatArray, column: FloatArray) -> None:
    """Make NaN of what a counter cannot have counted since it was last read: more than all firings of a fast engine."""
    last = -1
    times, shown = at.tolist(), column.tolist()
    for row in np.flatnonzero(np.isfinite(column)).tolist():
        if last >= 0 and shown[row] - shown[last] > MOST_PER_SECOND * (times[row] - times[last]) + READ_APART:
            column[row] = np.nan
        else:
            last = row


def _kept(shown: FloatArray) -> FloatArray:
    """Fill every gap of a column with the last value above it."""
    last = np.maximum.accumulate(np.where(np.isnan(shown), 0, np.arange(len(shown))[:, None]), axis=0)
    return np.asarray(np.take_along_axis(shown, last, axis=0), dtype=np.float64)


def _number(result: MonitorResult) -> float:
    return float(result.raw[0]) if result.value is None or not isfinite(result.value) else float(result.value)


def _has_run(result: MonitorResult) -> bool:
    """All zero after an erase means not run; a user who gives a count without limits means the count."""
    return result.completed or (result.value is not None and result.minimum is None and result.maximum is None)
