"""`obdwatch import`: tables that other tools have written become sessions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import Amount, Settings, common_options, moment, print_json, progress_bar
from obdwatch.errors import InputError

if TYPE_CHECKING:
    from obdwatch.logbook.logbook import Logbook
    from obdwatch.recording.importing.report import ImportReport
    from obdwatch.records import Car


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--columns", type=click.Path(path_type=Path), help="Your own column map (TOML).")
@click.option("--context", type=click.Path(path_type=Path), help="What a table cannot carry (JSON).")
@click.option("--car", "car_id", help="Id of the car in the logbook.")
@click.option("--odometer", type=Amount(), help="Odometer at the start, in km (miles with --units us).")
@click.option("--soak-hours", type=Amount(), help="Hours the car had stood.")
@click.option("--started-at", help="Date and time of the first row, ISO 8601 (2026-03-01T07:10:00+01:00).")
@click.option("--where", multiple=True, metavar="COLUMN=VALUE", help="Only the rows with this value; may be repeated.")
@click.option("--note", default="", help="A few words to remember the drive by.")
@common_options
def command(
    settings: Settings,
    file: Path,
    columns: Path | None,
    context: Path | None,
    car_id: str | None,
    odometer: float | None,
    soak_hours: float | None,
    started_at: str | None,
    where: tuple[str, ...],
    note: str,
) -> None:
    """Import FILE (.csv, .tsv, .txt, also .gz; .parquet; .mf4) into the logbook.

    Long tables have the columns time_s,signal,value; wide ones a time column and one column per signal. Separator,
    decimal comma, units in headers and values that were only carried forward are recognised, and what was done is said.
    """
    from obdwatch.commands.lookup import car_from
    from obdwatch.recording.importers import ImportOptions, import_file

    car_from(settings, car_id)
    options = ImportOptions(
        columns=columns,
        context=context,
        car_id=car_id,
        odometer_km=settings.kilometres(odometer),
        soak_hours=soak_hours,
        started_at=moment("--started-at", started_at),
        note=note,
        where=dict(_condition(text) for text in where),
    )
    with settings.open_logbook() as logbook, progress_bar(settings, "Reading") as show:
        path, report = import_file(file, logbook.sessions_folder, options, show)
        logbook.add_session(path)
        if report.car is not None:
            _keep_car(logbook, report.car)
    if settings.as_json:
        print_json({"file": path, "report": report})
        return
    click.echo("\n".join(_lines(report)))
    click.echo(f"Kept as {path}. Look at it with: obdwatch analyse {report.session.id}")


def _keep_car(logbook: Logbook, car: Car) -> None:
    """Take the car of a context into the logbook; one the keeper has described there already stays as it is."""
    known = logbook.car(car.id)
    if known is None:
        logbook.add_car(car)
    elif known != car:
        click.echo(f"The logbook knows car {car.id!r} already; its profile there was kept.", err=True)


def _condition(text: str) -> tuple[str, str]:
    column, equals, value = text.partition("=")
    if not equals or not column:
        raise InputError(f"--where {text!r}: write COLUMN=VALUE")
    return column, value


def _lines(report: ImportReport) -> list[str]:
    lines = [f"{report.rows_read} rows read."]
    if report.round_rows is not None:
        lines.append(
            f"The table repeats old values: it asked for one signal per row and came round every {report.round_rows} "
            "rows. Only fresh values were kept."
        )
    for signal in report.signals:
        repeated = f", {signal.repeated} repeats left out" if signal.repeated else ""
        lines.append(f"  {signal.header!r} is {signal.key}: {signal.count} values{repeated}")
    lines += [f"  {column.header!r} was ignored: {column.reason}" for column in report.ignored]
    for dropped in report.dropped:
        first = f", first in line {dropped.first_line}" if dropped.first_line is not None else ""
        lines.append(f"  {dropped.header!r}: {dropped.count} entries left out ({dropped.reason}{first})")
    return [*lines, *report.notes]
