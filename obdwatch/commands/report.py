"""`obdwatch report`: what is known of a car, as one file for its owner, a buyer or a workshop."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import click

from obdwatch.commands.options import Settings, common_options, print_json, progress_bar
from obdwatch.errors import InputError

PAGES, PAPERS = (".html", ".htm"), (".pdf",)
KNOWN = 0.4  # share of the time of a PDF after which everything is known and the drawing begins


@click.command("report")
@click.option("--car", "car_id", help="Id of the car in the logbook; may be left out where there is only one.")
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="The file to write; its name ends in .html or .pdf."
)
@click.option(
    "--with-vin", is_flag=True, help="Keep the identification number of the car, which is left out otherwise."
)
@common_options
def command(settings: Settings, car_id: str | None, out: Path, with_vin: bool) -> None:
    """Write a report of a car: state, parts at risk, evidence with pictures, codes, plan, history, method, cautions.

    The file needs nothing else: a page for any browser, or a PDF. It is advice from recorded data, not an inspection.
    """
    from obdwatch.recording.exporters import written_whole
    from obdwatch.reporting.page import page
    from obdwatch.reporting.pdf import pdf
    from obdwatch.reporting.report import report_of

    suffix = out.suffix.lower()
    if suffix not in (*PAGES, *PAPERS):
        raise InputError(f"{out}: choose a name that ends in .html (for a browser) or .pdf")
    made_at = datetime.now(UTC)
    known = 1.0 if suffix in PAGES else KNOWN
    with settings.open_logbook() as logbook, progress_bar(settings, "Writing the report") as show:
        report = report_of(logbook, car_id, settings.units, made_at, with_vin, lambda share: show(known * share))
        show(known)
        drawing = partial(pdf, report, made_at, lambda share: show(known + (1.0 - known) * share))
        content = page(report).encode() if suffix in PAGES else drawing()
    written_whole(out, lambda beside: beside.write_bytes(content))
    if settings.as_json:
        print_json({"written": out, "report": report})
        return
    click.echo(f"Written: {out}")
    if not with_vin:
        click.echo("The identification number (VIN) is left out; --with-vin keeps it.")
