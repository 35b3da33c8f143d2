"""The codes that the car driven last had when its memory was last read: where the page on trouble codes begins."""

from __future__ import annotations

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components import labelled_by
from dashboards.sessions import SessionShelf
from dashboards.visit import codes_address, drive_address
from dashboards.wording import joined, when
from obdwatch.errors import InputError
from obdwatch.explanations.codes import explain
from obdwatch.records import CodeKind, CodeReading, Session

HEADING = "codes-of-the-car"


def of_the_car(shelf: SessionShelf) -> list[Component]:
    """What was read last, each code in words and with the way to its explanation; nothing in an empty logbook."""
    known = shelf.garage.car(None)
    if known is None or not known.sessions:
        return []
    read = shelf.garage.codes(known)
    shown = _nothing_read() if read is None else _codes(*read)
    return [html.Section([html.H2(f"Read from {known.name}", id=HEADING), *shown], **labelled_by(HEADING))]


def _nothing_read() -> list[Component]:
    return [html.P("No recording of this car has read its memory of codes.")]


def _codes(session: Session, readings: tuple[CodeReading, ...]) -> list[Component]:
    whole = dcc.Link(when(session.started_at), href=drive_address(session.id))
    kinds: dict[str, set[CodeKind]] = {}
    for one in readings:
        kinds.setdefault(one.code, set()).add(one.kind)
    if not kinds:
        return [html.P(["No code was set on the drive of ", whole, "."])]
    rows = [
        html.Li(
            [
                dcc.Link(code, href=codes_address([code])),
                f" {_title(code)}: {joined([kind for kind in CodeKind if kind in of])}",
            ]
        )
        for code, of in kinds.items()
    ]
    together = [html.P(dcc.Link("Which to follow first", href=codes_address(list(kinds))))] if len(kinds) > 1 else []
    return [
        html.Ul(rows),
        *together,
        html.P(["With freeze frame and readiness on the drive of ", whole, "."], className="quiet"),
    ]


def _title(code: str) -> str:
    """What the code says; a car may hold what is none."""
    try:
        return explain(code).title
    except InputError:
        return "(not the shape of a code)"
