"""The steps of the demo as lines on a terminal: short where nothing is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from obdwatch.demo import Step
    from obdwatch.planning.plan_records import Plan
    from obdwatch.records import CodeReading, Event, Finding

REASONS = 2  # of a fault; 'obdwatch analyse' gives all
DONE = {"refuel": "Filled up.", "code_erase": "Erased the codes.", "odometer": "Read the odometer."}  # by kind of entry


def step_lines(step: Step, units: str) -> list[str]:
    """One step: its text, and below it what it is about."""
    from obdwatch.commands.part_lines import part_lines
    from obdwatch.comparing.proof_words import sides_line, symptom_lines

    lines = [step.text, *(f"  {_entry(event, units)}" for event in step.log)]
    if step.findings:
        lines += [f"  {line}" for line in (*_found(step.findings, units), *_codes(step.codes))]
    if step.proof is not None:
        proof = step.proof
        lines += [f"  {line}" for line in (proof.headline, sides_line(proof, units))]
        lines += [f"    {line}" for line in symptom_lines(proof)]
    if step.risks:
        lines += [f"  {line}" for line in part_lines(step.risks, units)]
    if step.plan is not None:
        lines += [f"  {line}" for line in _plan(step.plan, units)]
    return lines


def _found(findings: Sequence[Finding], units: str) -> Iterator[str]:
    """Faults with what they rest on, and how many of the other questions came out how."""
    from obdwatch.explanations.findings import explain
    from obdwatch.explanations.wording import URGENCY_WORDS, pointing_words
    from obdwatch.records import Verdict

    faults = [explain(one, units) for one in findings if one.verdict is Verdict.FAULT]
    for words in faults:
        urgency = f" ({URGENCY_WORDS[words.urgency].lower()})" if words.urgency is not None else ""
        yield f"{words.headline}{urgency}"
        yield f"  {pointing_words(words)}"
        yield from (f"  {reason}" for reason in words.reasons[:REASONS])
    healthy = sum(one.verdict is Verdict.HEALTHY for one in findings)
    open_ones = sum(one.verdict is Verdict.NOT_ENOUGH_DATA for one in findings)
    rest = f"In order: {healthy} of {len(findings)} questions; not to be judged by this drive: {open_ones}."
    yield rest if faults else f"Nothing wrong was found. {rest}"


def _codes(codes: Sequence[CodeReading]) -> Iterator[str]:
    kinds: dict[str, list[str]] = {}
    for one in codes:
        kinds.setdefault(one.code, []).append(one.kind.value)
    told = [f"{code} ({', '.join(where)})" for code, where in kinds.items()]
    if told:
        yield f"The car's own codes: {'; '.join(told)}."


def _entry(event: Event, units: str) -> str:
    """An entry of the log as a sentence or two."""
    from obdwatch.demo import distance_words
    from obdwatch.explanations.part_names import part_name
    from obdwatch.parts.inspection import read_questions
    from obdwatch.records import EventKind

    km = f", {distance_words(event.odometer_km, units)}" if event.odometer_km is not None else ""
    part = part_name(event.part or "")
    question = read_questions().by_id.get(event.question or "")
    if event.kind is EventKind.INSPECTION:
        asked = question.text if question is not None else f"Is the {part} worn?"
        what = f"{asked} {(event.answer or '').capitalize()}."
    elif event.kind is EventKind.REPAIR:
        what = f"Replaced: {part}."
    else:
        what = DONE.get(event.kind, "")
    return " ".join(part for part in (f"{event.at:%Y-%m-%d}{km}:", what, event.note) if part).rstrip(":")


def _plan(plan: Plan, units: str) -> Iterator[str]:
    from obdwatch.explanations.part_names import part_name
    from obdwatch.planning.words import distance, listed, money, working_time

    for visit in plan.visits:
        when = f"in {distance(visit.miles_from_now, units)}" if visit.miles_from_now else "now"
        yield (
            f"Visit {when}: {listed([part_name(part) for part in visit.jobs])};"
            f" {working_time(visit.hours)}, {money(visit.cost, plan.currency)}."
        )
        yield from (f"  {_name(part)}: {why}" for part, why in visit.why.items())
    if plan.left_alone:
        yield f"Left alone for now: {listed([part_name(one.part) for one in plan.left_alone])}."
    if not plan.visits:
        yield "Nothing needs doing."
    one_by_one, everything = plan.comparison.one_by_one.total, plan.comparison.everything_now.total
    yield (
        f"Expected cost within {distance(plan.horizon_miles, units)}: {money(plan.costs.total, plan.currency)};"
        f" one job at a time {money(one_by_one, plan.currency)}, everything now {money(everything, plan.currency)},"
        f" waiting for failures {money(plan.comparison.nothing.total, plan.currency)}."
    )


def _name(part: str) -> str:
    from obdwatch.explanations.part_names import part_name

    name = part_name(part)
    return name[0].upper() + name[1:]
