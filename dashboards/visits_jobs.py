"""The jobs of a visit and the parts left alone, each with why, and the ways to move it without a mouse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components import labelled
from dashboards.visit import part_address
from dashboards.visits_picture import Board, chip
from dashboards.visits_words import NOT_AT_ALL_WORDS, named
from obdwatch.planning.plan_records import NOT_AT_ALL, LeftAlone
from obdwatch.planning.words import capital
from obdwatch.records import Visit as PlannedVisit


def jobs_of(board: Board, visit: PlannedVisit) -> Component:
    """The jobs of a visit, the one that calls for it first."""
    rows = [
        html.Li(
            [
                _heading(board, part),
                html.P(visit.why.get(part, "")),
                _ways(board, part),
            ]
        )
        for part in visit.jobs
    ]
    return html.Ol(rows, className="jobs")


def left_alone(board: Board, left: Sequence[LeftAlone]) -> Component:
    """The parts in no visit, those likeliest to fail first."""
    return html.Ul(
        [html.Li([chip(board, one.part), html.P(one.why), _ways(board, one.part)]) for one in left], className="jobs"
    )


def _heading(board: Board, part: str) -> Component:
    car = board.asked.car_id or ""
    return html.H4(
        [
            dcc.Link(capital(board.name(part)), href=part_address(car, part)),
            html.Span(f" {board.own_work(part)}", className="quiet"),
        ]
    )


def _ways(board: Board, part: str) -> Component | None:
    """Links that move a part to another visit; they are addresses, so they work by touch and by keyboard."""
    ways = board.ways(part)
    if not ways:
        return None
    here = board.by_hand.visit_of[part]
    links: list[Component] = []
    for number in _worth_a_link(here, sorted(ways)):
        lane = named(board.lanes, number)
        spoken = f"{capital(board.name(part))}: do it {lane.when}"
        links.append(_way(_direction(here, number, lane.short), ways[number], spoken))
    if here != NOT_AT_ALL:
        address = replace(board.asked, only=part).address()
        links.append(_way("What if only this?", address, f"What if only the {board.name(part)} is done, now?"))
    return html.Div(links, className="ways", role="group", **labelled(f"Change: {board.name(part)}"))


def _worth_a_link(here: int, ways: Sequence[int]) -> list[int]:
    """For a planned job one visit earlier, one later, and none at all; for a part left alone every visit."""
    if here == NOT_AT_ALL:
        return list(ways)
    return [number for number in ways if abs(number - here) == 1 and number != NOT_AT_ALL] + [NOT_AT_ALL]


def _direction(here: int, there: int, words: str) -> str:
    if there == NOT_AT_ALL:
        return capital(NOT_AT_ALL_WORDS)
    if here == NOT_AT_ALL:
        return f"Do it {words}"
    return f"{'Earlier' if there < here else 'Later'}: {words}"


def _way(text: str, address: str, spoken: str) -> Component:
    """A link that looks like a button; its title tells the part as well."""
    return dcc.Link(text, href=address, className="way", title=spoken)
