"""Was it fixed? The drives before a repair against those after it, number by number and curve over curve."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from dashboards.comparisons import Pairs, TwoSides, pairs_of, proof_of, sides_asked
from dashboards.components import car_ways, loading, notice
from dashboards.curve_figures import Drawn
from dashboards.curve_words import sentence, title
from dashboards.drawing import Screen
from dashboards.failures import part_or_told
from dashboards.garage import KnownCar
from dashboards.pages.curve_sections import picture
from dashboards.pages.home import how_to_begin
from dashboards.sessions import SessionShelf
from dashboards.tables import row, scrolling, table
from dashboards.visit import CAR, COMPARE, Page, Visit, car_address, car_in, compare_address, drive_address, visit_from
from dashboards.wording import count, when
from obdwatch.comparing.proof_records import Change, Compared, Proof
from obdwatch.comparing.proof_words import (
    capital,
    compared_both,
    difference_words,
    limits_words,
    side_words,
    sides_line,
    symptom_lines,
    verdict_words,
)
from obdwatch.curves.curve import Curve
from obdwatch.errors import LogbookError
from obdwatch.records import Session

WHAT = "This comparison"


def show(shelf: SessionShelf, visit: Visit) -> Page:
    """Build the heading and the place of the comparison. Raises LogbookError for an unknown car or drive."""
    known = shelf.garage.car(car_in(visit.path, COMPARE))
    heading = "Was it fixed?"
    if known is None:
        return Page("How to begin", how_to_begin())
    sides = sides_asked(shelf, known, visit)
    top = [
        html.P(dcc.Link(known.name, href=car_address(CAR, known.id)), className="up"),
        html.H1(heading),
        *car_ways(shelf.garage.cars(), known.id, COMPARE),
    ]
    if sides is None or not (sides.before and sides.after):
        told = _nothing(_why_not(sides))
        return Page(heading, [*top, *told, *_choice(known, sides)])
    return Page(
        f"{heading} {known.name}",
        [
            *top,
            dcc.Store(id="compared", data=known.id),
            html.Div(loading(f"Reading {count(len(sides.before) + len(sides.after), 'drive')} …"), id="comparison"),
            html.H2("The curves of two of these drives, one over the other"),
            html.Div(loading("Comparing with what was expected …"), id="pairs"),
            *_choice(known, sides),
        ],
    )


def register(app: Dash, shelf: SessionShelf) -> None:
    """Connect the page's callbacks."""

    @app.callback(Output("comparison", "children"), Input("compared", "data"), State("view", "data"))
    def fill(car_id: Any, view: Any) -> list[Component]:
        visit = visit_from(view)
        return part_or_told(
            lambda: proof_told(proof_of(shelf, _sides(car_id, visit), visit.screen.units), visit.screen), WHAT
        )

    @app.callback(Output("pairs", "children"), Input("compared", "data"), State("view", "data"))
    def fill_pairs(car_id: Any, view: Any) -> list[Component]:
        visit = visit_from(view)
        return part_or_told(lambda: pairs_told(pairs_of(shelf, _sides(car_id, visit)), visit.screen), WHAT)

    def _sides(car_id: Any, visit: Visit) -> TwoSides:
        known = shelf.garage.car(str(car_id))
        sides = sides_asked(shelf, known, visit) if known is not None else None
        if sides is None or not (sides.before and sides.after):
            raise LogbookError("The drives to compare are no longer there; load the page again.")
        return sides

    @app.callback(
        Output("address", "href", allow_duplicate=True),
        Input("compare-them", "n_clicks"),
        State("compare-before", "value"),
        State("compare-after", "value"),
        State("compare-car", "data"),
        prevent_initial_call=True,
    )
    def choose(clicks: Any, before: Any, after: Any, car_id: Any) -> Any:
        if not clicks or not isinstance(car_id, str):
            return no_update
        return compare_address(car_id, str(before or ""), str(after or ""))


def proof_told(proof: Proof, screen: Screen) -> list[Component]:
    """What the drives prove, in words and numbers."""
    return [
        html.P(proof.headline, className="lead"),
        html.P(sides_line(proof, screen.units), className="quiet"),
        *([html.Ul([html.Li(line) for line in lines])] if (lines := symptom_lines(proof)) else []),
        *_numbers(proof, screen.units),
        *(html.P(text) for text in proof.remarks),
        *_next(proof),
    ]


def _next(proof: Proof) -> list[Component]:
    if not proof.next_drive:
        return []
    return [html.H2("To know more, the next drive"), html.Ul([html.Li(step) for step in proof.next_drive])]


def _numbers(proof: Proof, units: str) -> list[Component]:
    both = compared_both(proof)
    told = [one for one in both if one.touched or one.change is Change.WORSE]
    if not proof.parts:
        told = [one for one in told if one.change is not Change.UNCHANGED]
    others = [one for one in both if one not in told]
    shown: list[Component] = [html.H2("The numbers, before and after")] if both else []
    if told:
        shown.append(_table(told, units, "What the repair should move"))
    if others:
        words = f"{'The other numbers' if told else 'All numbers'}: {len(others)}"
        shown.append(html.Details([html.Summary(words), _table(others, units, "Not touched by it")]))
    return shown


def _table(measures: Sequence[Compared], units: str, words: str) -> Component:
    heads = ("Number", "Outcome", "Before", "After", "In order when", "Change, 95% sure")
    rows = [
        row(
            heads,
            capital(one.words),
            [
                verdict_words(one),
                side_words(one, one.before, units),
                side_words(one, one.after, units),
                limits_words(one, units) or "–",
                difference_words(one, units) or "–",
            ],
        )
        for one in measures
    ]
    return scrolling(table(heads, rows, "numbers compared-numbers", words), words)


def pairs_told(found: Pairs, screen: Screen) -> list[Component]:
    """The curves that both drives have, one over the other."""
    if not found.curves:
        return [html.P("The two drives have no curve in common that could be laid one over the other.")]
    ways = html.P(
        [
            "Before, hollow and without colour: ",
            dcc.Link(when(found.before.started_at), href=drive_address(found.before.id)),
            ". After, filled and blue: ",
            dcc.Link(when(found.after.started_at), href=drive_address(found.after.id)),
            ".",
        ]
    )
    articles = [_pair(before, after, screen) for before, after in found.curves]
    return [ways, html.Div(articles, className="side-by-side curves")]


def _pair(before: Curve, after: Curve, screen: Screen) -> Component:
    said = [("Before", sentence(before, screen.units)), ("After", sentence(after, screen.units))]
    spoken = f"Picture of both drives: {title(before)}. {' '.join(f'{name}: {text}' for name, text in said)}"
    drawn = [Drawn(before, "before", earlier=True), Drawn(after, "after")]
    lines = [html.P([html.Strong(f"{name}: "), text]) for name, text in said]
    return html.Article([html.H3(title(before)), *lines, picture(drawn, spoken, screen)])


def _choice(known: KnownCar, sides: TwoSides | None) -> list[Component]:
    """Two drives to choose, where there are two."""
    if len(known.sessions) < 2:
        return []
    options = [{"value": one.id, "label": when(one.started_at)} for one in known.sessions]
    before = sides.before[-1] if sides is not None and sides.before else known.sessions[1]
    after = sides.after[0] if sides is not None and sides.after else known.sessions[0]
    return [
        html.H2("Compare two other drives"),
        dcc.Store(id="compare-car", data=known.id),
        html.Div(
            [
                _select("compare-before", "Before", options, before),
                _select("compare-after", "After", options, after),
                html.Div(html.Button("Compare", id="compare-them", type="button")),
            ],
            className="form",
        ),
    ]


def _select(name: str, label: str, options: list[dict[str, str]], chosen: Session) -> Component:
    select: Component = dmc.Select(id=name, label=label, data=options, value=chosen.id, allowDeselect=False)
    return select


def _why_not(sides: TwoSides | None) -> str:
    if sides is None:
        return "The log of this car knows of no repair yet."
    return f"There is no drive {'after' if sides.before else 'before'} the last repair yet."


def _nothing(why: str) -> list[Component]:
    return [
        notice(
            "Nothing to compare yet",
            [
                why,
                "To prove a repair: record a drive before it and one after it on the same road, and note the repair"
                " (obdwatch log repair PART --car ID --odometer N).",
            ],
        )
    ]
