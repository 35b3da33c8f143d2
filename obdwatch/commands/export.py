"""`obdwatch export`: a session for other programs, or for other people."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import Settings, common_options, print_json

if TYPE_CHECKING:
    from obdwatch.records import Car

FORMATS = ("csv", "csv-wide", "parquet", "mdf4", "obdw", "exchanges")


@click.command("export")
@click.argument("session")
@click.option("--format", "form", type=click.Choice(FORMATS), default="csv", show_default=True, help="File format.")
@click.option("--out", type=click.Path(path_type=Path), help="File to write (default: the session's name here).")
@click.option("--context", type=click.Path(path_type=Path), help="Also write codes, monitor results and car (JSON).")
@click.option("--redact", is_flag=True, help="Remove everything that identifies the car, its keeper or a place.")
@common_options
def command(settings: Settings, session: str, form: str, out: Path | None, context: Path | None, redact: bool) -> None:
    """Export SESSION (a file, or the id of one in the logbook).

    csv has one row per value, csv-wide one column per signal, exchanges every request with its raw answer, obdw is a
    session file again.
    """
    from obdwatch.commands.lookup import session_path
    from obdwatch.exporting import export_session

    written = export_session(session_path(settings, session), form, out, context, redact, _car(settings, session))
    if settings.as_json:
        print_json({"files": written})
        return
    for path in written:
        click.echo(f"Written: {path}")


def _car(settings: Settings, session: str) -> Car | None:
    """The car of a session of the logbook, for the context file."""
    from obdwatch.commands.lookup import looks_like_a_path

    if looks_like_a_path(session):
        return None
    with settings.open_logbook() as logbook:
        car_id = logbook.session(session).car_id
        return logbook.car(car_id) if car_id is not None else None
