"""`obdwatch log`: what was done to a car and seen on it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import Amount, Command, Settings, common_options, moment, print_json
from obdwatch.errors import InputError
from obdwatch.logbook.events import WELL_FORMED
from obdwatch.records import Event, EventKind

if TYPE_CHECKING:
    from obdwatch.logbook.logbook import Logbook


@click.group("log")
def command() -> None:
    """Write down repairs, inspections, refuels, odometer readings and notes; list and remove entries."""


def entry_options(function: Command) -> Command:
    """Options of every entry."""
    function = click.option("--car", "car_id", required=True, help="Id of the car in the logbook.")(function)
    function = click.option("--odometer", type=Amount(), help="Odometer, in km (miles with --units us).")(function)
    return click.option("--date", "at", help="When, ISO 8601 (default: now).")(function)


@command.command("repair")
@click.argument("part")
@click.argument("note", default="")
@entry_options
@common_options
def repair(settings: Settings, part: str, note: str, car_id: str, odometer: float | None, at: str | None) -> None:
    """Note that PART was repaired or replaced; it starts a new baseline. PART may name a place: ignition_coil:3."""
    _add(settings, EventKind.REPAIR, car_id, odometer, at, part=part, note=note)


@command.command("inspection")
@click.argument("part")
@click.argument("answer")
@click.argument("note", default="")
@entry_options
@common_options
def inspection(
    settings: Settings, part: str, answer: str, note: str, car_id: str, odometer: float | None, at: str | None
) -> None:
    """Note what was seen on PART: ANSWER is yes (something was there), no, or could-not-look."""
    answers = {"yes": "yes", "no": "no", "could-not-look": "could not look"}
    if answer not in answers:
        raise InputError(f"answer {answer!r}: say yes, no or could-not-look")
    _add(settings, EventKind.INSPECTION, car_id, odometer, at, part=part, answer=answers[answer], note=note)


@command.command("refuel")
@click.argument("note", default="")
@entry_options
@common_options
def refuel(settings: Settings, note: str, car_id: str, odometer: float | None, at: str | None) -> None:
    """Note a refuel; another fuel shifts the mixture, which is then not taken for a fault."""
    _add(settings, EventKind.REFUEL, car_id, odometer, at, note=note)


@command.command("note")
@click.argument("note")
@entry_options
@common_options
def note(settings: Settings, note: str, car_id: str, odometer: float | None, at: str | None) -> None:
    """Note anything worth remembering."""
    _add(settings, EventKind.NOTE, car_id, odometer, at, note=note)


@command.command("odometer")
@click.argument("reading", type=Amount())
@click.option("--car", "car_id", required=True, help="Id of the car in the logbook.")
@click.option("--date", "at", help="When, ISO 8601 (default: now).")
@common_options
def odometer(settings: Settings, reading: float, car_id: str, at: str | None) -> None:
    """Note an odometer READING, in km (miles with --units us)."""
    _add(settings, EventKind.ODOMETER, car_id, reading, at)


@command.command("list")
@click.option("--car", "car_id", help="Only this car.")
@common_options
def list_events(settings: Settings, car_id: str | None) -> None:
    """List the entries, oldest first."""
    with settings.open_logbook() as logbook:
        events = logbook.events(car_id)
    if settings.as_json:
        print_json(events)
        return
    if not events:
        click.echo("No entry yet.")
    for event in events:
        click.echo(_line(event, settings.units))


@command.command("remove")
@click.argument("number", type=int)
@common_options
def remove(settings: Settings, number: int) -> None:
    """Remove the entry with this NUMBER, as 'obdwatch log list' shows it."""
    with settings.open_logbook() as logbook:
        event = logbook.remove_event(number)
    _report(settings, event, "Removed")


def _add(
    settings: Settings,
    kind: EventKind,
    car_id: str,
    odometer: float | None,
    at: str | None,
    part: str | None = None,
    answer: str | None = None,
    note: str = "",
) -> None:
    when = moment("--date", at) or datetime.now(UTC).replace(microsecond=0)
    with settings.open_logbook() as logbook:
        part = _part_id(logbook, part) if part is not None else None
        event = logbook.add_event(Event(car_id, when, kind, settings.kilometres(odometer), part, answer, note))
        warnings = (
            *_about_date(event),
            *_about_part(logbook, event),
            *logbook.odometer_warnings(car_id, settings.units),
        )
    _report(settings, event, "Noted", warnings)


def _part_id(logbook: Logbook, typed: str) -> str:
    """The id of a part that was typed by its name, as every screen shows it; what is no name stays as typed."""
    from obdwatch.parts.catalogue import OWN_FILE, read_catalogue

    if WELL_FORMED.fullmatch(typed):
        return typed
    name, colon, place = typed.strip().lower().replace("-", " ").partition(":")
    parts = read_catalogue(logbook.directory / OWN_FILE).parts
    meant = [id_ for id_, part in parts.items() if name in (part.name.lower(), id_.replace("_", " "))]
    return f"{meant[0]}{colon}{place}" if len(meant) == 1 else typed


def _about_date(event: Event) -> tuple[str, ...]:
    """An entry of a day that has not come yet is kept, but everything after it waits for that day."""
    if event.at.astimezone().date() <= datetime.now().astimezone().date():
        return ()
    return (
        f"{event.at.astimezone():%Y-%m-%d} lies in the future; if that is not meant, take the entry out "
        f"('obdwatch log remove {event.id}') and log it again.",
    )


def _about_part(logbook: Logbook, event: Event) -> tuple[str, ...]:
    """What to look at in the part of an entry: an unknown one, and a repair whose distance nobody knows."""
    if event.part is None:
        return ()
    from obdwatch.logbook.events import part_warning
    from obdwatch.part_ages import places_of
    from obdwatch.parts.catalogue import OWN_FILE, read_catalogue

    unknown = part_warning(event, read_catalogue(logbook.directory / OWN_FILE).parts.keys())
    if unknown is not None:
        return (unknown,)
    base, _, place = event.part.partition(":")
    count = places_of(base, logbook.car(event.car_id))
    if place.isdigit() and count is not None and not 1 <= int(place) <= count:
        return (f"the profile says that this car has {count} of '{base}', so there is no place {place}.",)
    if event.kind is EventKind.REPAIR and event.odometer_km is None and not logbook.odometer_readings(event.car_id):
        return ("no odometer reading is known, so the age of the part in distance is not either; log one.",)
    return ()


def _report(settings: Settings, event: Event, what: str, warnings: tuple[str, ...] = ()) -> None:
    if settings.as_json:
        print_json({"event": event, "warnings": warnings})
        return
    click.echo(f"{what}: {_line(event, settings.units)}")
    for warning in warnings:
        click.echo(f"Look at this: {warning}")


def _line(event: Event, units: str) -> str:
    from obdwatch.units import odometer_text

    at = event.at.astimezone().strftime("%Y-%m-%d %H:%M")
    odometer = odometer_text(event.odometer_km, units) if event.odometer_km is not None else None
    kind = event.kind.value.replace("_", " ")
    known = (odometer, kind, event.part, event.answer, _asked_for(event.question), event.note)
    return f"{event.id}  {at}  {event.car_id}  " + "  ".join(text for text in known if text)


def _asked_for(question: str | None) -> str | None:
    """What a question of the guided inspection looks for; the bare id of one this version does not know."""
    from obdwatch.parts.inspection_questions import read_questions

    if question is None or question not in read_questions().by_id:
        return question
    return read_questions().by_id[question].sign
