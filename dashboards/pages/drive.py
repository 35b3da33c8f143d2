"""One drive: what was found, where in the drive it shows, and the signals on one time axis.

The page comes in two steps, so that a long recording shows a heading at once: `show` answers from the logbook alone,
then the body loads the session file. A zoom sends only the points of the new part (a Patch of the figure).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from dash import Dash, Input, Output, Patch, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import wording
from dashboards.components import (
    GRAPH_CONFIG,
    back_to_drives,
    finding_card,
    finding_line,
    labelled,
    labelled_by,
    loading,
    next_drive_list,
    notice,
)
from dashboards.drawing import Picture, Screen, Window
from dashboards.failures import part_or_told
from dashboards.figures import (
    drive_figure,
    height_of,
    lines_in_order,
    lying_over,
    visible_range,
)
from dashboards.pages.curve_sections import curve_articles
from dashboards.pages.drive_codes import codes_section
from dashboards.pages.drive_sections import (
    about,
    chooser,
    driven,
    events,
    happened,
    problems,
    shown_part,
    states_choice,
    values_table,
    view_buttons,
)
from dashboards.panels import panels_for, usual_keys
from dashboards.pictures import picture_of
from dashboards.sessions import LoadedDrive, SessionShelf
from dashboards.visit import Page, Visit, compare_address, session_in, visit_from, window_from
from obdwatch.detectors.withheld import SIGNATURE as WITHHELD
from obdwatch.errors import ObdwatchError
from obdwatch.explanations.coverage_words import next_drive_words
from obdwatch.explanations.wording import without_fault
from obdwatch.records import Finding, Verdict
from obdwatch.signals.next_drive import next_drive


def show(shelf: SessionShelf, visit: Visit) -> Page:
    """Build the heading of the page, and the place where its body will be. Raises LogbookError for an unknown id."""
    session = shelf.session(session_in(visit.path))
    car = wording.car_name(shelf.car_of(session), session)
    title = wording.when(session.started_at)
    return Page(
        f"{car}, {title}",
        [
            back_to_drives(),
            html.H1(title),
            html.P(car, className="lead"),
            dcc.Store(id="drive", data=session.id),
            html.Div(loading("Reading the recording …"), id="drive-body"),
        ],
    )


def register(app: Dash, shelf: SessionShelf) -> None:
    """Connect the page's callbacks."""

    @app.callback(Output("drive-body", "children"), Input("drive", "data"), State("view", "data"))
    def fill(session_id: Any, view: Any) -> list[Component]:
        visit = visit_from(view)
        return part_or_told(lambda: body(shelf.open(str(session_id)), visit), "This drive")

    @app.callback(Output("curves", "children"), Input("curves-of", "data"), State("view", "data"))
    def fill_curves(session_id: Any, view: Any) -> list[Component]:
        screen = visit_from(view).screen
        return part_or_told(lambda: _curves_told(shelf, str(session_id), screen), "These pictures")

    @app.callback(
        Output("signals", "figure"),
        Output("signals", "style"),
        Output("values", "children"),
        Output("shown-part", "children"),
        Output("trouble", "children"),
        Input("window", "data"),
        Input("chosen", "value"),
        Input("states", "checked"),
        State("drive", "data"),
        State("view", "data"),
        prevent_initial_call=True,
    )
    def redraw(window: Any, chosen: Any, states: Any, session_id: Any, view: Any) -> tuple[Any, ...]:
        try:
            loaded = shelf.open(str(session_id))
        except ObdwatchError as error:
            told = notice("This drive can no longer be read", [str(error)], "wrong")
            return no_update, no_update, no_update, no_update, told
        screen = visit_from(view).screen
        picture = _picture(loaded, _known(loaded, chosen), window, screen, states is True)
        figure = moved(picture) if ctx.triggered_id == "window" else drive_figure(picture)
        part = shown_part(picture, _length(loaded))
        return figure, height(picture), values_table(loaded, picture), part, []


def body(loaded: LoadedDrive, visit: Visit) -> list[Component]:
    """Everything below the heading."""
    screen = visit.screen
    said = wording.explained(loaded.findings, screen.units)
    return [
        *(html.P(text, className="lead") for text in [driven(loaded, screen.units)] if text),
        html.P(about(loaded, screen.units), className="quiet"),
        *problems(loaded.remarks),
        _ways_down(loaded),
        html.Section(
            [
                html.H2("What the drive says", id="says", tabIndex=-1),
                html.P(in_short(said), className="lead"),
                *_answers(said, screen.units),
                *next_drive_list(next_drive_words(next_drive(said), screen.units)),
            ]
        ),
        codes_section(loaded, said, screen.units),
        *_signals(loaded, visit),
        _curves(loaded),
        *events(loaded.drive),
    ]


def _curves(loaded: LoadedDrive) -> Component:
    """The place of the pictures, which come after the rest of the page is there."""
    return html.Section(
        [
            html.H2("What was measured against what this car should do", id="curves-heading", tabIndex=-1),
            dcc.Store(id="curves-of", data=loaded.session.id),
            html.Div(loading("Comparing with what was expected …"), id="curves"),
        ],
        **labelled_by("curves-heading"),
    )


def _curves_told(shelf: SessionShelf, session_id: str, screen: Screen) -> list[Component]:
    findings = shelf.open(session_id).findings
    doubted = {one.detector for one in findings if one.signature == WITHHELD}
    return [*curve_articles(shelf.curves(session_id), screen, doubted), *_earlier(shelf, session_id)]


def _earlier(shelf: SessionShelf, session_id: str) -> list[Component]:
    """A way to the same curves laid over those of the drive before, where the car has one."""
    session = shelf.session(session_id)
    if session.car_id is None:
        return []
    known = shelf.garage.car(session.car_id)
    ids = [one.id for one in known.sessions] if known is not None else []
    place = ids.index(session_id) + 1 if session_id in ids else len(ids)
    if place >= len(ids):
        return []
    address = compare_address(session.car_id, ids[place], session_id)
    return [html.P(dcc.Link("Lay these curves over those of the drive before", href=address))]


def _ways_down(loaded: LoadedDrive) -> Component:
    """The sections of a long page, which on a phone is many screens."""
    places = [
        ("says", "What it says", True),
        ("codes-heading", "Trouble codes", True),
        ("signals-heading", "Signals", _has_values(loaded)),
        ("curves-heading", "Measured against expected", True),
        ("events-heading", "On the way", bool(happened(loaded.drive))),
    ]
    links: list[Component] = [html.A(words, href=f"#{place}") for place, words, there in places if there]
    return html.Nav(links, className="ways-down", **labelled("On this page"))


def in_short(said: Sequence[Finding]) -> str:
    """All answers of a drive in one or two sentences: how many faults and how urgent, what stays open."""
    if not said:
        return "This drive has not been analysed yet; the command obdwatch analyse does that."
    count = Counter(finding.verdict for finding in said)
    faults = sorted((one for one in said if one.verdict is Verdict.FAULT), key=wording.rank)
    if faults:
        first = wording.state_words(faults[0])
        most = ". Most urgent" if len(faults) > 1 else ""
        begin = f"{wording.count(len(faults), 'thing')} to see to{most}: {first[:1].lower()}{first[1:]}."
    else:
        begin = without_fault(count[Verdict.HEALTHY])
    healthy, unsure = count[Verdict.HEALTHY], count[Verdict.NOT_ENOUGH_DATA]
    if unsure == len(said):
        return begin
    rest = [f"{wording.count(healthy, 'other check')} looked healthy" if healthy and faults else ""]
    rest += [f"{wording.count(unsure, 'question')} could not be answered" if unsure else ""]
    after = wording.joined([one for one in rest if one])
    return f"{begin} {after[:1].upper()}{after[1:]}." if after else begin


def _answers(said: Sequence[Finding], units: str) -> list[Component]:
    """The faults in full, then, each under its own heading, what stays open and what looks healthy, a line each."""
    ordered = sorted(enumerate(said), key=lambda numbered: wording.rank(numbered[1]))
    cards = [finding_card(index, one, units) for index, one in ordered if one.verdict is Verdict.FAULT]
    groups: list[Component] = []
    for verdict in (Verdict.NOT_ENOUGH_DATA, Verdict.HEALTHY):
        lines = [finding_line(index, one, units) for index, one in ordered if one.verdict is verdict]
        if lines:
            groups.append(html.Section([html.H3(wording.VERDICT_WORDS[verdict]), *lines]))
    return [
        html.Div(cards, className="findings"),
        html.Div(groups, className="side-by-side answered"),
    ]


def _signals(loaded: LoadedDrive, visit: Visit) -> list[Component]:
    if not _has_values(loaded):
        return [notice("No signals", ["This recording holds no values that could be drawn. " + _why_empty(loaded)])]
    asked = visit.chosen()
    keys = _known(loaded, asked) if asked is not None else usual_keys(loaded.drive.signals)
    asked_window = visit.window()
    window = (
        {"start": asked_window.start, "end": asked_window.end} if asked_window else {}
    )  # no None: a Store announces that as a change
    states = bool(loaded.states) and not visit.screen.narrow
    picture = _picture(loaded, keys, window, visit.screen, states)
    return [
        html.Section(
            [
                html.H2("Signals", id="signals-heading", tabIndex=-1),
                chooser(loaded, keys),
                view_buttons(shown_part(picture, _length(loaded))),
                states_choice(loaded.states, states, visit.screen.units),
                html.Div(id="trouble"),
                dcc.Store(id="length", data=_length(loaded)),
                dcc.Store(id="window", data=window),
                dcc.Store(id="usual", data=usual_keys(loaded.drive.signals)),
                html.Div(
                    dcc.Graph(
                        id="signals",
                        figure=drive_figure(picture),
                        config=GRAPH_CONFIG,
                        responsive=True,
                        style=height(picture),
                    ),
                    role="img",
                    **labelled("The chosen signals over the time of the drive; below, the same part in numbers"),
                ),
                html.Details(
                    [html.Summary("In numbers"), html.Div(values_table(loaded, picture), id="values")],
                    open=not visit.screen.narrow,
                    className="in-numbers",
                ),
            ],
            className="signals",
            **labelled_by("signals-heading"),
        )
    ]


def _has_values(loaded: LoadedDrive) -> bool:
    return any(trace.times.size for trace in loaded.traces.values())


def _why_empty(loaded: LoadedDrive) -> str:
    if loaded.session.origin == "imported":
        return "The imported table had no column that is known; a column map names them (obdwatch import --columns)."
    return "Was the ignition on, and the adapter seated in its socket?"


def _known(loaded: LoadedDrive, keys: Any) -> tuple[str, ...]:
    """Those of the `keys` a browser sends that this drive has."""
    asked: Sequence[Any] = keys if isinstance(keys, list | tuple) else ()
    return tuple(dict.fromkeys(key for key in asked if isinstance(key, str) and key in loaded.traces))


def _length(loaded: LoadedDrive) -> float:
    return max(wording.drive_length(loaded.drive), 1.0)


def _picture(loaded: LoadedDrive, keys: Sequence[str], window: Any, screen: Screen, states: bool) -> Picture:
    visible: Window = window_from(window, _length(loaded))
    asked = (window.get("finding"), window.get("place")) if isinstance(window, dict) else None
    return picture_of(loaded, panels_for(loaded.drive.signals, keys), visible, asked, screen, states)


def height(picture: Picture) -> dict[str, str]:
    """The room that the picture takes; without it a browser squeezes any number of panels into one height."""
    return {"height": f"{height_of(picture)}px"}


def moved(picture: Picture) -> Patch:
    """The same figure over another part of the drive: only points, marks and the ends of the time axis are sent."""
    patch = Patch()
    for number, points in enumerate(lines_in_order(picture)):
        patch["data"][number]["x"] = points["x"]
        patch["data"][number]["y"] = points["y"]
    for axis in ("xaxis", "xaxis2"):
        for name, value in visible_range(picture.window).items():
            patch["layout"][axis][name] = value
    for name, value in lying_over(picture).items():
        patch["layout"][name] = value
    return patch
