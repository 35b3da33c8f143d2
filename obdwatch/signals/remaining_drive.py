"""What of a wanted drive is still to be done, while it is being driven: wishes already fulfilled go, times shrink."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from obdwatch.signals.coverage import Coverage
from obdwatch.signals.next_drive import (
    CRUISE_WANTED,
    IDLE_WANTED,
    OVERRUN_WANTED,
    NextDrive,
    Step,
    Wish,
)

PULLS_WANTED = 2
"""Pulls at full throttle; what most detectors ask for."""
DRIVE_WANTED = 20.0
"""Minutes of a drive until everything is warm, where nobody asks for a time (common practice)."""
BEFORE = frozenset({Step.FEWER_SIGNALS, Step.STAND_OVERNIGHT, Step.IGNITION_FIRST, Step.WITHOUT_LOAD, Step.AGAIN})
"""What can only be seen to before a drive begins, or on another day."""

EVERYTHING = NextDrive(
    wishes=(
        Wish(Step.DRIVE_WARM, DRIVE_WANTED),
        Wish(Step.STEADY, CRUISE_WANTED),
        Wish(Step.ROLL_OUTS),
        Wish(Step.IDLE, IDLE_WANTED),
    )
)
"""What is worth driving with a car of which nothing is known yet: what most detectors ask for, and nothing risky."""


def remaining(wanted: NextDrive, seen: Coverage) -> NextDrive:
    """Return what is left of a drive of which `seen` has been driven; steps that no signal shows stay.

    >>> wanted = NextDrive(wishes=(Wish(Step.STEADY, 5.0), Wish(Step.ROLL_OUTS)))
    >>> remaining(wanted, Coverage(steady_cruise=130.0)).wishes
    (Wish(step=<Step.STEADY: 5>, minutes=3.0), Wish(step=<Step.ROLL_OUTS: 6>, minutes=None))
    """
    wishes = (_left(wish, seen) for wish in wanted.wishes if wish.step not in BEFORE)
    return replace(wanted, first=(), signals=(), wishes=tuple(wish for wish in wishes if wish is not None))


def for_another_day(wanted: NextDrive, seen: Coverage) -> NextDrive:
    """Return what this drive cannot give any more because it has begun: a cold start that it did not have."""
    missed = {Step.STAND_OVERNIGHT: seen.soaked_cold_start is False, Step.IGNITION_FIRST: not seen.cranking_captured}
    return NextDrive(wishes=tuple(wish for wish in wanted.wishes if missed.get(wish.step, False)))


def _left(wish: Wish, seen: Coverage) -> Wish | None:
    if wish.step in _SECONDS:
        seconds, usual = _SECONDS[wish.step]
        wanted = 60.0 * (wish.minutes or usual)
        left = wanted - getattr(seen, seconds)
        return None if left <= 0.0 else replace(wish, minutes=float(math.ceil(left / 60.0)))
    if wish.step is Step.ROLL_OUTS and seen.overrun >= OVERRUN_WANTED:
        return None
    if wish.step is Step.FULL_THROTTLE and seen.full_throttle_pulls >= PULLS_WANTED:
        return None
    return wish


# Step -> the field of the coverage that counts it [s], and the minutes where nobody asks for a time.
_SECONDS: Mapping[Step, tuple[str, float]] = MappingProxyType(
    {
        Step.DRIVE_WARM: ("duration", DRIVE_WANTED),
        Step.STEADY: ("steady_cruise", CRUISE_WANTED),
        Step.IDLE: ("idle_warm", IDLE_WANTED),
    }
)
