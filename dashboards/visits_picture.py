"""The picture of a visit: what comes off, in order, and the parts that are reached behind it.

A tree of nested lists, which reads on a phone, with a screen reader and on paper alike; its lines are drawn by the
style sheet. A part can be taken with the mouse and dropped on another visit (assets/visits.js).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards.components import UNSPOKEN
from dashboards.visits_asked import AskedPlan
from dashboards.visits_tree import Opened, Reached, opening
from dashboards.visits_words import Lane
from obdwatch.parts.part import Catalogue
from obdwatch.planning.access import known
from obdwatch.planning.jobs import job_for
from obdwatch.planning.plan_records import ByHand
from obdwatch.planning.words import capital, listed, money, working_time
from obdwatch.records import Car

MOST_WITHIN_REACH = 4


@dataclass(frozen=True, slots=True)
class Board:
    """What is drawn: the plan, where it can be changed to, and whose car it is."""

    asked: AskedPlan
    by_hand: ByHand
    lanes: tuple[Lane, ...]
    catalogue: Catalogue
    car: Car | None

    def name(self, part: str) -> str:
        """What a part is called."""
        return self.catalogue.parts[part].name

    def ways(self, part: str) -> Mapping[int, str]:
        """The addresses that move a part, by the number of the visit it goes to."""
        here, best = self.by_hand.visit_of.get(part), self.by_hand.best_visit_of.get(part)
        if here is None or best is None:  # nothing is known of its risk
            return {}
        return {
            lane.number: self.asked.moving(part, lane.number, best).address()
            for lane in self.lanes
            if lane.number != here
        }

    def own_work(self, part: str) -> str:
        """Time and price of a part without what must be opened for it."""
        job = job_for(self.catalogue.parts[part], self.catalogue.steps, self.car)
        what = f"{job.pieces} pieces" if job.pieces > 1 else "part"
        price = "price not known" if known(job.part.price) is None else money(job.price, self.catalogue.currency)
        return f"{working_time(job.hours)}, {what} {price}"


def picture(board: Board, jobs: Sequence[str]) -> Component:
    """Draw what is opened for the jobs of a visit, and what is reached."""
    shown = opening(jobs, board.catalogue)
    rows = [_step(board, one, len(jobs)) for one in shown.first]
    if shown.free:
        free = html.Div([html.Span("–", className="order", **UNSPOKEN), "nothing has to come off for"], className="off")
        rows.insert(0, html.Li([free, html.Ul([_reached(board, Reached(part, ())) for part in shown.free])]))
    return html.Ul(rows, className="opening")


def _step(board: Board, one: Opened, jobs: int) -> Component:
    hours = known(one.step.hours)
    told = [working_time(hours) if hours else "", f"for {one.jobs} jobs" if 1 < one.jobs < jobs else ""]
    told += ["for all jobs" if one.jobs == jobs > 1 else ""]
    lines: list[Component | None] = [
        html.Div(
            [
                html.Span(str(one.number), className="order"),
                html.Span([one.step.name, html.Span(f" {', '.join(filter(None, told))}", className="quiet")]),
            ],
            className="off",
        ),
        _note(f"after: {_steps(board, one.also)}") if one.also else None,
    ]
    behind = [
        *(_reached(board, part) for part in one.reached),
        *(_within_reach(board, one.within_reach)),
        *(_step(board, other, jobs) for other in one.behind),
    ]
    return html.Li([*lines, html.Ul(behind) if behind else None])


def _steps(board: Board, ids: Sequence[str]) -> str:
    return listed([board.catalogue.steps[step].name for step in ids])


def _note(text: str) -> Component:
    return html.Div(text, className="quiet note")


def _reached(board: Board, one: Reached) -> Component:
    also = _note(f"also needs: {_steps(board, one.also)}") if one.also else None
    return html.Li([chip(board, one.part), also], className="reached")


def _within_reach(board: Board, parts: Sequence[str]) -> list[Component]:
    """What one could do while it is open, and the plan does not."""
    if not parts:
        return []
    names = [board.name(part) for part in parts[:MOST_WITHIN_REACH]]
    more = len(parts) - len(names)
    names += [f"{more} more"] if more else []
    return [html.Li(_note(f"also within reach: {listed(names)}"), className="reached")]


def chip(board: Board, part: str) -> Component:
    """A part as a thing that can be taken and dropped elsewhere."""
    ways = board.ways(part)
    moved = " – moved by you" if part in board.by_hand.moved else ""
    for_the_browser: Any = {"data-part": part, "data-ways": json.dumps(ways)}
    return html.Span(
        [html.Strong(capital(board.name(part))), html.Span(f" {board.own_work(part)}{moved}", className="quiet")],
        className="chip moved" if moved else "chip",
        draggable="true" if ways else "false",
        **for_the_browser,
    )
