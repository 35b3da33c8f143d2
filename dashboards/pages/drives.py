"""The list of drives: what was recorded, and what each recording says, the latest first; and those taken out of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from dash import ALL, Dash, Input, Output, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import wording
from dashboards.components import labelled, shaped, state
from dashboards.failures import done_or_told
from dashboards.pages.home import how_to_begin
from dashboards.sessions import ListedDrive, SessionShelf
from dashboards.visit import DRIVES, NEW_DRIVE, Page, Visit, drive_address, record_address
from obdwatch.explanations.wording import URGENCY_SENTENCES
from obdwatch.records import Finding, Verdict

ON_A_PAGE = 100  # drives; a browser needs a second to lay out several hundred


def show(shelf: SessionShelf, visit: Visit) -> Page:
    """Build the page."""
    units = visit.screen.units
    every = shelf.sessions()
    number = _number_in(visit, len(every))
    shown = every[(number - 1) * ON_A_PAGE : number * ON_A_PAGE]
    listed = [replace(one, findings=_most_urgent_explained(one.findings, units)) for one in shelf.listed(shown)]
    if not listed:
        return Page("How to begin", [*how_to_begin(), *_removed(shelf.removed())])
    return Page(
        "Drives",
        [
            html.H1("Drives"),
            *([html.P(_latest_in_words(listed[0]), className="lead")] if number == 1 else []),
            html.P(dcc.Link("Take in a drive from a file", href=NEW_DRIVE)),
            html.Ol([_line(drive, units) for drive in listed], className="drives"),
            *_further(number, len(every)),
            *_removed(shelf.removed()),
        ],
    )


def _number_in(visit: Visit, drives: int) -> int:
    """Which page of the list an address asks for, from 1 on; the nearest there is for any other."""
    asked = visit.query.get("page", ("1",))[-1]
    wanted = int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 9 else 1
    return min(max(wanted, 1), max(1, -(-drives // ON_A_PAGE)))


def _further(number: int, drives: int) -> list[Component]:
    """The ways to later and earlier drives, and where among all of them one is; nothing where all are shown."""
    if drives <= ON_A_PAGE:
        return []
    first, last = (number - 1) * ON_A_PAGE + 1, min(number * ON_A_PAGE, drives)
    ways: list[Component | str] = [f"Drives {first} to {last} of {drives}, the latest first. "]
    if number > 1:
        ways += [dcc.Link("Later drives", href=f"{DRIVES}?page={number - 1}"), " "]
    if last < drives:
        ways.append(dcc.Link("Earlier drives", href=f"{DRIVES}?page={number + 1}"))
    return [html.Nav(ways, className="further", **labelled("More of the list"))]


def _most_urgent_explained(findings: Sequence[Finding], units: str) -> tuple[Finding, ...]:
    """Only the first is shown in words; wording all of them for hundreds of drives would take seconds."""
    ordered = sorted(findings, key=wording.rank)
    return (*wording.explained(ordered[:1], units), *ordered[1:])


def _removed(ids: Sequence[str]) -> list[Component]:
    """Drives that can be put back, each with its button; nothing where there are none."""
    if not ids:
        return []
    rows = [
        html.Li(
            [
                html.Span(wording.shortened(one, 80)),
                html.Button("Put back", id={"type": "restore", "drive": one}, type="button", className="small"),
            ]
        )
        for one in ids
    ]
    told = "They are out of the list and of every comparison. Their files are kept until you delete them yourself."
    return [
        html.Section(
            [html.H2("Removed drives"), html.P(told, className="quiet"), html.Ul(rows, className="removed")],
            id="removed",
        )
    ]


def register(app: Dash, shelf: SessionShelf) -> None:
    """Connect the buttons that put drives back."""

    @app.callback(
        Output("address", "href", allow_duplicate=True),
        Output("told", "children", allow_duplicate=True),
        Input({"type": "restore", "drive": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def restore(clicks: list[int | None]) -> tuple[Any, Any]:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update
        return done_or_told(lambda: record_address(shelf.restore(str(ctx.triggered_id["drive"])).id))


def _latest_in_words(latest: ListedDrive) -> str:
    car = wording.car_name(latest.car, latest.session)
    faults = sorted((f for f in latest.findings if f.verdict is Verdict.FAULT), key=wording.rank)
    if faults:
        urgency = faults[0].urgency
        advice = f" {URGENCY_SENTENCES[urgency]}" if urgency is not None else ""
        return f"{car}, latest drive: {faults[0].headline.rstrip('.')}.{advice}"
    if not latest.findings:
        return f"{car}: nobody has looked at the latest drive yet. Open it to see what it says."
    if all(f.verdict is Verdict.HEALTHY for f in latest.findings):
        return f"{car}: nothing wrong was found in the latest drive."
    if all(f.verdict is Verdict.NOT_ENOUGH_DATA for f in latest.findings):
        return f"{car}: the latest drive holds too little to tell anything."
    return f"{car}: the latest drive shows no fault, but not every question could be answered from it."


def _line(listed: ListedDrive, units: str) -> Component:
    session = listed.session
    facts = [wording.car_name(listed.car, session)]
    if session.odometer_km is not None:
        facts.append(f"at {wording.quantity(session.odometer_km, 'km', units)}")
    if session.origin == "imported":
        facts.append("imported")
    if session.note:
        facts.append(wording.shortened(session.note, 80))
    return html.Li(
        [
            dcc.Link(wording.when(session.started_at), href=drive_address(session.id)),
            html.P(
                [" · ".join(facts), " ", dcc.Link("Edit or download", href=record_address(session.id))],
                className="quiet",
            ),
            html.P(_verdict(listed.findings), className="verdict"),
        ]
    )


def _verdict(findings: Sequence[Finding]) -> list[Component | str]:
    """The most urgent finding; how many others there are is said, not hidden."""
    if not findings:
        return [html.Span("Not analysed yet", className="quiet")]
    first, *others = findings
    if first.verdict is not Verdict.FAULT:
        return _no_fault(findings)
    faults = sum(f.verdict is Verdict.FAULT for f in others)
    words: list[Component | str] = [state(first), " ", first.headline]
    if faults:
        words.append(html.Span(f" and {wording.count(faults, 'more fault')}", className="quiet"))
    return words


def _no_fault(findings: Sequence[Finding]) -> list[Component | str]:
    """A drive on which nothing wrong was found, and how much of what one would ask it left open."""
    still_open = sum(one.verdict is Verdict.NOT_ENOUGH_DATA for one in findings)
    if still_open == len(findings):
        return [shaped("ring", "Too little in it to tell anything")]
    told = html.Span(f" {wording.count(still_open, 'question')} still open", className="quiet")
    return [shaped("tick", "Nothing wrong found"), told if still_open else ""]
