"""One drive that answers what several detectors still ask for: their wishes taken apart, merged and put in order.

A detector words its wish for people. Here each clause is recognised by what it speaks of, so that five wishes for a
cold start become one; what is not recognised is kept as it was said and never dropped.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import IntEnum

from obdwatch.records import Finding, Verdict
from obdwatch.signals.coverage import Coverage

IDLE_WANTED, CRUISE_WANTED = 2.0, 5.0  # min; what most detectors ask for
OVERRUN_WANTED = 10.0  # s; a few roll-outs


class Step(IntEnum):
    """What to do, in the order in which a drive does it."""

    FEWER_SIGNALS = 0
    STAND_OVERNIGHT = 1
    IGNITION_FIRST = 2
    WITHOUT_LOAD = 3
    DRIVE_WARM = 4
    STEADY = 5
    ROLL_OUTS = 6
    BRISK = 7
    FULL_THROTTLE = 8
    IDLE = 9
    CONSUMERS_OFF = 10
    UNTIL_FAN = 11
    READ_RESULTS = 12
    READ_CODES = 13
    AGAIN = 14


@dataclass(frozen=True, slots=True)
class Wish:
    """A step and for how long [min], None where nobody says."""

    step: Step
    minutes: float | None = None


@dataclass(frozen=True, slots=True)
class NextDrive:
    """The next drive: what to see to before it, which signals to record, what to do in order, and other wishes."""

    first: tuple[str, ...] = ()
    signals: tuple[str, ...] = ()
    wishes: tuple[Wish, ...] = ()
    others: tuple[str, ...] = ()


TIMED = frozenset({Step.DRIVE_WARM, Step.STEADY, Step.IDLE})  # a time in a clause is that of the drive, else of these

# What a clause speaks of. The first group is looked for in every clause; several may fit.
SIGNS: tuple[tuple[Step, re.Pattern[str]], ...] = tuple(
    (step, re.compile(pattern, re.IGNORECASE))
    for step, pattern in (
        (Step.FEWER_SIGNALS, r"fewer (parameters|signals)|few (other )?parameters"),
        (Step.STAND_OVERNIGHT, r"overnight|cold start|night's stand|eight hours|hours' stand"),
        (Step.IGNITION_FIRST, r"ignition on|before the engine|turn the key"),
        (Step.WITHOUT_LOAD, r"without (a )?trailer"),
        (
            Step.DRIVE_WARM,
            r"drive \d+ minutes|\d+ minutes of driving|drive (warm )?for|gauge has stood",
        ),
        (
            Step.DRIVE_WARM,
            r"drive (of at least|on until)|minutes in town|record a drive\b|until the engine is warm|minutes or more",
        ),
        (Step.STEADY, r"steady \d+|at a steady|steady driving"),
        (Step.ROLL_OUTS, r"(?<!without )(?<!without long )(roll-outs|rolling stops|on overrun)"),
        (Step.BRISK, r"brisk acceleration|hills or|full acceleration|and acceleration|pull steadily"),
        (Step.FULL_THROTTLE, r"full[ -]throttle|red line"),
        (Step.IDLE, r"\bidle for|engine idle|warm idle|with idling|minutes? idle"),
        (Step.CONSUMERS_OFF, r"switch off (window|lights|heaters)|hold 2,000 rpm"),
        (Step.UNTIL_FAN, r"fan has started"),
        (Step.READ_RESULTS, r"service 06|monitor results|test results|read the results|counters at the end"),
        (Step.READ_CODES, r"trouble codes"),
        (Step.AGAIN, r"from time to time|on each of|weather like"),
    )
)
BEFORE = re.compile(
    r"^(?!if\b).*(\bchecked\b|^cure |put the .* right|workshop|look up whether|use an adapter|with an adapter)",
    re.IGNORECASE,
)
NOTHING = re.compile(r"^nothing\b", re.IGNORECASE)
RECORDED = re.compile(r"\b(record|recorded|offer|reports?|read)\b", re.IGNORECASE)
CLAUSES = re.compile(
    r"[;:.]\s+|[;:.]$|, then |, (?=with ten minutes|hold\b|\d+ at a steady)"
    r"|,? and (?=drive\b|record\b|look up|start\b|(?:two|five|ten) minutes)"
)
MINUTES = re.compile(r"(\d+|two|five|ten|fifteen|twenty)(?: to (\d+))?(?: minutes?\b| at a steady)", re.IGNORECASE)
NUMBER = {"two": 2.0, "five": 5.0, "ten": 10.0, "fifteen": 15.0, "twenty": 20.0}

# Names of signals as detectors say them; the words to look for.
SIGNALS: tuple[tuple[str, re.Pattern[str]], ...] = tuple(
    (name, re.compile(pattern, re.IGNORECASE))
    for name, pattern in (
        ("coolant temperature", r"coolant temperature(?! sensor)"),
        ("engine speed", r"engine speed"),
        ("vehicle speed", r"vehicle speed"),
        ("air flow or manifold pressure", r"air flow|manifold pressure"),
        ("engine load", r"(absolute|calculated|engine) load|\bload\b"),
        ("throttle position", r"throttle position"),
        ("outside or intake air temperature", r"intake air temperature"),
        ("fuel trims of each bank", r"fuel trims?\b"),
        ("fuel system status", r"fuel system status"),
        ("oxygen sensors", r"oxygen sensors?\b"),
        ("ignition advance", r"ignition advance"),
        ("misfire counters", r"misfire counters"),
        ("control module or adapter voltage", r"\bvoltage\b"),
    )
)


def standing(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return one finding a detector: the newest that tells something, else the newest; `findings` oldest first."""
    latest: dict[str, Finding] = {}
    for finding in findings:
        known = latest.get(finding.detector)
        silent = finding.verdict is Verdict.NOT_ENOUGH_DATA
        if known is None or not silent or known.verdict is Verdict.NOT_ENOUGH_DATA:
            latest[finding.detector] = finding
    return tuple(latest.values())


def next_drive(findings: Sequence[Finding], seen: Coverage | None = None) -> NextDrive:
    """Merge what detectors that could not tell ask for into one drive; empty where nothing is asked.

    `findings` oldest first, of one drive or several; `seen` is what the newest drive showed, and adds the states it
    lacked while any detector is undecided.
    """
    texts = [f.drive_to_get for f in standing(findings) if f.verdict is Verdict.NOT_ENOUGH_DATA and f.drive_to_get]
    merged = _merged(text for text in texts if not NOTHING.match(text))
    return _with_lacking(merged, seen) if seen is not None and texts else merged


def _merged(texts: Iterable[str]) -> NextDrive:
    first: list[str] = []
    signals: set[str] = set()
    others: list[str] = []
    minutes: dict[Step, float | None] = {}
    for text in texts:
        known = False
        for clause in (part.strip() for part in CLAUSES.split(text) if part and part.strip()):
            if BEFORE.search(clause):
                first.append(clause)
                known = True
                continue
            steps = [step for step, pattern in SIGNS if pattern.search(clause)]
            if Step.CONSUMERS_OFF in steps:  # done standing, whatever else the clause allows
                steps = [Step.CONSUMERS_OFF]
            timed = Step.DRIVE_WARM if Step.DRIVE_WARM in steps else None
            for step in steps:
                lasting = step in TIMED and timed in (None, step)
                minutes[step] = _longer(minutes.get(step), _minutes(clause) if lasting else None)
            named = {name for name, pattern in SIGNALS if pattern.search(clause)} if RECORDED.search(clause) else set()
            signals |= named
            known = known or bool(steps or named)
        if not known:
            others.append(text)
    ordered = tuple(name for name, _ in SIGNALS if name in signals)
    wishes = tuple(Wish(step, minutes[step]) for step in sorted(minutes))
    return NextDrive(tuple(dict.fromkeys(first)), ordered, wishes, tuple(dict.fromkeys(others)))


def _minutes(clause: str) -> float | None:
    """The longest time a clause speaks of [min]."""
    found = [last or one for one, last in MINUTES.findall(clause)]
    return max((NUMBER.get(text.lower()) or float(text) for text in found), default=None)


def _longer(one: float | None, other: float | None) -> float | None:
    known = [value for value in (one, other) if value is not None]
    return max(known, default=None)


def _with_lacking(drive: NextDrive, seen: Coverage) -> NextDrive:
    """Add the states that the newest drive did not show."""
    lacking = (
        (Step.STAND_OVERNIGHT, seen.soaked_cold_start is False, None),
        (Step.STEADY, seen.steady_cruise < 60.0 * CRUISE_WANTED, CRUISE_WANTED),
        (Step.ROLL_OUTS, seen.overrun < OVERRUN_WANTED, None),
        (Step.IDLE, seen.idle_warm < 60.0 * IDLE_WANTED, IDLE_WANTED),
    )
    have = {wish.step for wish in drive.wishes}
    more = [Wish(step, minutes) for step, lacks, minutes in lacking if lacks and step not in have]
    wishes = tuple(sorted((*drive.wishes, *more), key=lambda wish: wish.step))
    return NextDrive(drive.first, drive.signals, wishes, drive.others)
