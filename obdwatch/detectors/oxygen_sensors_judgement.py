"""From what one bank's sensor showed to a verdict on it: several witnesses, none of them trusted alone where another
could contradict it.

A mixture fault keeps the exhaust lean after a fuel cut and looks like a slow sensor; but then the rear sensor sees
lean exhaust too, and the front one still switches fast.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.oxygen_sensors_answer import SIGMAS, Answers, after_cuts, behind_rear
from obdwatch.detectors.oxygen_sensors_command import after_commands
from obdwatch.detectors.oxygen_sensors_record import AFTER_CUT, Bank, Cuts, States, pulled
from obdwatch.detectors.oxygen_sensors_switching import SLOWEST_FOR_SWITCHES, Swing, swing
from obdwatch.detectors.sampled import spacing
from obdwatch.physics.order_statistics import median
from obdwatch.records import Drive

SLOW_ANSWER = 1.5
"""From the return of fuel to its being seen [s]. A sound sensor needs a few tenths: gas travel under 0.3 s
(`gas_travel_time`), sensor under 0.5 s (`first_order_time`), wet intake walls another half second (common practice)."""

VERY_SLOW_ANSWER = 3.0
"""Twice that [s]: believed without a second witness, but only as something to watch."""

SLOW_COMMAND, VERY_SLOW_COMMAND = 0.35, 0.7
"""Half-way answer to a commanded step [s] that is slow, and one that is so without another witness. A sound wide-range
sensor needs 0.1 s or so for half a step (`first_order_time` of 0.15 s), the gas at full load a tenth, the fuel a few
strokes (common practice)."""

BEHIND = 0.4
"""By how much the front sensor may come after the rear one [s]: not at all, but sensors differ in their thresholds;
the time a sound sensor needs for a switch, with a margin (common practice: under 0.1 s)."""

FAR_BEHIND = 2.0 * BEHIND
"""So far behind the rear sensor [s] the front one is slow, however soon after the cut."""

SLOW_SWITCH = 0.2
"""Time from 0.3 to 0.6 V or back [s]; a sound sensor needs less than 0.1 s from 0.175 to 0.8 V (common practice)."""

RESOLVED_SWITCH = 1.2
"""In sample spacings: a mean switch shorter than this may be one that fell between samples."""

WEAK_RICH, WEAK_LEAN = 0.6, 0.3
"""Rich peaks below, or lean valleys above, are weak [V] (common practice: above 0.6 to 0.7, below 0.2 to 0.3)."""

FLAT = 0.1
"""Less between the ends at cruise than this is no swing at all [V]: a twentieth of what a sound sensor makes is noise,
an eighth is not (common practice: 0.1 to 0.9 V)."""

TRIM_AT_END = 15.0
"""Total trim with which a stuck sensor has led the mixture astray [%]; codes come near 20 to 25 % (from memory)."""

FEW_EVENTS = 3
"""Fewer events say nothing: one may be a gear change."""

MISSED_SWINGS = 2.0
"""Readings of a sound switching sensor that may be lean by chance before one is rich: half of them are."""

SLOWEST_SAMPLING = 4.0
"""Spacing of sensor readings [s] beyond which even twenty fuel cuts place an answer no better than half a second."""


@dataclass(frozen=True, slots=True)
class BankView:
    """Everything seen of one bank's front sensor, and what it comes to.

    `signature` names a fault, `cleared` says that the drive shows a sound sensor, `missing` what was missing for
    either; `lean_after_cuts` that the exhaust stays lean after cuts, but not by the sensor's fault.
    """

    bank: Bank
    answers: Answers
    behind: Answers
    commands: Answers
    swing: Swing | None
    trim: float | None
    signature: str = ""
    cleared: bool = False
    lean_after_cuts: bool = False
    missing: str = ""
    confidence: float = 0.0


def judge_bank(drive: Drive, bank: Bank, cuts: Cuts, states: States) -> BankView:
    """Return what a drive says of one bank's sensor."""
    answers, behind = after_cuts(bank, cuts), behind_rear(bank)
    commands = after_commands(bank, drive.signals.get("commanded_equivalence_ratio"))
    taken = states.take(bank.front, AFTER_CUT)
    seen = None if bank.wide_range else swing(bank.front, taken)
    trim = _trim(drive, bank.number, states)
    parts = (bank, answers, behind, commands, seen, trim)
    if spacing(bank.front) > SLOWEST_SAMPLING:
        return BankView(*parts, missing="sampling_too_slow")
    stuck = _stuck(seen, trim)
    if stuck:
        return BankView(*parts, signature=stuck, confidence=0.85)
    missed = _missed_swings(bank)
    late, on_time = _side(answers, SLOW_ANSWER, missed)
    after, before = _side(behind, BEHIND, missed)
    # Slow sampling catches the front sensor lean more often where it happens to be late: only certain lateness counts.
    after = after and median(behind.low) > 0.0
    switch_slow, switch_fast = _switch(bank, seen)
    lags, follows = _side(commands, SLOW_COMMAND, 0.0)
    witness = switch_slow or lags
    if (after and (late or witness)) or (late and witness and not before):
        return BankView(*parts, signature="slow_response", confidence=0.95)
    far_behind = after and _side(behind, FAR_BEHIND, missed)[0]
    if far_behind or (after and not on_time):
        return BankView(*parts, signature="slow_response", confidence=0.8)
    alone = _side(answers, VERY_SLOW_ANSWER, missed)[0] and not before and not switch_fast
    alone &= (bank.rear is None or len(behind) < FEW_EVENTS) and not mixture_off(trim)
    if alone and _side(after_cuts(bank, pulled(drive, cuts)), VERY_SLOW_ANSWER, missed)[0]:
        return BankView(*parts, signature="slow_after_cuts", confidence=0.6)
    if _side(commands, VERY_SLOW_COMMAND, 0.0)[0] and not on_time and not before:
        return BankView(*parts, signature="slow_response", confidence=0.7)
    if seen is not None and _weak(seen):
        return BankView(*parts, signature="weak_swing", confidence=0.7)
    if on_time or (before and not witness) or (switch_fast and _full(seen)) or (follows and not late):
        # The sensor is right and the exhaust really stays lean: a matter for the trims.
        lean = len(answers) >= FEW_EVENTS and answers.middle()[0] > SLOW_ANSWER
        return BankView(*parts, cleared=True, lean_after_cuts=lean)
    return BankView(*parts, missing=_missing(bank, answers, seen))


def _missed_swings(bank: Bank) -> float:
    """Return by how much slow sampling can delay what a switching sensor says [s]: each reading may be a lean half."""
    usual = spacing(bank.front)
    return 0.0 if bank.wide_range or usual <= SLOWEST_FOR_SWITCHES else MISSED_SWINGS * usual


def _side(answers: Answers, limit: float, missed: float) -> tuple[bool, bool]:
    """Return whether typical answers are surely above a limit, readings `missed` allowed for, and surely below it."""
    if len(answers) < FEW_EVENTS:
        return False, False
    typical, error = answers.middle()
    return typical - SIGMAS * error > limit + missed, typical + SIGMAS * error < limit


def _switch(bank: Bank, seen: Swing | None) -> tuple[bool, bool]:
    if seen is None or seen.switch_time is None:
        return False, False
    slow = seen.switch_time > max(SLOW_SWITCH, RESOLVED_SWITCH * spacing(bank.front))
    return slow, seen.switch_time < SLOW_SWITCH


def _full(seen: Swing | None) -> bool:
    return seen is not None and seen.rich >= WEAK_RICH and seen.lean <= WEAK_LEAN


def _weak(seen: Swing) -> bool:
    swings = seen.crossings >= FEW_EVENTS * 4 and seen.rich - seen.lean >= FLAT
    return swings and (seen.rich < WEAK_RICH or seen.lean > WEAK_LEAN)


def _stuck(seen: Swing | None, trim: float | None) -> str:
    """A sensor that does not move at cruise, and by that has led the trims to their end the other way."""
    if seen is None or trim is None or seen.rich - seen.lean >= FLAT:
        return ""
    if seen.rich < WEAK_LEAN and trim >= TRIM_AT_END:
        return "stuck_lean"
    return "stuck_rich" if seen.lean > WEAK_RICH and trim <= -TRIM_AT_END else ""


def mixture_off(trim: float | None) -> bool:
    """Whether the mixture strays so far that after a cut the exhaust stays lean or rich by itself."""
    return trim is not None and abs(trim) >= TRIM_AT_END


def _trim(drive: Drive, bank: int, states: States) -> float | None:
    """Return the median total trim at cruise [%], None where the drive has no short trim of the bank."""
    total = 0.0
    for kind in ("short", "long"):
        signal = drive.signals.get(f"{kind}_term_fuel_trim_bank_{bank}")
        if signal is None or not len(signal.times):
            if kind == "short":
                return None
            continue
        values = signal.values[states.take(signal, AFTER_CUT) & np.isfinite(signal.values)]
        if len(values) < 3:
            return None
        total += median(values)
    return total


def _missing(bank: Bank, answers: Answers, seen: Swing | None) -> str:
    if seen is not None and seen.rich - seen.lean < FLAT:
        return "no_swing"
    if len(answers) >= FEW_EVENTS or seen is not None:
        return "undecided"
    return "too_few_cuts"
