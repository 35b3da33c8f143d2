"""Findings, values and coverage as lines on a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from obdwatch.units import quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from obdwatch.explanations.codes import Advice
    from obdwatch.records import Finding, MonitorResult
    from obdwatch.signals.coverage import Coverage


CAUTION = "  Caution: "


def finding_lines(finding: Finding, units: str) -> list[str]:
    """One finding in plain language: what it says, why, what to do."""
    from obdwatch.explanations.findings import explain
    from obdwatch.explanations.wording import URGENCY_WORDS, pointing_words
    from obdwatch.records import Verdict

    words = explain(finding, units)
    urgency = f" ({URGENCY_WORDS[words.urgency].lower()})" if words.urgency is not None else ""
    lines = [f"{words.headline}{urgency}"]
    lines += [f"  {pointing_words(words)}"] if words.verdict is Verdict.FAULT else []
    lines += [f"  {reason}" for reason in words.reasons]
    more = words.drive_to_get
    lines += [f"  To know more: {more}"] if more and not more.startswith("Nothing:") else []  # the headline says why
    return [*lines, *(f"{CAUTION}{caution}" for caution in words.cautions)]


def warning_lines(finding: Finding, units: str) -> list[str]:
    """A danger while driving, in the fewest words: what it is, what to do, and what not to do afterwards."""
    from obdwatch.explanations.findings import HOT_COOLING, explain

    words = explain(finding, units)
    return [f"WARNING: {words.headline}", *words.cautions[:1], HOT_COOLING]


def findings_lines(findings: Sequence[Finding], units: str, full: bool = False) -> list[str]:
    """All answers on a drive: faults with their reasons, the most urgent first; of the rest what they say, unless
    `full`. A caution is said once, where it is met first.
    """
    from obdwatch.explanations.findings import explain
    from obdwatch.explanations.wording import without_fault
    from obdwatch.records import Verdict
    from obdwatch.urgency import Urgency

    urgent_first = [*reversed(Urgency), None]
    faults = [one for one in findings if one.verdict is Verdict.FAULT]
    faults.sort(key=lambda one: urgent_first.index(one.urgency))
    lines = [line for one in faults for line in finding_lines(one, units)]
    lines = lines or [without_fault(sum(one.verdict is Verdict.HEALTHY for one in findings))]
    titles = {Verdict.HEALTHY: "In order:", Verdict.NOT_ENOUGH_DATA: "Not to be judged by this drive:"}
    for verdict, title in titles.items():
        answers = [explain(one, units) for one in findings if one.verdict is verdict]
        if full:
            lines += [line for one in answers for line in finding_lines(one, units)]
        elif answers:
            lines += [title, *(f"  - {one.headline}" for one in answers)]
    return _cautions_once(lines)


def _cautions_once(lines: Sequence[str]) -> list[str]:
    said: set[str] = set()
    kept = []
    for line in lines:
        if line.startswith(CAUTION) and line in said:
            continue
        said.add(line)
        kept.append(line)
    return kept


def coverage_words(seen: Coverage) -> str:
    """What a recording has shown so far, in one short line."""
    parts = [
        "cold start" if seen.soaked_cold_start else "",
        "cranking" if seen.cranking_captured else "",
        "warm-up" if seen.warm_up_reached else "",
        f"warm idle {_minutes(seen.idle_warm)}" if seen.idle_warm >= 1 else "",
        f"cruise {_minutes(seen.steady_cruise)}" if seen.steady_cruise >= 1 else "",
        f"overrun {seen.overrun:.0f} s" if seen.overrun >= 1 else "",
        f"full throttle {seen.full_throttle_pulls}x" if seen.full_throttle_pulls else "",
    ]
    shown = [part for part in parts if part]
    return f"seen: {', '.join(shown)}" if shown else "nothing to judge by yet"


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def parameter_words(key: str, value: float, units: str) -> str:
    """A value with its name and unit; an enumeration by the name of its state."""
    from obdwatch.decoding.parameters import PARAMETER_BY_KEY

    name = key.replace("_", " ")
    parameter = PARAMETER_BY_KEY.get(key)
    if parameter is None:
        return f"{name}: {value:g}"
    if parameter.states:
        return f"{name}: {parameter.states.get(int(value), f'state {value:g}, not defined')}"
    digits = 0 if parameter.scale >= 1 else 1 if parameter.scale >= 0.05 else 2
    return f"{name}: {quantity(value, parameter.unit, units, digits)}"


def monitor_words(result: MonitorResult) -> str:
    """A monitor result beside its limits."""
    from obdwatch.decoding.monitors import monitor_name, passed, test_name

    name = f"{monitor_name(result.monitor)}, {test_name(result.test)}"
    if not result.completed:
        return f"{name}: has not run since the codes were erased"
    if result.value is None:
        value, low, high = result.raw
        return f"{name}: raw {value} of {low} to {high}; its unit (scaling {result.scaling:02X}) is not published"
    verdict = "within" if passed(result) is not False else "OUTSIDE"
    limits = f"{_limit(result.minimum)} to {_limit(result.maximum)}"
    unit = f"{result.unit}s" if result.unit == "count" and result.value != 1 else result.unit
    return f"{name}: {result.value:g} {unit}, {verdict} its limits {limits}"


def advice_words(advice: Advice) -> str:
    """Which codes to follow before which, and why."""
    after = f" before {', '.join(advice.before)}" if advice.before else ""
    return f"{', '.join(advice.follow)}{after}: {advice.reason}"


def _limit(value: float | None) -> str:
    return "none" if value is None else f"{value:g}"
