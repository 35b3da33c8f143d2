"""The door before the detectors: readings stand in the order of time, and numbers that measure nothing are left out.

Recordings and imports are in order when they are loaded. A drive that is put together elsewhere, or whose clock jumped,
is judged on the part that hangs together, and says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import isfinite

import numpy as np

from obdwatch.records import BoolArray, Drive, MonitorResult, Signal

LARGEST = 1e9
"""No quantity of SAE J1979 reaches this number; the largest is an odometer of 4.3e8 km."""

LONGEST_GAP = 43_200.0
"""Silence of every signal [s], twelve hours, after which what follows is another drive or a clock that jumped."""

MOST_JUMPS = 3
"""Steps back in time that are single jumps of a clock; more of them are rows in no order, and are sorted."""

NO_NUMBERS = "Readings with an impossible time or number were left out."
UNSORTED = "The readings were not in the order of time and were sorted."
CLOCK_BACK = "The clock jumped back during the recording: only the longest part with one clock was judged."
FAR_APART = "The recording has a gap of more than twelve hours: only the longest part was judged."


def orderly(drive: Drive) -> Drive:
    """Return the drive itself where all is in order, else what of it hangs together, with a problem told for each."""
    if not _all_tell(drive.monitors):
        results = tuple(result for result in drive.monitors if _all_tell((result,)))
        drive = replace(drive, monitors=results, problems=(*drive.problems, NO_NUMBERS))
    if not all(_in_order(signal) for signal in drive.signals.values()):
        drive = _put_in_order(drive)
    ends = [(signal.times[0], signal.times[-1]) for signal in drive.signals.values() if len(signal.times)]
    if ends and max(last for _, last in ends) - min(first for first, _ in ends) > LONGEST_GAP:
        return _longest_part(drive)
    return drive


def _all_tell(results: Sequence[MonitorResult]) -> bool:
    """Whether no time and no number of these results is impossible; many come again, and each is looked at once."""
    numbers: set[float | None] = {result.t for result in results}
    numbers.update([result.value for result in results])
    numbers.update([result.minimum for result in results])
    numbers.update([result.maximum for result in results])
    return all(number is None or isfinite(number) for number in numbers)


def _in_order(signal: Signal) -> bool:
    times, values = signal.times, signal.values
    if not len(times):
        return True
    rising = bool((times[1:] >= times[:-1]).all()) and isfinite(times[0]) and isfinite(times[-1])
    return rising and values.max() <= LARGEST and values.min() >= -LARGEST


def _put_in_order(drive: Drive) -> Drive:
    signals, problems = {}, list(drive.problems)
    for key, signal in drive.signals.items():
        known = np.isfinite(signal.times) & ~np.isnan(signal.values)
        good = known & (np.abs(np.nan_to_num(signal.values)) <= LARGEST)
        if np.count_nonzero(good) < np.count_nonzero(~np.isnan(signal.values)):
            problems.append(NO_NUMBERS)
        signals[key] = _taken(signal, good)
    back = {key: np.cumsum(np.diff(one.times, prepend=-np.inf) < 0.0) for key, one in signals.items()}
    jumps = max((int(one[-1]) for one in back.values() if len(one)), default=0)
    if 0 < jumps <= MOST_JUMPS:
        sizes = sum(np.bincount(one, minlength=MOST_JUMPS + 1) for one in back.values())
        part = int(np.argmax(sizes))
        signals = {key: _taken(one, back[key] == part) for key, one in signals.items()}
        problems.append(CLOCK_BACK)
    elif jumps:
        signals = {key: _sorted(one) for key, one in signals.items()}
        problems.append(UNSORTED)
    return replace(drive, signals=signals, problems=tuple(dict.fromkeys(problems)))


def _longest_part(drive: Drive) -> Drive:
    """Keep the part between two long silences that holds most readings, whatever else was read then."""
    every = np.sort(np.concatenate([signal.times for signal in drive.signals.values()]))
    edges = np.flatnonzero(np.diff(every) > LONGEST_GAP) + 1
    if not len(edges):
        return drive
    parts = np.split(every, edges)
    longest = max(parts, key=len)
    first, last = float(longest[0]), float(longest[-1])
    signals: Mapping[str, Signal] = {
        key: _taken(one, (one.times >= first) & (one.times <= last)) for key, one in drive.signals.items()
    }
    # What is read at the end of a drive comes after its last signal.
    until = min((float(part[0]) for part in parts if part[0] > last), default=np.inf)
    after = max((float(part[-1]) for part in parts if part[-1] < first), default=-np.inf)
    return replace(
        drive,
        signals=signals,
        codes=tuple(one for one in drive.codes if after < one.t < until),
        monitors=tuple(one for one in drive.monitors if after < one.t < until),
        problems=(*drive.problems, FAR_APART),
    )


def _taken(signal: Signal, where: BoolArray) -> Signal:
    return Signal(signal.key, signal.unit, signal.times[where], signal.values[where], signal.ecu)


def _sorted(signal: Signal) -> Signal:
    order = np.argsort(signal.times, kind="stable")
    return Signal(signal.key, signal.unit, signal.times[order], signal.values[order], signal.ecu)
