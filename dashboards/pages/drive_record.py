"""What the keeper knows of a drive: car, odometer, a note; and the drive out as a file, or out of the list."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import wording
from dashboards.components import back_to_drives
from dashboards.failures import done_or_told, part_or_told
from dashboards.garage import KnownCar
from dashboards.keeping import MOST_NOTE, correction_from
from dashboards.sessions import SessionShelf
from dashboards.transfers import FORMS, export_address, missing_extra
from dashboards.visit import DRIVES, Page, Visit, drive_address, session_in, visit_from
from obdwatch.records import Session
from obdwatch.units import screen_unit, to_screen

NO_CAR = ""


def show(shelf: SessionShelf, visit: Visit) -> Page:
    """Build the page. Raises LogbookError for an unknown id."""
    session = shelf.session(session_in(visit.path, DRIVES))
    title = f"Details of the drive: {wording.when(session.started_at)}"
    return Page(
        title,
        [
            back_to_drives(),
            html.H1(title),
            html.P(dcc.Link("See what this drive says", href=drive_address(session.id))),
            dcc.Store(id="kept-drive", data=session.id),
            *_form(session, shelf.garage.cars(), visit.screen.units),
            *_downloads(session.id),
            *_removal(),
        ],
    )


def _form(session: Session, cars: Sequence[KnownCar], units: str) -> list[Component]:
    unit = screen_unit("km", units).name
    odometer = f"{to_screen(session.odometer_km, 'km', units):.0f}" if session.odometer_km is not None else ""
    soak = f"{session.soak_hours:g}" if session.soak_hours is not None else ""
    options = [{"value": one.id, "label": wording.shortened(one.name, 60)} for one in cars if one.car is not None]
    which: Component = dmc.Select(
        id="kept-car",
        label="Car",
        data=options,
        value=session.car_id if any(o["value"] == session.car_id for o in options) else None,
        placeholder="not named" if options else "no car in this logbook yet",
        disabled=not options,
        allowDeselect=False,
    )
    return [
        html.Section(
            [
                html.H2("What you know of it"),
                html.Div(
                    [
                        which,
                        _field("kept-odometer", f"Odometer at the start, {unit}", odometer),
                        _field("kept-soak", "Hours the car had stood before", soak),
                        html.Div(
                            [
                                html.Label("A few words to remember it by", htmlFor="kept-note"),
                                dcc.Textarea(id="kept-note", value=session.note, maxLength=MOST_NOTE, rows=3),
                            ]
                        ),
                    ],
                    className="form",
                ),
                html.P(html.Button("Save", id="keep", type="button")),
                html.Div(id="kept", role="status"),
            ]
        )
    ]


def _field(name: str, label: str, value: str) -> Component:
    return html.Div(
        [
            html.Label(label, htmlFor=name),
            dcc.Input(id=name, type="text", value=value, autoComplete="off", maxLength=20),
        ]
    )


def _downloads(session_id: str) -> list[Component]:
    rows = [_download(session_id, form) for form in FORMS]
    shared = html.A("the recording without them", href=export_address(session_id, "obdw", redacted=True))
    return [
        html.Section(
            [
                html.H2("Take it along"),
                html.Ul(rows),
                html.P(
                    [
                        "A recording holds the identification number (VIN) of the car, and when and how it was driven."
                        " To show it to somebody else take ",
                        shared,
                        ".",
                    ]
                ),
            ]
        )
    ]


def _download(session_id: str, form: str) -> Component:
    suffix, what, use = FORMS[form]
    extra = missing_extra(form)
    if extra is not None:
        return html.Li(f"{what} ({suffix}, {use}): not on this installation; pip install 'obdwatch[{extra}]' adds it")
    return html.Li([html.A(f"{what} ({suffix})", href=export_address(session_id, form, redacted=False)), f": {use}"])


def _removal() -> list[Component]:
    told = "It leaves the list and every comparison. The list of drives offers to put it back."
    return [
        html.Section(
            [
                html.H2("Remove it"),
                html.P(told),
                html.P(html.Button("Remove this drive", id="remove", type="button")),
            ]
        )
    ]


def register(app: Dash, shelf: SessionShelf) -> None:
    """Connect the page's buttons."""

    @app.callback(
        Output("kept", "children"),
        Input("keep", "n_clicks"),
        State("kept-drive", "data"),
        State("kept-car", "value"),
        State("kept-odometer", "value"),
        State("kept-soak", "value"),
        State("kept-note", "value"),
        State("view", "data"),
        prevent_initial_call=True,
    )
    def keep(clicks: Any, drive: Any, car: Any, odometer: Any, soak: Any, note: Any, view: Any) -> Any:
        if not clicks:
            return no_update

        def save() -> list[Component]:
            sent = {"car": car, "odometer": odometer, "soak": soak, "note": note}
            shelf.correct(str(drive), correction_from(sent, visit_from(view).screen.units))
            return [html.P("Saved.")]

        return part_or_told(save, "This", " was not saved")

    @app.callback(
        Output("address", "href", allow_duplicate=True),
        Output("told", "children", allow_duplicate=True),
        Input("remove", "n_clicks"),
        State("kept-drive", "data"),
        prevent_initial_call=True,
    )
    def remove(clicks: Any, drive: Any) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update

        def act() -> str:
            shelf.remove(str(drive))
            return DRIVES

        return done_or_told(act)
