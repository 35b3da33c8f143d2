"""What to do and what was done: the plan of visits, and the history of drives and log."""

from __future__ import annotations

from datetime import datetime

from obdwatch.explanations.part_names import part_name
from obdwatch.parts.inspection import read_questions
from obdwatch.planning.plan_records import Costs, Plan
from obdwatch.planning.words import distance, money, sentence, working_time
from obdwatch.planning.yearly import day_of
from obdwatch.records import Event, EventKind, Session, Verdict, Visit
from obdwatch.reporting.document import Block, Bullets, Paragraph, Section, Subheading, Table
from obdwatch.reporting.facts import CarFacts
from obdwatch.reporting.last_repair import repair_blocks
from obdwatch.reporting.words import capital, counted, odometer, short_day

MOST_LEFT = 5
KINDS = {
    EventKind.REPAIR: "Renewed",
    EventKind.INSPECTION: "Looked at",
    EventKind.REFUEL: "Refuelled",
    EventKind.CODE_ERASE: "Trouble codes erased",
    EventKind.ODOMETER: "Odometer read",
    EventKind.NOTE: "Note",
}
ANSWERS = {"yes": "found", "no": "not found", "could not look": "could not be looked at"}


def plan_section(facts: CarFacts) -> Section:
    """Word the visits, why each job is in them, what is left alone, and what it costs."""
    plan = facts.plan
    if plan is None:
        return Section("The plan", (Paragraph(f"No plan could be made: {sentence(facts.plan_problem)}"),))
    horizon = distance(plan.horizon_miles, facts.units)
    blocks: list[Block] = []
    if not plan.visits:
        blocks.append(Paragraph(f"Nothing needs doing within {horizon}: no job is worth more than it costs."))
    for number, visit in enumerate(plan.visits, 1):
        blocks += _visit(facts, plan, number, visit)
    if plan.left_alone:
        blocks.append(Subheading("Left alone, the likeliest to fail first"))
        blocks.append(
            Bullets(tuple(f"{capital(part_name(one.part))}: {one.why}" for one in plan.left_alone[:MOST_LEFT]))
        )
    blocks.append(_costs(facts, plan))
    blocks += [Subheading("What these amounts rest on"), Bullets((*plan.assumptions, *plan.unknown))]
    return Section(f"The plan for the next {horizon}", tuple(blocks))


def _visit(facts: CarFacts, plan: Plan, number: int, visit: Visit) -> list[Block]:
    jobs = counted(len(visit.jobs), "job")
    price = money(visit.cost, plan.currency)
    blocks: list[Block] = [
        Subheading(f"Visit {number}, {_when(facts, visit)}: {jobs}, {working_time(visit.hours)}, {price} to pay")
    ]
    blocks.append(Bullets(tuple(f"{capital(part_name(job))}: {visit.why[job]}" for job in visit.jobs)))
    if visit.access_steps:
        opened = "; ".join(facts.catalogue.steps[step].name for step in visit.access_steps)
        blocks.append(Paragraph(f"Opened in this order: {opened}."))
    return blocks


def _when(facts: CarFacts, visit: Visit) -> str:
    if visit.miles_from_now < 1.0:
        return "now"
    on = day_of(visit.miles_from_now, facts.made_at.date(), facts.per_year)
    return f"in {distance(visit.miles_from_now, facts.units)}{f' (about {on:%B %Y})' if on is not None else ''}"


def _costs(facts: CarFacts, plan: Plan) -> Table:
    ways: list[tuple[str, Costs]] = [("This plan", plan.costs)]
    if plan.visits:
        ways.append(("The same jobs one by one", plan.comparison.one_by_one))
    ways += [("Everything now", plan.comparison.everything_now), ("Nothing until it fails", plan.comparison.nothing)]
    rows = tuple(
        (
            name,
            money(costs.parts, plan.currency),
            working_time(costs.hours),
            money(costs.failures, plan.currency),
            money(costs.total, plan.currency),
        )
        for name, costs in ways
    )
    columns = ("Way", "Parts", "Work", "Failures, as expected", "All in all, as expected")
    return Table(columns, rows, (2, 1, 1.2, 1.2, 1.2), "What this plan and other ways cost", frozenset({1, 2, 3, 4}))


def history_section(facts: CarFacts) -> Section:
    """Word drives and log entries in one table, the newest first."""
    dated = [(one.started_at, _drive_row(facts, one)) for one in facts.sessions if one.started_at is not None]
    dated += [(event.at, _event_row(event, facts.units)) for event in facts.events]
    undated = [_drive_row(facts, one) for one in facts.sessions if one.started_at is None]
    rows = [row for _, row in sorted(dated, key=lambda pair: pair[0], reverse=True)]
    if not rows and not undated:
        return Section("The history", (Paragraph("Nothing was recorded or written into the log yet."),))
    table = Table(("Date", "Odometer", "What"), (*rows, *undated), (1, 1, 4.2), "Drives and log, the newest first")
    return Section("The history", (*repair_blocks(facts.proof, facts.units), table))


def _row(at: datetime | None, km: float | None, what: str, units: str) -> tuple[str, ...]:
    return short_day(at), odometer(km, units), what


def _drive_row(facts: CarFacts, session: Session) -> tuple[str, ...]:
    found = facts.said[session.id]
    faults = [one.headline for one in found if one.verdict is Verdict.FAULT]
    judged = any(one.verdict is not Verdict.NOT_ENOUGH_DATA for one in found)
    quiet = "nothing wrong found." if judged else "too little in it to tell anything." if found else "not analysed yet."
    said = " ".join(faults) or quiet
    kind = "Drive (imported)" if session.origin == "imported" else "Drive"
    note = f" Note: {session.note.strip()}" if session.note.strip() else ""
    return _row(session.started_at, session.odometer_km, f"{kind}: {said}{note}", facts.units)


def _event_row(event: Event, units: str) -> tuple[str, ...]:
    base, _, place = (event.part or "").partition(":")
    what = KINDS[event.kind]
    if event.kind is EventKind.REPAIR:
        what += f": {part_name(base)}{f', place {place}' if place else ''}."
    elif event.kind is EventKind.INSPECTION:
        what += f": {_looked_at(event)}"
    elif event.kind is not EventKind.NOTE or not event.note.strip():
        what += "."
    else:
        what += ":"
    return _row(event.at, event.odometer_km, f"{what} {event.note.strip()}".strip(), units)


def _looked_at(event: Event) -> str:
    question = read_questions().by_id.get(event.question or "")
    about = question.sign if question is not None else part_name((event.part or "").partition(":")[0])
    answer = (event.answer or "").strip()
    return f"{about}: {ANSWERS.get(answer.lower(), answer or 'no answer')}."
