"""Take a drive in from a file: hand it in, see what would be read from it, choose the columns, keep it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards.arrivals import KINDS, Arrivals, Preview
from dashboards.components import back_to_drives, labelled, notice
from dashboards.failures import done_or_told, part_or_told
from dashboards.sessions import SessionShelf
from dashboards.visit import Page, Visit, record_address
from dashboards.wording import count, in_words, shortened
from obdwatch.decoding.parameters import PARAMETERS

LEFT_OUT = "-"
MOST_COLUMNS = 300  # shown; a wider table is read all the same


def show(_shelf: SessionShelf, _visit: Visit) -> Page:
    """Build the page."""
    title = "Take in a drive from a file"
    return Page(
        title,
        [
            back_to_drives(),
            html.H1(title),
            html.P(
                "A table of another recorder or a recording of obdwatch. It stays on this machine; nothing is kept"
                " before you have seen what was read.",
                className="lead",
            ),
            html.Label(
                [
                    html.Strong("Choose a file, or drop it here"),
                    html.Span(f"{', '.join(KINDS)}, at most 300 MB", className="quiet"),
                    html.Span(id="file-place"),
                ],
                className="drop",
                id="drop",
            ),
            dcc.Store(id="arrived"),
            html.Div(id="arriving", role="status"),
            html.Div(id="preview-state", role="status"),
            html.Div(id="preview"),
        ],
    )


def register(app: Dash, shelf: SessionShelf, arrivals: Arrivals) -> None:
    """Connect the page."""

    @app.callback(
        Output("preview", "children"),
        Input("arrived", "data"),
        Input({"type": "again", "arrival": ALL}, "n_clicks"),
        State({"type": "column", "header": ALL}, "value"),
        State({"type": "column", "header": ALL}, "id"),
        running=[(Output("preview-state", "children"), "Reading the table …", "")],
        prevent_initial_call=True,
    )
    def preview(arrived: Any, again: Any, values: Sequence[Any], ids: Sequence[Mapping[str, Any]]) -> Any:
        if not isinstance(arrived, str):
            return no_update
        if isinstance(ctx.triggered_id, dict) and not any(again):
            return no_update
        chosen = _chosen(values, ids) if isinstance(ctx.triggered_id, dict) else {}
        return part_or_told(lambda: _preview(arrivals.preview(arrived, chosen)), "This file", " cannot be read")

    @app.callback(
        Output("address", "href", allow_duplicate=True),
        Output("told", "children", allow_duplicate=True),
        Input({"type": "keep-arrival", "arrival": ALL}, "n_clicks"),
        State({"type": "column", "header": ALL}, "value"),
        State({"type": "column", "header": ALL}, "id"),
        prevent_initial_call=True,
    )
    def keep(clicks: Sequence[Any], values: Sequence[Any], ids: Sequence[Mapping[str, Any]]) -> tuple[Any, Any]:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update
        number = str(ctx.triggered_id["arrival"])

        def act() -> str:
            session = shelf.take_in(arrivals.preview(number, _chosen(values, ids)).session_file)
            arrivals.kept(number)
            return record_address(session.id)

        return done_or_told(act)


def _chosen(values: Sequence[Any], ids: Sequence[Mapping[str, Any]]) -> dict[str, str | None]:
    """What the reader made of the columns."""
    pairs = zip(ids, values, strict=False)
    return {str(one["header"]): None if value == LEFT_OUT else str(value) for one, value in pairs if value is not None}


def _preview(found: Preview) -> list[Component]:
    if not found.report:
        return [
            html.H2(found.name),
            html.P("This is a recording of obdwatch. It can be kept as it is."),
            *_buttons(found, columns=False),
        ]
    report = found.report
    signals, ignored = report["signals"], report["ignored"]
    rows = [
        *(_row(s["header"], s["key"], count(s["count"], "value")) for s in signals),
        *(_row(i["header"], LEFT_OUT, shortened(str(i["reason"]), 120)) for i in ignored),
    ]
    head = html.Thead(html.Tr([html.Th(text, scope="col") for text in ("Column", "Read as", "Found")]))
    told = [
        *(str(note) for note in report["notes"]),
        *(
            f"{shortened(d['header'], 60)}: {count(d['count'], 'entry').replace('entrys', 'entries')} left out"
            f" ({d['reason']})."
            for d in report["dropped"]
        ),
    ]
    return [
        html.H2(found.name),
        html.P(
            f"{count(report['rows_read'], 'row')} read, {count(len(signals), 'signal')} recognised, "
            f"{count(len(ignored), 'column')} left out."
        ),
        *([notice("What was changed", told[:20])] if told else []),
        html.Table([head, html.Tbody(rows[:MOST_COLUMNS])], className="numbers columns"),
        *_buttons(found, columns=True),
    ]


def _row(header: str, key: str, found: str) -> Component:
    choice: Component = dmc.Select(
        id={"type": "column", "header": header},
        data=_options(),
        value=key,
        searchable=True,
        allowDeselect=False,
        **labelled(f"Read {shortened(header, 60)} as"),
    )
    return html.Tr([html.Th(shortened(header, 60), scope="row"), html.Td(choice), html.Td(found)])


def _options() -> list[dict[str, str]]:
    keys = sorted({parameter.key for parameter in PARAMETERS})
    return [{"value": LEFT_OUT, "label": "nothing: leave it out"}, *({"value": k, "label": in_words(k)} for k in keys)]


def _buttons(found: Preview, columns: bool) -> list[Component]:
    again = html.Button("Read again with these columns", id={"type": "again", "arrival": found.arrival}, type="button")
    keep = html.Button("Keep this drive", id={"type": "keep-arrival", "arrival": found.arrival}, type="button")
    return [html.Div([again, keep] if columns else [keep], className="view-buttons")]
