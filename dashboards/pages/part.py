"""A part of a car: why it is suspected, since when, what else it could be, and what to do with it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components import GRAPH_CONFIG, cautions_box, labelled, labelled_by
from dashboards.drawing import Screen
from dashboards.garage import CarState, KnownCar
from dashboards.growth_figure import growth_figure
from dashboards.sessions import SessionShelf
from dashboards.tables import bar, row, table
from dashboards.visit import CAR, VISITS, Page, Visit, car_address, drive_address, part_address, part_in, place_address
from dashboards.wording import when
from obdwatch.car_risks import known_over_time
from obdwatch.errors import LogbookError
from obdwatch.explanations.part_names import part_name
from obdwatch.parts.part import Part
from obdwatch.parts.risk_words import percent
from obdwatch.planning.access import opened_for
from obdwatch.planning.words import capital, distance, listed, sentence
from obdwatch.records import EventKind, Evidence, PartRisk
from obdwatch.units import distance_text

MOST_REASONS = 12
FROM_THE_MANUAL = "Torques, part numbers and procedures come from the maker's own manual."


def show(shelf: SessionShelf, visit: Visit) -> Page:
    """Build the page. Raises LogbookError for a car or part that is not there."""
    car_id, part_id = part_in(visit.path)
    units = visit.screen.units
    known = shelf.garage.car(car_id or None)
    now = shelf.garage.state(known, units) if known is not None else None
    risk = next((one for one in now.risks if one.part == part_id), None) if now is not None else None
    if known is None or now is None or risk is None:
        raise LogbookError("This car has no such part. Its profile says which parts it has.")
    part, name = now.catalogue.parts[part_id], part_name(part_id)
    return Page(
        f"{name}, {known.name}",
        [
            html.P(dcc.Link(known.name, href=car_address(CAR, known.id)), className="up"),
            html.H1(capital(name)),
            html.P(f"The chance that it is worn is {percent(risk.degraded)}.", className="lead"),
            html.P(_age(risk, units), className="quiet"),
            html.Div(
                [
                    html.Div([*_why(shelf, known, risk), *_instead(now, risk), *_if_ignored(part)]),
                    html.Div([*_fails(risk, units), *_grown(shelf, known, risk, visit.screen)]),
                ],
                className="side-by-side",
            ),
            html.Section(_work(now, part), className="work", **labelled_by("work-heading")),
        ],
    )


def _fails(risk: PartRisk, units: str) -> list[Component]:
    heads = ("How far", "Chance that it fails")
    rows = [
        row(heads, f"within {distance(miles, units)}", [bar(chance, percent(chance))])
        for miles, chance in sorted(risk.failure_within_miles.items())
    ]
    return [html.H2("How soon it may fail"), table(heads, rows, "ranked chances")]


def _age(risk: PartRisk, units: str) -> str:
    by_age = f"By its distance alone the chance that it is worn would be {percent(risk.prior)}."
    if risk.since_new_km is None:
        return f"How far it has run is not known. {by_age}"
    run = f"It has run {distance_text(risk.since_new_km, units)}"
    told = "" if risk.age_known else ", if it is as old as the car; nobody has said when it was new"
    return f"{run}{told}. {by_age}"


def _why(shelf: SessionShelf, known: KnownCar, risk: PartRisk) -> list[Component]:
    if not risk.reasons:
        return [html.H2("Why"), html.P("Nothing was seen or looked at that speaks for or against it.")]
    rows = [_reason(shelf, known, one) for one in risk.reasons[:MOST_REASONS]]
    return [html.H2("Why, the weightiest first"), html.Ol(rows, className="reasons")]


def _reason(shelf: SessionShelf, known: KnownCar, one: Evidence) -> Component:
    way = "For" if one.likelihood_ratio > 1.0 else "Against"
    return html.Li([html.Strong(f"{way}: "), one.reason, " ", _place(shelf, known, one)])


def _place(shelf: SessionShelf, known: KnownCar, one: Evidence) -> Component | None:
    """A link to the drive that said it, to the very place where it is known."""
    kind, _, rest = one.source.partition(":")
    if kind not in {"finding", "code"}:
        return None
    session_id, _, what = rest.rpartition(":")
    session = next((s for s in known.sessions if s.id == session_id), None)
    if session is None:
        return None
    spans = [span for f in shelf.garage.findings(session) if f.detector == what for span in f.spans]
    address = place_address(session.id, spans[0].start, spans[0].end) if spans else drive_address(session.id)
    return dcc.Link("See it in the drive" if spans else "See the drive", href=address, title=when(session.started_at))


def _instead(now: CarState, risk: PartRisk) -> list[Component]:
    groups = {one.group for one in risk.reasons if one.group and one.likelihood_ratio > 1.0}
    others = [
        other
        for other in now.risks
        if other.part != risk.part and any(e.group in groups and e.likelihood_ratio > 1.0 for e in other.reasons)
    ]
    shown: list[Component] = []
    if others:
        rows = [
            html.Li(
                [
                    dcc.Link(capital(part_name(o.part)), href=part_address(now.known.id, o.part)),
                    f" {percent(o.degraded)}",
                ]
            )
            for o in sorted(others, key=lambda o: -o.degraded)
        ]
        shown += [html.H2("What else looks like this, and how likely it is worn"), html.Ul(rows)]
    if risk.decided_by:
        shown += [html.H2("What would decide"), html.P(risk.decided_by)]
    return shown


def _grown(shelf: SessionShelf, known: KnownCar, risk: PartRisk, screen: Screen) -> list[Component]:
    events, today = shelf.garage.events(known), datetime.now(UTC)
    readings = known_over_time(shelf.garage.grown(known), risk.part, risk.degraded, today, events)
    if not readings:
        return []
    last = readings[-7:] if readings[-1][0] is today else readings[-6:]
    spoken = [f"{'today' if at is today else when(at)}: {percent(chance)}" for at, _, chance in last]
    renewed = [
        (event.at, event.odometer_km)
        for event in events
        if event.kind is EventKind.REPAIR and (event.part or "").partition(":")[0] == risk.part
    ]
    figure = growth_figure(readings, renewed, screen)
    return [
        html.H2("How the suspicion grew"),
        html.Div(
            dcc.Graph(figure=figure, config=GRAPH_CONFIG),
            role="img",
            **labelled(f"How likely it was worn after the drives: {', '.join(spoken)}"),
        ),
    ]


def _if_ignored(part: Part) -> list[Component]:
    return [
        html.H2("If it is left"),
        html.P(part.fails_by),
        html.P(part.consequence),
        *([html.P(html.Strong("It can take the engine with it."))] if part.engine_at_risk else []),
    ]


def _work(now: CarState, part: Part) -> list[Component]:
    steps = now.catalogue.steps
    opened = opened_for(list(part.access), steps)
    reached = [
        part_name(other.id)
        for other in now.catalogue.parts.values()
        if other.id not in {part.id, *part.together_with}
        and other.access
        and set(opened_for(list(other.access), steps)) <= set(opened)
    ]
    with_it = [part_name(other) for other in part.together_with if other in now.catalogue.parts]
    cautions = [*part.cautions, *(caution for step in opened for caution in steps[step].cautions)]
    manual = () if any("maker's own manual" in line for line in part.fitting) else (FROM_THE_MANUAL,)
    first_drive = (part.first_drive_check,) if part.first_drive_check else ()
    reach = (
        (f"{capital(listed(sorted(reached)))}: reached by the same access, for the price of the part alone.",)
        if reached
        else ()
    )
    together = (f"{capital(listed(with_it))}: worth doing together.",) if with_it else ()
    pieces = [
        cautions_box(tuple(dict.fromkeys(cautions))),
        _list("What comes off first", [sentence(steps[step].name) for step in opened], ordered=True),
        _list("While it is open", (*together, *reach)),
        _list("Buying and fitting", (*((part.quality,) if part.quality else ()), *part.fitting, *manual)),
        _list("After fitting", part.after_fitting),
        _list("On the first drive", first_drive),
    ]
    return [
        html.H2("When it is done", id="work-heading"),
        html.P(dcc.Link("See it in the plan of visits", href=car_address(VISITS, now.known.id))),
        html.Div([piece for piece in pieces if piece is not None], className="answers"),
    ]


def _list(title: str, lines: Sequence[str], ordered: bool = False) -> Component | None:
    if not lines:
        return None
    rows = [html.Li(line) for line in lines]
    return html.Section([html.H3(title), html.Ol(rows) if ordered else html.Ul(rows)])
