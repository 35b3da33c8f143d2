"""The dashboard as an application: its frame, which page answers which address, and what it refuses.

`create_app` is a factory: nothing is kept between two applications of one process, so that tests and commands may make
as many as they like. Pages live in `dashboards/pages`, one for each question; a new one is a line in `_pages`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, no_update
from dash.dependencies import ALL

from dashboards.arrivals import Arrivals, connect_arrivals
from dashboards.beginning import Beginning
from dashboards.browser_files import connect_files, picture_addresses
from dashboards.components import back_to_drives, frame, notice
from dashboards.failures import page_or_told
from dashboards.holding import held_all
from dashboards.live_feed import Recordings, connect_feed
from dashboards.pages import (
    codes,
    compare,
    drive,
    drive_record,
    drives,
    home,
    inspection,
    live,
    new_drive,
    part,
    trends,
    visits,
    visits_form,
)
from dashboards.reports import connect_reports
from dashboards.security import Access, guard
from dashboards.sessions import Analyse, Load, SessionShelf, SessionSource
from dashboards.transfers import connect_transfers
from dashboards.visit import (
    CAR,
    CODES,
    COMPARE,
    DRIVE,
    DRIVES,
    INSPECTION,
    NEW_DRIVE,
    NOW,
    PART,
    TRENDS,
    VISITS,
    Page,
    Visit,
    visit_from,
)

ASSETS = Path(__file__).parent / "assets"
INDEX = """<!DOCTYPE html>
<html lang="en">
    <head>
        {%metas%}
        <title>{%title%}</title>
        <link rel="icon" type="image/svg+xml" href="/assets/icon.svg">
        <meta name="pictures" content="PICTURES">
        {%css%}
    </head>
    <body>
        {%app_entry%}
        <noscript>The dashboard needs JavaScript; nothing is loaded from anywhere but this machine.</noscript>
        {%config%}
        {%scripts%}
        {%renderer%}
    </body>
</html>"""

Show = Callable[[SessionShelf, Visit], Page]


def create_app(
    logbook: SessionSource,
    analyse: Analyse | None = None,
    *,
    access: Access | None = None,
    load: Load | None = None,
    units: str = "metric",
) -> Dash:
    """Make the dashboard over `logbook`.

    `analyse` judges a drive that the logbook has no findings of; `load` reads a session file (the usual reader where
    it is None). `access` says who may come in; only this machine, where it is None.
    `units` (metric, us) are shown until the reader chooses.
    """
    app = Dash(
        "obdwatch",
        title="obdwatch",
        update_title="",
        index_string=INDEX.replace("PICTURES", " ".join(picture_addresses("/"))),
        assets_folder=str(ASSETS),
        use_pages=False,
        suppress_callback_exceptions=True,
        compress=True,
        enable_mcp=False,
        add_log_handler=False,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    shelf = SessionShelf(logbook, analyse, load)
    app.layout = frame(units)
    _connect_frame(app, shelf)
    for page in (compare, drive, drives, drive_record, inspection, visits_form):
        page.register(app, shelf)
    home.register(app, Beginning(logbook))
    arrivals = Arrivals()
    new_drive.register(app, shelf, arrivals)
    connect_arrivals(app.server, arrivals)
    connect_transfers(app.server, shelf)
    connect_reports(app.server, logbook)
    connect_feed(app.server, Recordings(logbook))
    connect_files(app.server, ASSETS)
    _connect_browser(app)
    guard(app.server, access or Access(), app.csp_hashes(), app.callback_map)
    return app


# Address -> its page, and the page of what lies below it; None where nothing does.
PAGES: Mapping[str, tuple[Show | None, Show | None]] = {
    "": (home.show, None),
    CAR: (home.show, home.show),
    PART: (None, part.show),
    NOW: (live.show, None),
    DRIVES: (drives.show, drive_record.show),
    NEW_DRIVE: (new_drive.show, None),
    DRIVE: (None, drive.show),
    CODES: (codes.show, codes.show),
    COMPARE: (compare.show, compare.show),
    INSPECTION: (inspection.show, inspection.show),
    TRENDS: (trends.show, trends.show),
    VISITS: (visits.show, visits.show),
}


def _page_for(path: str) -> Show | None:
    """The page that answers an address.

    >>> _page_for("/drives/") is drives.show, _page_for("/drives/x/y") is drive_record.show, _page_for("/nowhere")
    (True, True, None)
    """
    first, _, below = path.strip("/").partition("/")
    itself, of_one = PAGES.get(f"/{first}" if first else "", (None, None))
    return of_one if below else itself


def show_page(shelf: SessionShelf, visit: Visit) -> Page:
    """What the main part shows; a failure is shown in the page's place."""
    show = _page_for(visit.path)
    if show is None:
        told = notice("There is no such page", ["The address may be mistyped or from another version."], "wrong")
        return Page("No such page", [told, back_to_drives()])
    return page_or_told(lambda: show(shelf, visit))


def _connect_frame(app: Dash, shelf: SessionShelf) -> None:
    @app.callback(Output("page", "children"), Output("title", "data"), Input("view", "data"))
    def fill(view: Any) -> tuple[Any, Any]:
        if view is None:  # the browser has not said yet where it is
            return no_update, no_update
        page = show_page(shelf, visit_from(view))
        return held_all(page.children), f"{page.title} – obdwatch"


def _connect_browser(app: Dash) -> None:
    """What the browser does by itself; the functions are in assets/dashboard.js."""

    def in_browser(name: str, *connected: Any, **options: Any) -> None:
        app.clientside_callback(  # type: ignore[no-untyped-call]
            ClientsideFunction("obdwatch", name), *connected, **options
        )

    in_browser(
        "visit",
        Output("view", "data"),
        Input("address", "pathname"),
        Input("address", "search"),
        Input("units", "value"),
    )
    in_browser(
        "search",
        Output("address", "href"),
        Input("words", "n_submit"),
        Input("search", "n_clicks"),
        State("words", "value"),
        prevent_initial_call=True,
    )
    in_browser("announce", Input("title", "data"))
    in_browser("theme", Output("mantine", "forceColorScheme"), Input("theme", "n_clicks"))
    in_browser(
        "window",
        Output("window", "data"),
        Input("signals", "relayoutData"),
        Input({"type": "move", "way": ALL}, "n_clicks"),
        Input({"type": "place", "finding": ALL, "start": ALL, "end": ALL}, "n_clicks"),
        State("window", "data"),
        State("length", "data"),
        prevent_initial_call=True,
    )
    in_browser(
        "remember",
        Input("window", "data"),
        Input("chosen", "value"),
        State("usual", "data"),
        prevent_initial_call=True,
    )
