"""Take a drive in from a file: hand it in, see what would be read from it, choose the columns, keep it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards.arrival_reading import LARGEST, MEGABYTE, TIME
from dashboards.arrivals import Arrivals, Preview
from dashboards.components import back_to_drives, labelled, notice
from dashboards.failures import done_or_told, part_or_told
from dashboards.pages.drive_sections import problems
from dashboards.sessions import SessionShelf
from dashboards.tables import row, table
from dashboards.visit import Page, Visit, drive_address, record_address
from dashboards.wording import car_name, count, in_words, shortened, when
from obdwatch.decoding.parameters import PARAMETERS
from obdwatch.errors import InputError
from obdwatch.planning.words import sentence
from obdwatch.records import Session

LEFT_OUT = "-"
MOST_COLUMNS = 200  # recognised ones that are shown; a wider table is read all the same
MOST_OTHERS = 25  # columns that are not known: a choice for each of them has weight
HEADS = ("Column", "Read as", "Found")
AS_THE_TIME = {"value": TIME, "label": "the time"}
AS_NOTHING = {"value": LEFT_OUT, "label": "nothing: leave it out"}


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
                    html.Span(
                        "A table (.csv, .tsv, .txt, also packed as .gz; .parquet; .mf4) or a recording (.obdw), at most"
                        f" {LARGEST // MEGABYTE} MB",
                        className="quiet",
                    ),
                    html.Span(id="file-place"),
                ],
                className="drop",
                id="drop",
                **_for_the_browser(),
            ),
            dcc.Store(id="arrived"),
            html.Div(id="arriving", role="status"),
            html.Div(id="preview-state", role="status"),
            html.Button("Stop", id="stop-arrival", type="button", hidden=True),
            html.Div(id="preview"),
        ],
    )


def _for_the_browser() -> Any:
    return {"data-most": str(LARGEST)}


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
        return part_or_told(lambda: _preview(arrivals.preview(arrived, chosen), shelf), "This file", " cannot be read")

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
            found = arrivals.preview(number, _chosen(values, ids))
            if found.problem:
                raise InputError(found.problem)
            session = shelf.take_in(found.session_file)
            arrivals.kept(number)
            return record_address(session.id)

        return done_or_told(act)


def _chosen(values: Sequence[Any], ids: Sequence[Mapping[str, Any]]) -> dict[str, str | None]:
    """What the reader made of the columns."""
    pairs = zip(ids, values, strict=False)
    return {str(one["header"]): None if value == LEFT_OUT else str(value) for one, value in pairs if value is not None}


def _preview(found: Preview, shelf: SessionShelf) -> list[Component]:
    if found.session is not None:
        return _recording(found, found.session, shelf)
    if found.problem:
        return _unrecognised(found)
    report = found.report
    signals, ignored = report["signals"], report["ignored"]
    rows = [_row(s["header"], s["key"], count(s["count"], "value")) for s in signals[:MOST_COLUMNS]]
    rows += [_row(i["header"], LEFT_OUT, shortened(str(i["reason"]), 120)) for i in ignored[:MOST_OTHERS]]
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
        table(HEADS, rows, "numbers columns"),
        *_not_shown(len(signals) + len(ignored) - len(rows)),
        _buttons(found, again=True, keep=True),
    ]


def _recording(found: Preview, session: Session, shelf: SessionShelf) -> list[Component]:
    """What a recording says of itself; one that is here already cannot be kept twice."""
    known = session.id in {one.id for one in shelf.sessions()}
    car = car_name(shelf.car_of(session), session)
    facts = [f"A recording of obdwatch: {when(session.started_at)}, {car}."]
    facts += [f"Note: {shortened(session.note, 200)}"] if session.note.strip() else []
    told = [html.P(dcc.Link("This drive is in this logbook already.", href=drive_address(session.id)))] if known else []
    return [
        html.H2(found.name),
        *(html.P(fact) for fact in facts),
        *problems(found.remarks),
        *told,
        *([] if known else [_buttons(found, again=False, keep=True)]),
    ]


def _unrecognised(found: Preview) -> list[Component]:
    """A table that could not be read as it is, with a choice for each column: the reader may know what they are."""
    rows = [_row(header, None, "") for header in dict.fromkeys(found.headers[:MOST_OTHERS])]
    problem = found.problem.partition("; name")[0]  # what to do about it on the command line is done below, by choosing
    about = f"{found.name}: "  # the heading names the file already
    problem = sentence(f"it {problem.removeprefix(about)}" if problem.startswith(about) else problem)
    return [
        notice(f"{found.name} cannot be read as it is", [problem], "wrong"),
        html.P("If you know what the columns are, say it here: the time, and at least one signal. Then read it again."),
        table(HEADS[:2], rows, "numbers columns"),
        *_not_shown(len(found.headers) - len(rows)),
        _buttons(found, again=True, keep=False),
    ]


def _not_shown(columns: int) -> list[Component]:
    if columns <= 0:
        return []
    return [html.P(f"{count(columns, 'further column')} not shown; obdwatch import --columns reaches all.")]


def _row(header: str, key: str | None, found: str) -> Component:
    choice: Component = dmc.Select(
        id={"type": "column", "header": header},
        data=_options(),
        value=key,
        searchable=True,
        allowDeselect=False,
        placeholder="not said",
        **labelled(f"Read {shortened(header, 60)} as"),
    )
    cells: list[Component | str] = [choice, found] if found else [choice]
    return row(HEADS[: 1 + len(cells)], shortened(header, 60), cells)


def _options() -> list[dict[str, str]]:
    keys = sorted({parameter.key for parameter in PARAMETERS})
    return [AS_NOTHING, AS_THE_TIME, *({"value": k, "label": in_words(k)} for k in keys)]


def _buttons(found: Preview, again: bool, keep: bool) -> Component:
    made = []
    if again:
        name = {"type": "again", "arrival": found.arrival}
        made.append(html.Button("Read again with these columns", id=name, type="button"))
    if keep:
        made.append(
            html.Button("Keep this drive", id={"type": "keep-arrival", "arrival": found.arrival}, type="button")
        )
    return html.Div(made, className="view-buttons")
