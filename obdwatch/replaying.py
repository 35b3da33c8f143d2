"""Feeds a saved session through the pipeline as if it were being driven again, at any speed or at once."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from obdwatch.analysis import Analysis, KnownDrive, analyse_drive
from obdwatch.clock import Clock, SystemClock
from obdwatch.errors import InputError
from obdwatch.records import Finding
from obdwatch.signals.alignment import span
from obdwatch.signals.excerpts import until

LOOK_EVERY = 30.0  # s of the drive between two looks; no detector has a faster opinion of a wear part


@dataclass(frozen=True, slots=True)
class Moment:
    """What was known at `t` [s] of the drive; `changed` are the findings that say something new."""

    t: float
    analysis: Analysis
    changed: tuple[Finding, ...]


def play(known: KnownDrive, speed: float | None = None, clock: Clock | None = None) -> Iterator[Moment]:
    """Yield what is known every half minute of the drive, waiting as `speed` says; None judges it once, at its end.

    Raises InputError for a speed that is no positive number.
    """
    if speed is not None and not (math.isfinite(speed) and speed > 0):
        raise InputError(f"speed {speed:g}: must be a number above zero, such as 1 or 10")
    return _moments(known, speed, clock or SystemClock())


def _moments(known: KnownDrive, speed: float | None, clock: Clock) -> Iterator[Moment]:
    drive = known.drive
    start, end = span(drive) or (0.0, 0.0)
    said: Mapping[str, Finding] = {}
    t = end if speed is None else min(start + LOOK_EVERY, end)
    waited_until = start
    while True:
        if speed is not None:
            clock.sleep((t - waited_until) / speed)
            waited_until = t
        analysis = analyse_drive(until(drive, t) if t < end else drive, known.car, known.history)
        yield Moment(t, analysis, tuple(f for f in analysis.findings if _is_news(f, said.get(f.detector))))
        said = {finding.detector: finding for finding in analysis.findings}
        if t >= end:
            return
        t = min(t + LOOK_EVERY, end)


def _is_news(finding: Finding, before: Finding | None) -> bool:
    if before is None:
        return True
    return (finding.verdict, finding.signature, finding.urgency) != (before.verdict, before.signature, before.urgency)
