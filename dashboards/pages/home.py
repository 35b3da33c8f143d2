"""The car at a glance: its state in a sentence, what changed since last time, its parts, and what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import groupby
from typing import Any

from dash import Dash, Input, Output, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import wording
from dashboards.beginning import Beginning
from dashboards.changes import changes
from dashboards.components import car_ways, command, labelled_by
from dashboards.garage import CarState, KnownCar
from dashboards.reports import FORMS, report_address
from dashboards.sessions import SessionShelf
from dashboards.tables import bar, row, table
from dashboards.visit import (
    CAR,
    DRIVES,
    INSPECTION,
    NEW_DRIVE,
    TRENDS,
    VISITS,
    Page,
    Visit,
    car_address,
    car_in,
    compare_address,
    part_address,
)
from obdwatch.explanations.coverage_words import next_drive_words
from obdwatch.explanations.part_names import part_name
from obdwatch.part_ages import repairs
from obdwatch.parts.inspection import walk_began
from obdwatch.parts.risk_words import is_old, is_suspected, percent
from obdwatch.parts.state_words import state_sentence
from obdwatch.planning.words import capital, distance, listed, money, working_time
from obdwatch.records import Event, EventKind, Finding, PartRisk, Session
from obdwatch.reporting.words import day
from obdwatch.signals.next_drive import next_drive

MOST_PARTS = 6
MOST_STEPS = 3
NEAR = 5_000  # miles


def show(shelf: SessionShelf, visit: Visit) -> Page:
    """Build the page. Raises LogbookError for a car that is not there."""
    garage, units = shelf.garage, visit.screen.units
    known = garage.car(car_in(visit.path, CAR) if visit.path.startswith(CAR) else None)
    if known is None:
        return Page("How to begin", how_to_begin())
    analysed = garage.analysed(known)
    top: list[Component] = [html.H1(known.name), *car_ways(garage.cars(), known.id, CAR)]
    if not known.sessions:
        return Page(
            known.name,
            [
                *top,
                html.P("No drive of this car has been recorded yet.", className="lead"),
                *_without_a_drive(known),
                html.H2("To record one"),
                *_first(),
            ],
        )
    if not analysed:
        return Page(known.name, [*top, *_not_looked_at(known)])
    said = wording.explained(garage.findings(analysed[0]), units)
    now = garage.state(known, units)
    return Page(
        known.name,
        [
            *top,
            html.P(state_sentence(said, now.risks), className="lead"),
            html.P(_latest(analysed[0], units), className="quiet"),
            html.Div(
                [
                    _section("What to do next", "next", _next(known, now, said, garage.events(known), units)),
                    _section(
                        "What changed since the drive before", "changed", _changed(shelf, known, analysed, said, units)
                    ),
                ],
                className="side-by-side",
            ),
            _section("Its parts", "parts", _parts(now, units)),
            _section("A report to keep or hand on", "report", _report(known, units)),
        ],
    )


def _section(title: str, name: str, children: list[Component]) -> Component:
    heading = f"{name}-heading"
    return html.Section([html.H2(title, id=heading), *children], className=name, **labelled_by(heading))


def _latest(session: Session, units: str) -> str:
    at = f" at {wording.quantity(session.odometer_km, 'km', units)}" if session.odometer_km is not None else ""
    return f"As of the drive of {wording.when(session.started_at)}{at}."


def _next(
    known: KnownCar, now: CarState, said: Sequence[Finding], events: Sequence[Event], units: str
) -> list[Component]:
    steps: list[Component] = []
    first = now.plan.visits[0] if now.plan is not None and now.plan.visits else None
    if first is not None and now.plan is not None:
        names = listed([part_name(job) for job in first.jobs])
        when = "now" if first.miles_from_now < 1.0 else f"in {distance(first.miles_from_now, units)}"
        price = f"{money(first.cost, now.plan.currency)} to pay{'' if now.plan.currency else ', in your own currency'}"
        told = f": {names}, {when}. {capital(working_time(first.hours))} of work, about {price}. "
        steps.append(html.Li([html.Strong("Mend"), told, dcc.Link("See the plan", href=car_address(VISITS, known.id))]))
    told, way = _look(events, datetime.now(UTC))
    steps.append(html.Li([html.Strong("Look"), told, dcc.Link(way, href=car_address(INSPECTION, known.id))]))
    drive = next_drive_words(next_drive(said), units)
    if drive:
        steps.append(html.Li(_drive(drive)))
    return [html.Ul(steps, className="todo")]


def _look(events: Sequence[Event], at: datetime) -> tuple[str, str]:
    """What is said of the walk round the car, and of the way to it: the one that is under way, or the next one."""
    looks = [event for event in events if event.kind is EventKind.INSPECTION and event.question]
    began = walk_began(events, at)
    answered = {event.question for event in looks if event.at >= began}
    if answered:
        return (
            f": {wording.count(len(answered), 'question')} of this walk round the car answered. ",
            "Go on, or see more",
        )
    last = max((event.at for event in looks), default=None)
    before = f" The last one was on {day(last)}." if last is not None else ""
    return f": a short walk round the car, for what no recording shows.{before} ", "Begin"


def _drive(steps: Sequence[str]) -> list[Component]:
    """The next drive: all its steps, for none of them may be lost, folded where they are many."""
    told: list[Component] = [html.Strong("Drive"), html.Span(": one more recorded drive would tell more.")]
    ways = html.Ol([html.Li(words) for words in steps])
    if len(steps) <= MOST_STEPS:
        return [*told, ways]
    return [*told, html.Details([html.Summary(f"How to drive it, in {len(steps)} steps"), ways])]


def _changed(
    shelf: SessionShelf, known: KnownCar, analysed: Sequence[Session], said: Sequence[Finding], units: str
) -> list[Component]:
    if len(analysed) < 2:
        return [html.P("This is the first drive that was looked at. What changes shows from the next one on.")]
    before = wording.explained(shelf.garage.findings(analysed[1]), units)
    events = shelf.garage.events(known)
    found = changes(said, before, events, analysed[1])
    ways = [html.P(dcc.Link("Every number over all drives", href=car_address(TRENDS, known.id)))]
    if repairs(events):
        ways.append(html.P(dcc.Link("The last repair: was it fixed?", href=compare_address(known.id))))
    if not found:
        return [html.P("The same was found as in the drive before."), *ways]
    shown = [
        html.Li([html.Strong(f"{kind}: "), _one_or_more([one.what for one in under])])
        for kind, under in groupby(found, key=lambda one: one.kind)
    ]
    return [html.Ul(shown), *ways]


def _one_or_more(texts: Sequence[str]) -> Component:
    return html.Span(texts[0]) if len(texts) == 1 else html.Ul([html.Li(text) for text in texts])


def _parts(now: CarState, units: str) -> list[Component]:
    suspected = [one for one in now.risks if is_suspected(one)]
    old = [one for one in now.risks if is_old(one)]
    rest = [one for one in now.risks if one not in suspected and one not in old]
    shown: list[Component] = []
    if told := [*suspected[:MOST_PARTS], *old]:
        heads = ("Part", "Worn by now", f"Fails within {distance(NEAR, units)}", "Why it is thought so")
        shown.append(table(heads, [_part(now, one, heads) for one in told], "ranked parts-at-risk"))
    else:
        shown.append(html.P("None stands out."))
    if further := [*suspected[MOST_PARTS:], *rest]:
        shown.append(
            html.Details(
                [
                    html.Summary(f"The other {wording.count(len(further), 'part')}"),
                    html.P("How likely each is worn by now:", className="quiet"),
                    html.Ul([_short(now, one) for one in further], className="short-parts"),
                ]
            )
        )
    return shown


def _part(now: CarState, risk: PartRisk, heads: Sequence[str]) -> Component:
    fails = risk.failure_within_miles[NEAR]
    link = dcc.Link(capital(part_name(risk.part)), href=part_address(now.known.id, risk.part))
    return row(heads, link, [bar(risk.degraded, percent(risk.degraded)), bar(fails, percent(fails)), _reason(risk)])


def _reason(risk: PartRisk) -> str:
    """What weighs most of what was seen; where nothing was, that it is distance alone."""
    if is_old(risk):
        return "Nothing that was seen speaks for it: it has run far for such a part."
    return next((one.reason for one in risk.reasons if one.likelihood_ratio > 1.0), "")


def _short(now: CarState, risk: PartRisk) -> Component:
    link = dcc.Link(capital(part_name(risk.part)), href=part_address(now.known.id, risk.part))
    return html.Li([link, html.Span(f" {percent(risk.degraded)}", className="quiet")])


def _without_a_drive(known: KnownCar) -> list[Component]:
    walk = dcc.Link("Walk round the car", href=car_address(INSPECTION, known.id))
    plan = dcc.Link("See a plan", href=car_address(VISITS, known.id))
    return [
        html.H2("What can be done without one"),
        html.Ul(
            [
                html.Li([walk, ": a few questions, for what no recording shows."]),
                html.Li([plan, " that rests on distance and log alone."]),
            ]
        ),
    ]


def _not_looked_at(known: KnownCar) -> list[Component]:
    return [
        html.P("Its drives have not been analysed yet. This command does it:", className="lead"),
        html.Dl(command("obdwatch analyse --all", "looks at every drive of the logbook"), className="commands"),
        html.P([dcc.Link("Or open a drive", href=DRIVES), ": it is then looked at by itself."]),
    ]


def _report(known: KnownCar, units: str) -> list[Component]:
    ways = [
        html.Li(html.A(capital(words), href=report_address(known.id, form, units)))
        for form, (_, words) in FORMS.items()
    ]
    told = "State, evidence with pictures, codes, plan and history in one file, without the identification number:"
    return [html.P(told), html.Ul(ways)]


def how_to_begin() -> list[Component]:
    """What to do with an empty logbook."""
    return [
        html.H1("No drives yet"),
        html.P("This logbook holds no drive. Look at an invented car, or record your own.", className="lead"),
        html.Section(
            [
                html.P("Nine months of an old six-cylinder: twelve drives, what was found, what was done."),
                html.P(html.Button("Show me the invented car", id="begin", type="button")),
                html.P(id="begun", role="status"),
                dcc.Interval(id="beginning", interval=1000, disabled=True),
            ],
            className="beginning",
        ),
        html.P("Each of these commands puts a drive in this logbook:"),
        *_first(),
    ]


def register(app: Dash, beginning: Beginning) -> None:
    """Connect the button that brings the invented car in."""

    @app.callback(
        Output("begun", "children", allow_duplicate=True),
        Output("beginning", "disabled"),
        Output("begin", "disabled"),
        Input("begin", "n_clicks"),
        prevent_initial_call=True,
    )
    def begin(clicks: Any) -> tuple[Any, Any, Any]:
        if not clicks:
            return no_update, no_update, no_update
        beginning.begin()
        return beginning.told, False, True

    @app.callback(
        Output("begun", "children", allow_duplicate=True),
        Output("address", "href", allow_duplicate=True),
        Input("beginning", "n_intervals"),
        prevent_initial_call=True,
    )
    def look(_times: Any) -> tuple[Any, Any]:
        return beginning.told, CAR if beginning.done else no_update


def _first() -> list[Component]:
    return [
        html.Dl(
            [
                *command("obdwatch record --port auto", "records your own car through an ELM327-compatible adapter"),
                *command("obdwatch import drive.csv", "takes in a drive that was recorded elsewhere"),
            ],
            className="commands",
        ),
        html.P("Then load this page again."),
        html.P([dcc.Link("Or take in a drive from a file", href=NEW_DRIVE), " right here."]),
    ]
