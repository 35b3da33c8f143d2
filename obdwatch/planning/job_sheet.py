"""The sheet to take to the car: for one visit, what to buy, what to open in which order, what to mind.

What only the maker knows (torques, part numbers, bleeding) is named as such and never made up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from obdwatch.errors import InputError
from obdwatch.parts.part import AccessStep, Catalogue, Part
from obdwatch.planning.access import known, opened_for
from obdwatch.planning.jobs import Job, job_for
from obdwatch.planning.plan_records import Plan
from obdwatch.planning.words import OWN_CURRENCY, capital, distance, listed, money, sentence, working_time
from obdwatch.records import Car, Visit

FROM_THE_MANUAL = (
    "Torques, part numbers and bleeding come from the maker's manual of this car; have it open before you start."
)
ALWAYS = (
    "Let the engine cool. Never open a hot cooling system; the fan may start by itself, also with the engine off.",
    "A car that is lifted stands on axle stands on firm, level ground, never on a jack alone.",
    "Never run the engine in a closed garage: carbon monoxide kills. No flame and no sparks near fuel or a battery.",
    "Check each part before you replace it. Leave what you are unsure of to a licensed technician; local rules decide.",
)
"""Cautions of every visit (common practice)."""

TOPICS = (("cool", "hot cooling system", "fan"), ("jack",), ("closed garage", "flame", "sparks"))
"""Words that, all said by the cautions of parts and steps, make the one of `ALWAYS` in the same place a repetition."""


@dataclass(frozen=True, slots=True)
class SheetSection:
    """A heading with lines to tick off; `numbered` where their order matters.

    `of` names the parts that the lines are about, where a heading has lines about several: it then stands once, above
    the first of the sections that follow each other.
    """

    heading: str
    lines: tuple[str, ...]
    numbered: bool = False
    of: str = ""


@dataclass(frozen=True, slots=True)
class JobSheet:
    """A title, a line that sums the visit up, and the sections in the order of work."""

    title: str
    summary: str
    sections: tuple[SheetSection, ...]


@dataclass(frozen=True, slots=True)
class SheetContext:
    """Whose car it is, the reader's units, and by part id what test would settle whether the part is worn."""

    car: Car | None = None
    units: str = "metric"
    decided_by: Mapping[str, str] = field(default_factory=dict)


def job_sheet(plan: Plan, number: int, catalogue: Catalogue, context: SheetContext | None = None) -> JobSheet:
    """Return the sheet of a visit of the plan, counted from 1. Raises InputError where there is no such visit."""
    if not 1 <= number <= len(plan.visits):
        raise InputError(f"the plan has no visit {number}; it has {len(plan.visits) or 'none'}")
    seen = context or SheetContext()
    visit = plan.visits[number - 1]
    jobs = [job_for(catalogue.parts[part], catalogue.steps, seen.car) for part in visit.jobs]
    parts = [job.part for job in jobs]
    sections = (
        SheetSection("Before you start", (FROM_THE_MANUAL, *_cautions(parts, visit, catalogue))),
        SheetSection("Check before you buy", _tests(parts, seen)),
        SheetSection("Parts to buy", tuple(_part_line(job, plan.currency) for job in jobs)),
        *_per_part("Parts to buy", parts, lambda part: (part.quality,) if part.quality else ()),
        SheetSection("Bought with them", _extra_lines(jobs, plan.currency)),
        SheetSection("Open in this order", _access_lines(visit, catalogue), numbered=True),
        *_per_part("Fit", parts, lambda part: part.fitting or ("as the maker's manual says",)),
        SheetSection("Close in this order", _closing_lines(visit, catalogue), numbered=True),
        *_per_part("After fitting", parts, lambda part: part.after_fitting),
        *_per_part("On the first drive", parts, _first_drive),
        SheetSection("Write down what was done, so that the new parts count from here", _entries(seen.car, parts)),
    )
    return JobSheet(_title(number, visit, seen), _summary(visit, plan), tuple(s for s in sections if s.lines))


def _title(number: int, visit: Visit, seen: SheetContext) -> str:
    when = "now" if visit.miles_from_now == 0 else f"in {distance(visit.miles_from_now, seen.units)}"
    car = f" of {seen.car.name or seen.car.id}" if seen.car is not None else ""
    return f"Job sheet{car}: visit {number}, {when}"


def _summary(visit: Visit, plan: Plan) -> str:
    count = f"{len(visit.jobs)} job{'' if len(visit.jobs) == 1 else 's'}"
    said = f"{count}, about {working_time(visit.hours)} of work, about {money(visit.cost, plan.currency)} to pay."
    return said if plan.currency else f"{said} {OWN_CURRENCY}"


def _tests(parts: Iterable[Part], seen: SheetContext) -> tuple[str, ...]:
    return tuple(
        f"{capital(part.name)}: {sentence(seen.decided_by[part.id])}" for part in parts if seen.decided_by.get(part.id)
    )


def _cautions(parts: Iterable[Part], visit: Visit, catalogue: Catalogue) -> tuple[str, ...]:
    """The cautions of the visit, each once: those of every visit, of the parts, of the steps."""
    special = [caution for part in parts for caution in part.cautions]
    special += [caution for step in visit.access_steps for caution in catalogue.steps[step].cautions]
    said = " ".join(special).lower()
    repeated = {text for text, topics in zip(ALWAYS, TOPICS, strict=False) if all(topic in said for topic in topics)}
    general = [text for text in ALWAYS if text not in repeated]
    return tuple(dict.fromkeys(sentence(text) for text in (*special, *general)))


def _part_line(job: Job, currency: str) -> str:
    part = job.part
    count = f"{job.pieces} x " if job.pieces > 1 else ""
    if any("how many" in unknown for unknown in job.unknown):
        count = f"one per {part.per}: "
    price = f"about {money(job.price, currency)}" if known(part.price) is not None else "price not known"
    return capital(f"{count}{part.name} ({price}).")


def _extra_lines(jobs: Iterable[Job], currency: str) -> tuple[str, ...]:
    """What is bought once for the whole visit, and what is only worth a thought."""
    found = {}
    for extra in (extra for job in jobs for extra in job.part.extras):
        price = f"about {money(extra.price, currency)}" if known(extra.price) is not None else "price not known"
        wanted = ", if it looks worn" if extra.optional else ""
        if extra.id not in found or not extra.optional:
            found[extra.id] = capital(f"{extra.name} ({price}{wanted}).")
    return tuple(found.values())


def _access_lines(visit: Visit, catalogue: Catalogue) -> tuple[str, ...]:
    order = opened_for(visit.access_steps, catalogue.steps)
    return tuple(sentence(catalogue.steps[step].name) for step in order)


def _closing_lines(visit: Visit, catalogue: Catalogue) -> tuple[str, ...]:
    order = opened_for(visit.access_steps, catalogue.steps)
    return tuple(_undoing(catalogue.steps[step]) for step in reversed(order))


def _undoing(step: AccessStep) -> str:
    """How a step is undone; of a step of the keeper's own that does not say, that it must be."""
    return sentence(step.undo or f'the reverse of "{step.name}"')


def _per_part(heading: str, parts: Sequence[Part], of: Callable[[Part], Iterable[str]]) -> tuple[SheetSection, ...]:
    """What is said of each part, under its name; what is said of several stands once, after what is said of fewer."""
    said: dict[str, list[str]] = {}
    for part in parts:
        for text in of(part):
            said.setdefault(sentence(text), []).append(part.name)
    lines: dict[tuple[str, ...], list[str]] = {}
    for text, names in said.items():
        lines.setdefault(tuple(names), []).append(text)
    return tuple(SheetSection(heading, tuple(lines[names]), of=_whom(names, parts)) for names in sorted(lines, key=len))


def _whom(names: Sequence[str], parts: Sequence[Part]) -> str:
    if len(names) == len(parts) > 2:
        return f"All {len(parts)} parts"
    return capital(listed(names))


def _first_drive(part: Part) -> tuple[str, ...]:
    return (part.first_drive_check,) if part.first_drive_check else ()


def _entries(car: Car | None, parts: Iterable[Part]) -> tuple[str, ...]:
    """The entries in the log that start the new parts' clocks."""
    whose = car.id if car is not None else "ID"
    return tuple(f"obdwatch log repair {part.id} --car {whose} --odometer N" for part in parts)


def sheet_text(sheet: JobSheet) -> str:
    """Return the sheet as plain text, for a terminal or a printer."""
    lines = [sheet.title, "=" * len(sheet.title), sheet.summary]
    above = ""
    for section in sheet.sections:
        lines += ["", section.heading, "-" * len(section.heading)] if section.heading != above else []
        lines += [f"{section.of}:"] if section.of else []
        above = section.heading
        marks = (f"{number}." if section.numbered else "[ ]" for number in range(1, len(section.lines) + 1))
        lines += [f"{mark} {text}" for mark, text in zip(marks, section.lines, strict=True)]
    return "\n".join(lines) + "\n"
