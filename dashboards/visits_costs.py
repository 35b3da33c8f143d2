"""What the plan costs beside other ways: work and money as bars with words, and where the money goes as a table."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboards.tables import bar, row, scrolling, table
from dashboards.visits_picture import Board
from obdwatch.planning.plan_records import Costs
from obdwatch.planning.words import distance, money, working_time


def ways_compared(board: Board, units: str) -> list[Component]:
    """The plan, the best one where it is another, one by one, all now, nothing."""
    plan = board.by_hand.plan
    horizon = distance(plan.horizon_miles, units)
    ways = [("This plan", plan.costs)]
    if board.by_hand.moved:
        ways.append(("The best plan", board.by_hand.best.costs))
    if plan.visits:
        ways.append(("The same jobs one by one", plan.comparison.one_by_one))
    ways += [("Everything now", plan.comparison.everything_now), ("Nothing until it fails", plan.comparison.nothing)]
    most_hours = max(costs.hours for _, costs in ways) or 1.0
    most_money = max(costs.total for _, costs in ways) or 1.0
    heads = ("Way", "Planned work", f"Expected cost within {horizon}")
    rows = [
        row(
            heads,
            name,
            [
                bar(costs.hours / most_hours, working_time(costs.hours) if costs.hours else "none"),
                bar(costs.total / most_money, _money_words(costs, plan.costs, plan.currency, first=number == 0)),
            ],
        )
        for number, (name, costs) in enumerate(ways)
    ]
    return [
        html.P("The expected cost counts failures on the road and the wear that is left.", className="quiet"),
        table(heads, rows, "ranked ways-compared"),
        html.Details([html.Summary("Where the money goes"), _shares(ways, plan.currency, horizon)]),
    ]


def _money_words(costs: Costs, plan: Costs, currency: str, first: bool) -> str:
    more = costs.total - plan.total
    total = money(costs.total, currency)
    if first:
        return total
    if abs(more) < 0.5:
        return f"{total}, as much"
    return f"{total}, {money(abs(more), currency)} {'more' if more > 0 else 'less'}"


def _shares(ways: list[tuple[str, Costs]], currency: str, horizon: str) -> Component:
    kinds = {
        "Parts": "parts",
        "Work": "labour",
        "Visits": "visits",
        "Failures on the road": "failures",
        f"To be paid after {horizon}": "later",
        "In all": "total",
    }
    heads = ("Share", *(name for name, _ in ways))
    rows = [
        row(heads, words, [money(getattr(costs, kind), currency) for _, costs in ways]) for words, kind in kinds.items()
    ]
    return scrolling(table(heads, rows, "numbers"), "Where the money goes")
