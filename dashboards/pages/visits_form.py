"""The limits of a plan as a form; handing it in is going to an address, so that it can be shared and loaded again."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from dashboards.failures import done_or_told
from dashboards.sessions import SessionShelf
from dashboards.visit import visit_from
from dashboards.visits_asked import FIELDS, AskedPlan, Limits, asked_plan, car_and_sheet, limits_from
from obdwatch.errors import InputError
from obdwatch.planning.wishes import KEPT_MILES, MOST_TRIP_RISK, USUAL_VISITS
from obdwatch.planning.words import distance, money
from obdwatch.units import odometer_text, screen_unit, to_screen


def form(car_id: str, limits: Limits, units: str, currency: str, opened: bool = False) -> Component:
    """The limits of a car's plan in words, and folded the fields to change them."""
    unit, of = screen_unit("km", units).name, f" ({currency})" if currency else ""
    far = {name: _far(getattr(limits, name), units) for name in ("trip", "trip_in", "keep")}
    kept = distance(KEPT_MILES, units)
    fields = [
        _field("budget", f"One visit may cost at most{of}", _plain(limits.budget)),
        _field("hours", "One visit may take at most, hours", _plain(limits.hours)),
        _field("rate", f"A workshop's hour costs{of}; empty: your own work", _plain(limits.rate)),
        _field("trip", f"A long trip to be ready for, {unit}", far["trip"]),
        _field("trip_in", f"It begins in, {unit}; empty: now", far["trip_in"]),
        _field("keep", f"The car is kept for, {unit}; empty: {kept}", far["keep"]),
        _field("visits", f"Possible visits, 1 to 6; empty: {USUAL_VISITS}", _plain(limits.visits)),
    ]
    risk = f"Ready for the trip means that no part fails on it with a chance above {MOST_TRIP_RISK:.0%}."
    return html.Details(
        [
            html.Summary(["Your limits: ", limits_words(limits, units, currency)]),
            dcc.Store(id="plan-car", data=car_id),
            html.Div(fields, className="form limits"),
            html.P(risk, className="quiet"),
            html.P(html.Button("Plan with these limits", id="plan-anew", type="button")),
        ],
        open=opened,
        className="limits-box",
    )


def limits_words(limits: Limits, units: str, currency: str) -> str:
    """The limits as a clause."""
    work = "your own work" if limits.rate is None else f"a workshop at {money(limits.rate, currency)} an hour"
    said = [work]
    if limits.budget is not None:
        said.append(f"at most {money(limits.budget, currency)} a visit")
    if limits.hours is not None:
        said.append(f"at most {limits.hours:g} hours a visit")
    if limits.trip is not None:
        begins = f"in {odometer_text(limits.trip_in, units)}" if limits.trip_in else "now"
        said.append(f"ready for {odometer_text(limits.trip, units)} that begin {begins}")
    if limits.keep is not None:
        said.append(f"kept for {odometer_text(limits.keep, units)} from now on")
    if limits.visits is not None:
        said.append(f"{limits.visits} possible visit{'' if limits.visits == 1 else 's'}")
    if limits.budget is None and limits.hours is None:
        said.append("no limit of money or time")
    return ", ".join(said)


def _field(name: str, label: str, value: str) -> Component:
    return html.Div(
        [
            html.Label(label, htmlFor=f"plan-{name}"),
            dcc.Input(id=f"plan-{name}", type="text", value=value, autoComplete="off", maxLength=20),
        ]
    )


def _plain(value: float | None) -> str:
    return "" if value is None else f"{value:.10g}"


def _far(km: float | None, units: str) -> str:
    return "" if km is None else f"{to_screen(km, 'km', units):.0f}"


def register(app: Dash, _shelf: SessionShelf) -> None:
    """Connect the form: the button and Enter in any field do the same."""

    @app.callback(
        Output("address", "href", allow_duplicate=True),
        Output("told", "children", allow_duplicate=True),
        Input("plan-anew", "n_clicks"),
        *(Input(f"plan-{name}", "n_submit") for name in FIELDS),
        *(State(f"plan-{name}", "value") for name in FIELDS),
        State("plan-car", "data"),
        State("view", "data"),
        prevent_initial_call=True,
    )
    def plan_anew(clicks: Any, *told: Any) -> tuple[Any, Any]:
        submits, values, (car_id, view) = told[: len(FIELDS)], told[len(FIELDS) : -2], told[-2:]
        if not clicks and not any(submits):
            return no_update, no_update
        sent = dict(zip(FIELDS, values, strict=True))
        return done_or_told(lambda: _address(str(car_id), sent, view))


def _address(car_id: str, sent: dict[str, Any], view: Any) -> str:
    visit = visit_from(view)
    limits = limits_from(sent, visit.screen.units)
    return replace(_asked_before(view), car_id=car_id, limits=limits, only=None, sheet=None).address()


def _asked_before(view: Any) -> AskedPlan:
    visit = visit_from(view)
    try:
        return asked_plan(visit)
    except InputError:  # whatever could not be read is dropped, or the reader could never get out of it
        return car_and_sheet(visit)
