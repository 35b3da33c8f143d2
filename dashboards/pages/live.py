"""Recording now: what comes in while a drive is recorded, for the passenger or the workshop.

The page is a frame; what moves in it is asked for every second and drawn by assets/live.js (`dashboards/live_feed.py`
answers). Nothing on it can send anything to the car.
"""

from __future__ import annotations

from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html
from dash.development.base_component import Component

from dashboards import wording
from dashboards.components import command, labelled, labelled_by
from dashboards.live_feed import FEED
from dashboards.sessions import SessionShelf
from dashboards.visit import Page, Visit, drive_address

MINUTES = (2, 10)
TITLE = "Recording now"
NOT_THE_DRIVER = (
    "For the passenger, or for the workshop with the car standing in the open air. Whoever drives does not look here"
    " and touches nothing: a warning that matters can be spoken."
)


def show(shelf: SessionShelf, visit: Visit) -> Page:
    """Build the page."""
    return Page(
        TITLE,
        [
            html.H1(TITLE),
            html.P(NOT_THE_DRIVER, className="quiet"),
            html.Div(
                [
                    html.P("Looking whether something is being recorded …", className="before"),
                    html.Div(id="live-danger", role="alert"),
                    html.P(id="live-state", className="lead", role="status"),
                    html.P(id="live-facts"),
                    html.Div(_nothing(shelf), className="when-waiting"),
                    html.Div(_over(), className="when-over"),
                    html.Div(_running(), className="when-known"),
                ],
                id="live",
                **_for_the_browser(visit.screen.units),
            ),
        ],
    )


def _for_the_browser(units: str) -> Any:
    return {"data-units": units, "data-feed": FEED}


def _nothing(shelf: SessionShelf) -> list[Component]:
    """What to do when nothing is being recorded."""
    latest = shelf.latest()
    last: list[Component] = []
    if latest is not None:
        name = wording.shortened(wording.car_name(shelf.car_of(latest), latest), 60)
        link = dcc.Link(wording.when(latest.started_at), href=drive_address(latest.id))
        last = [html.P(["The last drive: ", link, html.Span(f" {name}", className="quiet")])]
    return [
        html.P("Begin on the computer that the adapter is connected to, ten seconds before the engine is started:"),
        html.Dl(
            command("obdwatch record --port auto", "records until Ctrl-C; this page then shows it by itself"),
            className="commands",
        ),
        *last,
    ]


def _over() -> list[Component]:
    return [
        html.P(html.A("See the drive", id="live-drive", href="/drives", className="large")),
        html.P(html.A("Go to the recording that has begun since", id="live-newer", href="/now", hidden=True)),
    ]


def _running() -> list[Component]:
    return [
        _sounds(),
        html.Div(
            [
                _section("The last minutes", "lines", [_windows(), html.Div(id="live-lines")]),
                html.Div(
                    [
                        _section("Still to drive", "left", [html.Div(id="live-left")]),
                        _section("Seen so far", "seen", [html.Ul(id="live-seen", className="plain")]),
                        _section("Warnings", "warned", [html.Ul(id="live-warnings", className="plain")]),
                    ]
                ),
            ],
            className="live-halves",
        ),
        _section(
            "Signals",
            "signals",
            [
                html.P("Tick up to six to see them as lines.", className="quiet", id="live-most"),
                html.Ul(id="live-signals", className="plain live-signals"),
                html.Details(
                    [
                        html.Summary("What seldom changes, and what other control units say"),
                        html.Ul(id="live-others", className="plain live-signals"),
                    ]
                ),
            ],
        ),
    ]


def _section(title: str, name: str, children: list[Component]) -> Component:
    heading = f"live-{name}-heading"
    return html.Section([html.H2(title, id=heading), *children], **labelled_by(heading))


def _windows() -> Component:
    """How far back the lines go; the browser does it."""
    buttons = [
        html.Button(f"{minutes} minutes", type="button", className="live-window", **_minutes(minutes))
        for minutes in MINUTES
    ]
    return html.Div(buttons, className="view-buttons", role="group", **labelled("How far back"))


def _minutes(minutes: int) -> Any:
    return {"data-minutes": str(minutes), "aria-pressed": "true" if minutes == MINUTES[0] else "false"}


def _sounds() -> Component:
    """Switches for the ear; a browser allows a page to sound only after somebody has touched it."""
    return html.Div(
        [
            html.Div(
                [
                    html.Span("Warnings:"),
                    dmc.Checkbox(label="say them aloud", id="live-speak", checked=False),
                    dmc.Checkbox(label="beep", id="live-beep", checked=False),
                    html.Button("Try", type="button", id="live-try"),
                ],
                className="view-buttons",
            ),
            html.P(id="live-sound-told", className="quiet", role="status"),
        ],
        className="live-sounds",
    )
