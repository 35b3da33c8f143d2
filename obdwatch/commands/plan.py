"""`obdwatch plan`: which parts to replace in which visit, and the sheet to take along."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from obdwatch.commands.options import Amount, Settings, common_options, print_json
from obdwatch.errors import InputError

if TYPE_CHECKING:
    from obdwatch.commands.plan_options import Calendar, Typed
    from obdwatch.logbook.logbook import Logbook
    from obdwatch.parts.part import Catalogue
    from obdwatch.planning.job_sheet import JobSheet
    from obdwatch.planning.plan_records import Plan
    from obdwatch.planning.wishes import Wishes
    from obdwatch.records import Car, PartRisk


@click.command("plan")
@click.option("--car", "car_id", help="Id of the car in the logbook; may be left out where there is only one.")
@click.option("--budget", type=Amount(), help="The most that one visit may cost.")
@click.option("--hours", type=Amount(), help="The most hours that one visit may take.")
@click.option("--rate", type=Amount(), help="What a workshop's hour costs; leave it out if you do the work yourself.")
@click.option("--own-hour", type=Amount(), help="What an hour of your own is worth to you, without --rate.")
@click.option("--visit-cost", type=Amount(), help="What a visit costs you beyond parts and work: the way, the day.")
@click.option("--visits", type=click.IntRange(1, 6), help="How many visits at most, evenly spaced from now on.")
@click.option("--visit-at", multiple=True, metavar="WHEN", help="A visit then: now, a distance from now, or a day.")
@click.option("--per-year", type=Amount(above_zero=True), help="Distance driven per year, where the log cannot tell.")
@click.option("--trip", "trips", multiple=True, metavar="LENGTH@WHEN", help="A long trip to be ready for: 1500@4000.")
@click.option("--trip-risk", type=Amount(above_zero=True), help="How likely a part may fail on a trip, in % [5].")
@click.option("--do", "decided", multiple=True, metavar="PART", help="Decided: this part is done in the first visit.")
@click.option("--refuse", "refused", multiple=True, metavar="PART", help="This part is not to be done.")
@click.option("--keep", type=Amount(above_zero=True), help="How far you mean to keep the car [30,000 miles].")
@click.option("--only", metavar="PART", help="Say what becomes of the plan if only this part is done.")
@click.option("--sheet", type=click.IntRange(1), metavar="N", help="The job sheet of visit N of the plan.")
@click.option("--out", type=click.Path(path_type=Path), help="Write the job sheet there: .html to print, or .txt.")
@common_options
def command(
    settings: Settings,
    car_id: str | None,
    only: str | None,
    sheet: int | None,
    out: Path | None,
    **typed: Any,
) -> None:
    """Plan which parts to replace when, so that parts, labour and failures on the road are expected to cost least.

    Distances are in km (miles with --units us). Prices, hours and lives are those of the catalogue and of your own
    parts.toml in the logbook's folder.
    """
    from obdwatch.commands.plan_options import Typed

    if out is not None and sheet is None:
        raise click.UsageError("--out goes with --sheet", click.get_current_context())
    if only is not None and sheet is not None:
        raise click.UsageError("take either --only or --sheet", click.get_current_context())
    with settings.open_logbook() as logbook:
        question = _Question(settings, logbook, _car(logbook, car_id), Typed(**typed))
    if only is not None:
        question.answer_only(only)
    elif sheet is not None:
        question.answer_sheet(sheet, out)
    else:
        question.answer_plan()


def _car(logbook: Logbook, car_id: str | None) -> Car:
    if car_id is not None:
        car = logbook.car(car_id)
        if car is None:
            raise InputError(f"no car '{car_id}' in the logbook; 'obdwatch car list' shows them")
        return car
    cars = logbook.cars()
    if len(cars) != 1:
        found = f"there are {', '.join(car.id for car in cars)}" if cars else "'obdwatch car add' adds one"
        raise InputError(f"say which car to plan for, with --car; {found}")
    return cars[0]


class _Question:
    """What is known of the car and what its keeper wants; each answer prints."""

    def __init__(self, settings: Settings, logbook: Logbook, car: Car, typed: Typed) -> None:
        from obdwatch.car_risks import catalogue_of, risks_of_car
        from obdwatch.commands.plan_options import wishes_from

        self.settings, self.car = settings, car
        self.catalogue: Catalogue = catalogue_of(logbook, car)
        self.risks: tuple[PartRisk, ...] = risks_of_car(logbook, car.id, settings.units)
        self.calendar: Calendar = _calendar(settings, logbook, car, typed)
        self.wishes: Wishes = wishes_from(typed, self.calendar, self.catalogue)

    def _plan(self) -> Plan:
        from obdwatch.planning.plan import plan_visits

        with _silent_libraries():
            return plan_visits(self.catalogue, self.risks, self.wishes, self.car)

    def answer_plan(self) -> None:
        """Print the plan."""
        from obdwatch.commands.plan_lines import plan_lines

        plan = self._plan()
        if self.settings.as_json:
            print_json({"car": self.car, "wishes": self.wishes, "plan": plan, "risks": self.risks})
            return
        click.echo(
            "\n".join([f"Car {self.car.name or self.car.id}.", *plan_lines(plan, self.catalogue, self.calendar)])
        )

    def answer_only(self, text: str) -> None:
        """Print what becomes of the plan where one part is replaced."""
        from obdwatch.commands.plan_lines import only_lines
        from obdwatch.commands.plan_options import part_of
        from obdwatch.planning.plan import what_if_only

        part = part_of(text, self.catalogue)
        with _silent_libraries():
            only = what_if_only(part, self.catalogue, self.risks, self.wishes, self.car)
        if self.settings.as_json:
            print_json({"car": self.car, "wishes": self.wishes, "only": only})
            return
        click.echo("\n".join(only_lines(only)))

    def answer_sheet(self, number: int, out: Path | None) -> None:
        """Print or write the job sheet of a visit."""
        from obdwatch.planning.job_sheet import SheetContext, job_sheet, sheet_text

        tests = {risk.part: risk.decided_by for risk in self.risks if risk.decided_by}
        sheet = job_sheet(self._plan(), number, self.catalogue, SheetContext(self.car, self.settings.units, tests))
        if out is not None:
            _write(sheet, out)
        if self.settings.as_json:
            print_json({"car": self.car, "sheet": sheet, "written": out})
        else:
            click.echo(f"Written: {out}" if out is not None else sheet_text(sheet), nl=out is not None)


@contextmanager
def _silent_libraries() -> Iterator[None]:
    """Send what compiled code prints on standard output to nowhere: the solver lets slip a line now and then."""
    sys.stdout.flush()
    kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def _calendar(settings: Settings, logbook: Logbook, car: Car, typed: Typed) -> Calendar:
    """Today, and how far the car is driven in a year: as typed, or as its drives and log show."""
    from obdwatch.commands.plan_options import Calendar
    from obdwatch.planning.yearly import yearly_miles

    readings = [(one.started_at, one.odometer_km) for one in logbook.sessions(car.id)]
    readings += [(event.at, event.odometer_km) for event in logbook.events(car.id)]
    shown = yearly_miles((at, km) for at, km in readings if at is not None and km is not None)
    calendar = Calendar(datetime.now().astimezone().date(), shown, settings.units)
    if typed.per_year is None:
        return calendar
    return Calendar(calendar.today, calendar.miles(typed.per_year), settings.units)


def _write(sheet: JobSheet, out: Path) -> None:
    from obdwatch.planning.job_sheet import sheet_text
    from obdwatch.planning.job_sheet_page import sheet_html
    from obdwatch.recording.exporters import written_whole

    if out.suffix.lower() not in (".html", ".htm", ".txt"):
        raise InputError(f"{out}: choose a name that ends in .html (to print) or .txt")
    text = sheet_text(sheet) if out.suffix.lower() == ".txt" else sheet_html(sheet)
    written_whole(out, lambda beside: beside.write_text(text, "utf-8"))
