"""The plan: which parts in which visit and why, what comes off for it, what it costs beside other ways; to change it.

Whatever the reader changes goes into the address (`dashboards/visits_asked.py`); the planner is asked, and answers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components import UNSPOKEN, car_ways, labelled_by, notice
from dashboards.garage import KnownCar
from dashboards.pages.home import how_to_begin
from dashboards.pages.job_sheet import sheet_page
from dashboards.pages.visits_form import form
from dashboards.sessions import SessionShelf
from dashboards.visit import CAR, VISITS, Page, Visit, car_address
from dashboards.visits_asked import Limits, asked_plan, car_and_sheet
from dashboards.visits_costs import ways_compared
from dashboards.visits_jobs import jobs_of, left_alone
from dashboards.visits_picture import Board, picture
from dashboards.visits_words import ADVICE, Lane, lanes
from obdwatch.errors import InputError
from obdwatch.planning.plan_records import NOT_AT_ALL, Plan
from obdwatch.planning.words import OWN_CURRENCY, capital, distance, listed, money, sentence, working_time


def show(shelf: SessionShelf, visit: Visit) -> Page:
    """Build the page, or that of a job sheet. Raises LogbookError for a car that is not there."""
    garage, units = shelf.garage, visit.screen.units
    known = garage.car(car_and_sheet(visit).car_id)
    if known is None:
        return Page("How to begin", how_to_begin())
    title = f"Plan of visits: {known.name}"
    head: list[Component] = [
        html.P(dcc.Link(known.name, href=car_address(CAR, known.id)), className="up"),
        html.H1(title),
        *car_ways(garage.cars(), known.id, VISITS),
    ]
    now = garage.state(known, units)
    currency = now.catalogue.currency
    limits = Limits()
    try:
        asked = replace(asked_plan(visit), car_id=known.id)
        limits = asked.limits
        wishes = limits.wishes(units, garage.yearly_miles(known))
        by_hand = garage.planned(known, wishes, asked.moves)
        only = garage.only(known, wishes, asked.only).sentences if asked.only is not None else ()
    except InputError as problem:
        told = notice("There is no plan for this", [sentence(str(problem))], "wrong")
        again = html.P(dcc.Link("Plan without limits", href=car_address(VISITS, known.id)))
        return Page(title, [*head, told, form(known.id, limits, units, currency, opened=True), again])
    places = lanes(by_hand, wishes, datetime.now().astimezone().date())
    board = Board(asked, by_hand, places, now.catalogue, known.car)
    if asked.sheet is not None:
        return sheet_page(board, known, now.risks, units)
    changed = f" (changed: {len(by_hand.moved)})" if by_hand.moved else ""
    return Page(
        f"{title}{changed}",
        [
            *head,
            html.P(_in_a_sentence(by_hand.plan, units), className="lead"),
            *_no_drives(shelf, known),
            _answer(board, only),
            form(known.id, limits, units, currency),
            html.Div([_lane(board, lane) for lane in places if lane.number != NOT_AT_ALL], className="lanes"),
            _left(board),
            _section("What it costs beside other ways", "beside", ways_compared(board, units)),
            *_small_print(by_hand.best),
            _drop_bar(places),
        ],
    )


def _section(title: str, name: str, children: Sequence[Component]) -> Component:
    heading = f"{name}-heading"
    return html.Section([html.H2(title, id=heading), *children], className=name, **labelled_by(heading))


def _in_a_sentence(plan: Plan, units: str) -> str:
    if not plan.visits:
        horizon = distance(plan.horizon_miles, units)
        return f"Nothing needs doing within {horizon}: no job is worth more than it costs."
    jobs = sum(len(visit.jobs) for visit in plan.visits)
    count = f"{jobs} job{'' if jobs == 1 else 's'} in {len(plan.visits)} visit{'' if len(plan.visits) == 1 else 's'}"
    hours = working_time(sum(visit.hours for visit in plan.visits))
    pay = money(sum(visit.cost for visit in plan.visits), plan.currency)
    saved = plan.comparison.one_by_one.total - plan.costs.total
    apart = f" Done together they cost {money(saved, plan.currency)} less than one by one." if saved >= 0.5 else ""
    own = f" {OWN_CURRENCY}" if not plan.currency else ""
    return f"{count}: {hours} of work, about {pay} to pay.{apart}{own}"


def _no_drives(shelf: SessionShelf, known: KnownCar) -> list[Component]:
    if any(shelf.garage.findings(one) for one in known.sessions):
        return []
    return [html.P("No drive of this car has been looked at: the plan rests on distance and log alone.")]


def _answer(board: Board, only: Sequence[str]) -> Component:
    """What was asked for last: a change by hand and what it costs, or what if only one part is done."""
    shown: list[Component] = []
    by_hand = board.by_hand
    if by_hand.moved:
        names = listed([f"the {board.name(part)}" for part in sorted(by_hand.moved)])
        back = dcc.Link("Back to the best plan", href=replace(board.asked, moves={}, only=None).address())
        lines = [
            html.P(html.Strong(by_hand.why[0])),
            *(html.P(text) for text in (*by_hand.why[1:], *by_hand.broken)),
            html.P(back),
        ]
        shown.append(html.Section([html.H2(f"You moved {names}"), *lines], className="notice"))
    if only:
        close = dcc.Link("Close", href=replace(board.asked, only=None).address())
        title = f"If only the {board.name(board.asked.only or '')} is done"
        shown.append(
            html.Section([html.H2(title), *(html.P(text) for text in only), html.P(close)], className="notice")
        )
    return html.Div(shown, role="status")


def _lane(board: Board, lane: Lane) -> Component:
    where: Any = {"data-visit": str(lane.number)}
    heading = f"visit-{lane.number}-heading"
    if lane.visit is None:
        told = html.P("Nothing is planned then.", className="quiet")
        return html.Section(
            [html.H2(capital(lane.when), id=heading), told], className="lane empty", **where, **labelled_by(heading)
        )
    visit, currency = lane.visit, board.by_hand.plan.currency
    jobs = f"{len(visit.jobs)} job{'' if len(visit.jobs) == 1 else 's'}"
    sheet = dcc.Link(
        "Job sheet to print", href=replace(board.asked, sheet=str(lane.count), only=None).address(), className="way"
    )
    return html.Section(
        [
            html.H2(f"Visit {lane.count}: {lane.when}", id=heading),
            html.P(f"{jobs}, {working_time(visit.hours)} of work, about {money(visit.cost, currency)} to pay."),
            html.P(sheet),
            html.Div(
                [
                    html.Div([html.H3("What comes off, and what is reached"), picture(board, visit.jobs)]),
                    html.Div([html.H3("The jobs, and why"), jobs_of(board, visit)]),
                ],
                className="side-by-side",
            ),
        ],
        className="lane",
        **where,
        **labelled_by(heading),
    )


def _left(board: Board) -> Component:
    where: Any = {"data-visit": str(NOT_AT_ALL)}
    left = board.by_hand.plan.left_alone
    shown = [
        html.Details(
            [html.Summary(f"{len(left)} part{'' if len(left) == 1 else 's'}, and why"), left_alone(board, left)]
        )
    ]
    return html.Section(
        [html.H2("Left alone", id="left-heading"), *(shown if left else [html.P("Nothing.")])],
        className="lane",
        **where,
        **labelled_by("left-heading"),
    )


def _small_print(best: Plan) -> list[Component]:
    shown = [_folded("What this is reckoned with", best.assumptions)]
    if best.unknown:
        shown.append(_folded("What is not known", best.unknown))
    return [*shown, html.P(ADVICE, className="quiet")]


def _folded(title: str, lines: Sequence[str]) -> Component:
    return html.Details([html.Summary(title), html.Ul([html.Li(line) for line in lines])])


def _drop_bar(places: Sequence[Lane]) -> Component:
    """The visits within reach of the mouse while a part is dragged; for everybody else there are links."""
    targets = []
    for lane in places:
        where: Any = {"data-visit": str(lane.number)}
        targets.append(html.Div(capital(lane.when), className="target", **where))
    return html.Div(targets, className="drop-bar", **UNSPOKEN)
