"""A plan as lines on a terminal."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from obdwatch.planning.words import distance, money, working_time

if TYPE_CHECKING:
    from obdwatch.commands.plan_options import Calendar
    from obdwatch.parts.part import Catalogue
    from obdwatch.planning.plan_records import Costs, OnlyThis, Plan
    from obdwatch.records import Visit

CLOSING = (
    "This is advice from probabilities: check a part before you buy it. Local rules and a licensed technician decide.",
)


def plan_lines(plan: Plan, catalogue: Catalogue, calendar: Calendar) -> list[str]:
    """The whole plan: visits, what is left alone, what it costs and what other ways would cost."""
    lines = [f"The next {distance(plan.horizon_miles, calendar.units)}, planned to cost least:"]
    if not plan.visits:
        lines += ["", "Nothing needs doing: no job is worth more than it costs."]
    for number, visit in enumerate(plan.visits, 1):
        lines += ["", *_visit(number, visit, plan, catalogue, calendar)]
    if plan.left_alone:
        lines += ["", "Left alone:"]
        lines += [f"  {_name(left.part, catalogue)}: {left.why}" for left in plan.left_alone]
    lines += ["", *_costs(plan, calendar.units)]
    lines += ["", "Reckoned with:", *(f"  {text}" for text in plan.assumptions)]
    if plan.unknown:
        lines += ["", "Not known:", *(f"  {text}" for text in plan.unknown)]
    if plan.visits:
        lines += ["", "A sheet to take to the car: the same command with --sheet 1 (and --out sheet.html to print it)."]
    return [*lines, "", *CLOSING]


def _name(part: str, catalogue: Catalogue) -> str:
    return catalogue.parts[part].name


def _visit(number: int, visit: Visit, plan: Plan, catalogue: Catalogue, calendar: Calendar) -> list[str]:
    count = f"{len(visit.jobs)} job{'' if len(visit.jobs) == 1 else 's'}"
    head = f"Visit {number}, {when_words(visit.miles_from_now, calendar)}: {count}, {working_time(visit.hours)}"
    lines = [f"{head}, {money(visit.cost, plan.currency)} to pay"]
    lines += [f"  {_name(part, catalogue)}: {visit.why[part]}" for part in visit.jobs]
    if visit.access_steps:
        lines.append(f"  Open in this order: {'; '.join(catalogue.steps[step].name for step in visit.access_steps)}.")
    return lines


def when_words(miles: float, calendar: Calendar) -> str:
    """Say when a visit is: now, or the distance and, where it is known, the month."""
    from obdwatch.planning.yearly import day_of

    if miles == 0.0:
        return "now"
    day = day_of(miles, calendar.today, calendar.yearly_miles)
    return f"in {distance(miles, calendar.units)}" + (f" (about {_month(day)})" if day is not None else "")


def _month(day: date) -> str:
    return f"{day:%B %Y}"


def _costs(plan: Plan, units: str) -> list[str]:
    """Where the money goes, and what the other ways would cost."""
    costs, currency = plan.costs, plan.currency
    horizon = distance(plan.horizon_miles, units)
    shares = [
        ("parts", costs.parts, ""),
        ("labour", costs.labour, f" ({working_time(costs.hours)})"),
        ("visits", costs.visits, ""),
        ("failures on the road", costs.failures, ""),
        (f"to be paid after {horizon}, as long as the car is kept", costs.later, ""),
    ]
    lines = [f"Expected to cost {money(costs.total, currency)} in all:"]
    lines += [f"  {name}: {money(amount, currency)}{more}" for name, amount, more in shares]
    ways = plan.comparison
    lines.append("Other ways, with the same prices and chances:")
    if plan.visits:
        lines.append(f"  the same jobs one by one: {_beside(ways.one_by_one, plan)}")
    lines.append(f"  everything now: {_beside(ways.everything_now, plan)}")
    lines.append(f"  nothing until it fails: {_beside(ways.nothing, plan)}")
    return lines


def _beside(other: Costs, plan: Plan) -> str:
    more = other.total - plan.costs.total
    if abs(more) < 0.5:
        return f"{money(other.total, plan.currency)}, as much as this plan"
    difference = (
        f"{money(abs(more), plan.currency)} {'more' if more > 0 else 'less, but outside your limits or decisions'}"
    )
    return f"{money(other.total, plan.currency)}, {difference}"


def only_lines(only: OnlyThis) -> list[str]:
    """What becomes of the plan where only one part is replaced."""
    return [*only.sentences, "", *CLOSING]
