"""`obdwatch dashboard`: the drives in a browser on this computer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from obdwatch.commands.options import Settings, common_options

if TYPE_CHECKING:
    from obdwatch.analysis import Analysis
    from obdwatch.logbook.logbook import Logbook
    from obdwatch.records import Car, Drive


@click.command("dashboard")
@click.argument("session", required=False)
@click.option("--host", default="127.0.0.1", show_default=True, help="Another than this computer demands a token.")
@click.option("--port-http", default=8050, show_default=True, help="Port to serve on.")
@click.option("--token", help="What a visitor must know; one is made where --host demands it.")
@click.option("--no-browser", is_flag=True, help="Do not open a browser.")
@common_options
def command(
    settings: Settings, session: str | None, host: str, port_http: int, token: str | None, no_browser: bool
) -> None:
    """Serve the dashboard over your logbook until Ctrl-C; SESSION (an id, or a file) is opened at once."""
    from dashboards.visit import drive_address

    with settings.open_logbook() as logbook:
        serve_logbook(
            logbook,
            host=host,
            port=port_http,
            token=token,
            open_browser=not no_browser,
            path=drive_address(_session_id(logbook, session)) if session else "/",
            units=settings.units,
        )


def _session_id(logbook: Logbook, text: str) -> str:
    from obdwatch.commands.lookup import looks_like_a_path
    from obdwatch.recording.session_file import read_header

    path = Path(text) if looks_like_a_path(text) else logbook.path_of(text)
    session = read_header(path)
    if looks_like_a_path(text):
        logbook.add_session(path)
    return session.id


def serve_logbook(logbook: Logbook, **options: Any) -> None:
    """Serve the dashboard over a logbook; drives that nobody has judged yet are judged when they are opened."""
    from dashboards.server import serve
    from obdwatch.analysis import analyse_drive

    def analyse(drive: Drive, car: Car | None) -> Analysis:
        return analyse_drive(drive, car, logbook.history_before(drive.session.id))

    serve(logbook, analyse=analyse, say=click.echo, **options)
