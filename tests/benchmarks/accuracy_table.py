"""Counting the outcomes of the accuracy measurement, and writing them as markdown tables."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tests.benchmarks.accuracy_cars import FAULTY_TRIP, TRIP_OF_FAULT, Outcome

SOON = 2  # the rank of "soon"; "stop" is above it
Z95 = 1.959964  # two-sided 95 % of the normal distribution


@dataclass(frozen=True, slots=True)
class Share:
    """So many of so many."""

    count: int
    of: int

    @property
    def value(self) -> float:
        return self.count / self.of if self.of else math.nan

    @property
    def interval(self) -> tuple[float, float]:
        """Interval of 95 % (Wilson 1927), which is right for shares near 0 and 1 too."""
        if not self.of:
            return 0.0, 1.0
        n, p = self.of, self.value
        middle = (p + Z95**2 / (2 * n)) / (1 + Z95**2 / n)
        half = Z95 * math.sqrt(p * (1 - p) / n + Z95**2 / (4 * n * n)) / (1 + Z95**2 / n)
        return max(0.0, middle - half), min(1.0, middle + half)

    def __str__(self) -> str:
        low, high = self.interval
        return f"{self.count} of {self.of} = {100 * self.value:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"


def share(flags: Iterable[bool]) -> Share:
    """Count flags."""
    seen = list(flags)
    return Share(sum(seen), len(seen))


def false_alarms(sound: Sequence[Outcome]) -> tuple[Share, Share]:
    """Return drives of sound cars with any fault verdict, and those with an urgent one."""
    return (
        share(bool(each.said) for each in sound),
        share(any(said.urgency >= SOON for said in each.said) for each in sound),
    )


def summary(faulty: Sequence[Outcome]) -> dict[str, Share]:
    """Return the measures over drives with a fault; the places of parts only where the fault is one of a part."""
    of_parts = [each for each in faulty if each.part]
    return {
        "a fault reported, whatever it was": share(bool(each.said) for each in faulty),
        "the right part reported": share(each.found for each in faulty),
        "the right part first": share(each.ranked[:1] == (each.part,) for each in of_parts),
        "the right part among the first three": share(each.part in each.ranked[:3] for each in of_parts),
    }


def severity_table(faulty: Sequence[Outcome]) -> str:
    """Return one row per severity."""
    lines = []
    for severity in sorted({each.severity for each in faulty}):
        measured = summary([each for each in faulty if each.severity == severity])
        if not lines:
            lines = [f"| severity | {' | '.join(measured)} |", "|---" * (1 + len(measured)) + "|"]
        lines.append(f"| {severity:g} | {' | '.join(str(each) for each in measured.values())} |")
    return "\n".join(lines)


def fault_table(faulty: Sequence[Outcome]) -> str:
    """Return one row per fault: found and right part first, at each severity."""
    severities = sorted({each.severity for each in faulty})
    rows: dict[str, list[Outcome]] = defaultdict(list)
    for each in faulty:
        rows[each.fault].append(each)
    lines = [
        "| fault | trip | " + " | ".join(f"{severity:g}: found, first" for severity in severities) + " |",
        "|---" * (2 + len(severities)) + "|",
    ]
    for fault, drives in rows.items():
        cells = []
        for severity in severities:
            here = [each for each in drives if each.severity == severity]
            first = sum(each.ranked[:1] == (each.part,) for each in here)
            cells.append(f"{sum(each.found for each in here)}, {first if here[0].part else '-'} of {len(here)}")
        lines.append(f"| {fault} | {TRIP_OF_FAULT.get(fault, FAULTY_TRIP)} | {' | '.join(cells)} |")
    return "\n".join(lines)


def innocent_table(sound: Sequence[Outcome]) -> str:
    """Return one row per trip of a sound car."""
    lines = ["| trip of a sound car | any fault verdict | soon or stop |", "|---|---|---|"]
    for trip in dict.fromkeys(each.trip for each in sound):
        any_fault, urgent = false_alarms([each for each in sound if each.trip == trip])
        lines.append(f"| {trip} | {any_fault.count} of {any_fault.of} | {urgent.count} of {urgent.of} |")
    any_fault, urgent = false_alarms(sound)
    lines.append(f"| all | {any_fault} | {urgent} |")
    return "\n".join(lines)


def growing_table(histories: Sequence[Sequence[Outcome]]) -> str:
    """Return one row per growing fault: at which severity it was found, and at which the car stored a code."""
    lines = [
        "| growing fault | car | found at severity | the car's own code at | found first |",
        "|---|---|---|---|---|",
    ]
    for history in histories:
        found = next((each.severity for each in history if each.found), None)
        code = next((each.severity for each in history if each.has_code), None)
        lines.append(
            f"| {history[0].fault} | {history[0].layout} | {_of(found)} | {_of(code)} | {_first(found, code)} |"
        )
    return "\n".join(lines)


def _of(severity: float | None) -> str:
    return "never" if severity is None else f"{severity:.2f}"


def _first(found: float | None, code: float | None) -> str:
    if found is None:
        return "no" if code is not None else "-"
    if code is None or found < code:
        return "yes"
    return "same drive" if found == code else "no"


def mistakes(outcomes: Iterable[Outcome]) -> str:
    """Return a line per drive of which something wrong was said, for whoever wants to know why."""
    return "\n".join(
        f"{each.fault or 'sound'}={each.severity:g} {each.layout} {each.trip} {each.adapter} seed {each.seed}: "
        + (
            "; ".join(
                f"{s.detector}/{s.signature} u{s.urgency} {s.confidence:.2f} {','.join(s.parts)}" for s in each.said
            )
            or "nothing"
        )
        for each in outcomes
        if (not each.fault and each.said) or (each.fault and each.ranked[:1] != (each.part,))
    )
