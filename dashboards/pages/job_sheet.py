"""The job sheet of a visit: to print, or to tick off on a phone beside the car."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby

import dash_mantine_components as dmc
from dash import dcc, html
from dash.development.base_component import Component

from dashboards.garage import KnownCar
from dashboards.visit import Page
from dashboards.visits_picture import Board
from obdwatch.errors import InputError
from obdwatch.planning.job_sheet import SheetContext, SheetSection, job_sheet
from obdwatch.records import Car, PartRisk


def sheet_page(board: Board, known: KnownCar, risks: Sequence[PartRisk], units: str) -> Page:
    """Build the page. Raises InputError where the plan has no such visit."""
    tests = {risk.part: risk.decided_by for risk in risks if risk.decided_by}
    car = known.car or Car(id=known.id)
    sheet = job_sheet(
        board.by_hand.plan, _number(board.asked.sheet or ""), board.catalogue, SheetContext(car, units, tests)
    )
    back = dcc.Link("Back to the plan", href=replace(board.asked, sheet=None).address())
    mark = hashlib.sha256(repr(sheet).encode()).hexdigest()[:16]
    return Page(
        sheet.title,
        [
            html.P(back, className="up"),
            html.H1(sheet.title),
            html.P(sheet.summary, className="lead"),
            html.P(html.Button("Print", id="print", type="button"), className="only-screen"),
            html.Div(_sections(sheet.sections, mark), className="sheet"),
        ],
    )


def _number(text: str) -> int:
    if not text.isdecimal():
        raise InputError(f"A job sheet has the number of a visit in its address, such as 1, not {text[:30]!r}.")
    return int(text[:6])


def _sections(sections: Sequence[SheetSection], mark: str) -> list[Component]:
    """A heading once, and under it what is about each part."""
    return [
        html.Section([html.H2(heading), *(piece for one in under for piece in _under(one, mark))])
        for heading, under in groupby(sections, key=lambda one: one.heading)
    ]


def _under(section: SheetSection, mark: str) -> list[Component]:
    rows = [
        html.Li(
            _tick(f"{number}. {text}" if section.numbered else text, f"{mark}-{section.heading}-{section.of}-{number}")
        )
        for number, text in enumerate(section.lines, 1)
    ]
    name = [html.H3(section.of)] if section.of else []
    return [*name, html.Ol(rows) if section.numbered else html.Ul(rows)]


def _tick(text: str, line: str) -> Component:
    """A line with a box; the browser keeps the ticks of this very sheet, should the phone sleep."""
    box: Component = dmc.Checkbox(
        label=html.Code(text) if text.startswith("obdwatch ") else text,
        id={"type": "ticked", "line": line},
        persistence=True,
        persistence_type="local",
    )
    return box
