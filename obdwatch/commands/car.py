"""`obdwatch car`: the cars of the logbook."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import Settings, common_options, print_json
from obdwatch.errors import InputError

if TYPE_CHECKING:
    from obdwatch.records import Car

NUMBERS = ("displacement_l", "cylinders", "thermostat_temperature", "part_new_at_km")
PART_HELP = "PART=DISTANCE on the clock when it was last new, in km (miles with --units us), or PART=unknown."
SETTING_HELP = "FIELD=VALUE, such as displacement_l=2.5 or firing_order=1,5,3,6,2,4; may be repeated."


@click.group("car")
def command() -> None:
    """Add, show, list and edit cars; every field but the id may stay unknown."""


@command.command("add")
@click.argument("car_id")
@click.option("--profile", type=click.Path(path_type=Path), help="Take the fields from a profile (.toml).")
@click.option("--from-session", "session", help="Begin with what the car itself tells in this session (id or file).")
@click.option("--ask", "asking", is_flag=True, help="Ask for what is not known yet; each question may be left open.")
@click.option("--set", "settings_given", multiple=True, help=SETTING_HELP)
@click.option("--part", "parts_given", multiple=True, help=PART_HELP)
@common_options
def add(
    settings: Settings,
    car_id: str,
    profile: Path | None,
    session: str | None,
    asking: bool,
    settings_given: tuple[str, ...],
    parts_given: tuple[str, ...],
) -> None:
    """Add the car CAR_ID."""
    from obdwatch.car_profiles import car_from_mapping, car_from_toml

    car = car_from_toml(profile) if profile is not None else car_from_mapping({"id": car_id}, "the new car")
    car = _with_parts(_changed(replace(car, id=car_id), settings_given), parts_given, settings)
    with settings.open_logbook() as logbook:
        if logbook.car(car_id) is not None:
            raise InputError(f"there is a car '{car_id}' already; edit it, or choose another id")
        car, told = _seen(settings, car, session) if session is not None else (car, ())
        if asking:
            from obdwatch.commands.car_ask import ask

            if not settings.as_json:
                click.echo("".join(f"From the drive: {text}.\n" for text in told), nl=False, err=True)
            car = ask(car, settings.units)
        logbook.add_car(car)
    _show(settings, car, (), told)


def _seen(settings: Settings, car: Car, session: str) -> tuple[Car, tuple[str, ...]]:
    """The car with what a drive tells of it, and the sentences that rests on; what contradicts the profile is said."""
    from obdwatch.commands.lookup import session_path
    from obdwatch.signals.car_seen import completed, seen_of
    from obdwatch.signals.drives import load_drive
    from obdwatch.signals.profile_check import contradictions

    drive = load_drive(session_path(settings, session))
    seen = seen_of(drive)
    return completed(car, seen), (*seen.reasons, *contradictions(drive, car))


@command.command("edit")
@click.argument("car_id")
@click.option("--set", "settings_given", multiple=True, help=SETTING_HELP + " Empty means unknown.")
@click.option("--part", "parts_given", multiple=True, help=PART_HELP)
@click.option("--ask", "asking", is_flag=True, help="Ask for what is not known yet; each question may be left open.")
@common_options
def edit(
    settings: Settings, car_id: str, settings_given: tuple[str, ...], parts_given: tuple[str, ...], asking: bool
) -> None:
    """Change fields of the car CAR_ID."""
    if not (settings_given or parts_given or asking):
        raise click.UsageError("say what to change with --set, --part or --ask", click.get_current_context())
    with settings.open_logbook() as logbook:
        car = _changed(_known(logbook.car(car_id), car_id), settings_given)
        car = _with_parts(car, parts_given, settings)
        if asking:
            from obdwatch.commands.car_ask import ask

            car = ask(car, settings.units)
        logbook.save_car(car)
    _show(settings, car)


@command.command("show")
@click.argument("car_id")
@common_options
def show(settings: Settings, car_id: str) -> None:
    """Show what is known of the car CAR_ID, in the form of a profile (.toml)."""
    from obdwatch.commands.car_parts import part_lines, parts_document

    with settings.open_logbook() as logbook:
        car = _known(logbook.car(car_id), car_id)
        warnings = logbook.odometer_warnings(car_id, settings.units)
        if settings.as_json:
            print_json({"car": car, "warnings": warnings, "parts": parts_document(logbook, car)})
            return
        _show(settings, car, warnings)
        click.echo("\n".join(part_lines(logbook, car, settings.units)))


@command.command("list")
@common_options
def list_cars(settings: Settings) -> None:
    """List the cars and how many drives each has."""
    with settings.open_logbook() as logbook:
        cars = [(car, len(logbook.sessions(car.id))) for car in logbook.cars()]
    if settings.as_json:
        print_json([{"car": car, "drives": drives} for car, drives in cars])
        return
    if not cars:
        click.echo("No car yet. Add yours with: obdwatch car add my-car --set cylinders=4 --set displacement_l=2.0")
    for car, drives in cars:
        click.echo(f"{car.id}  {car.name or '(no name)'}  {drives} drive{'' if drives == 1 else 's'}")


def _known(car: Car | None, car_id: str) -> Car:
    if car is None:
        raise InputError(f"no car '{car_id}' in the logbook; 'obdwatch car list' shows them")
    return car


def _changed(car: Car, assignments: tuple[str, ...]) -> Car:
    """Apply FIELD=VALUE texts; part_new_at_km.PART=KM says when a part was last new."""
    from obdwatch.car_profiles import car_from_mapping, car_to_mapping

    document = car_to_mapping(car)
    for text in assignments:
        name, equals, value = text.partition("=")
        if not equals:
            raise InputError(f"--set {text!r}: write FIELD=VALUE")
        _assign(document, name.strip(), value.strip())
    return car_from_mapping(document, f"car '{car.id}'")


def _assign(document: dict[str, object], name: str, text: str) -> None:
    from obdwatch.records import Car

    field, dot, part = name.partition(".")
    if field == "part_new_at_km" and dot:
        parts = dict(document.get(field) or {})  # type: ignore[call-overload]
        parts[part] = _value(field, text) if text else None
        document[field] = parts
        return
    if field not in {f.name for f in fields(Car)} or field in ("id", "part_new_at_km"):
        raise InputError(f"--set {name}: a car has no such field; 'obdwatch car show' names them")
    if text:
        document[field] = _value(field, text)
    else:
        document.pop(field, None)


def _with_parts(car: Car, assignments: tuple[str, ...], settings: Settings) -> Car:
    """Apply PART=DISTANCE texts, in the units the user reads; an empty or unknown one is kept as unknown."""
    from obdwatch.car_profiles import check_car

    ages = dict(car.part_new_at_km)
    for text in assignments:
        part, equals, value = (piece.strip() for piece in text.partition("="))
        if not equals:
            raise InputError(f"--part {text!r}: write PART=DISTANCE, such as thermostat=90000, or thermostat=unknown")
        number = None if value in ("", "unknown", "?") else _number(value.replace(",", ""))
        if isinstance(number, str):
            raise InputError(f"--part {text!r}: {value!r} is no distance; write a number, or unknown")
        if isinstance(number, int | float) and number < 0:
            raise InputError(f"--part {text!r}: the clock does not go below zero")
        km = settings.kilometres(float(number)) if isinstance(number, int | float) else None
        ages[part] = None if km is None else round(km, 1)
    changed = replace(car, part_new_at_km=ages)
    check_car(changed, f"car '{car.id}'")
    return changed


def _value(field: str, text: str) -> object:
    """Read what a user typed for a field; what is of no use is left as a text for the profile check to refuse."""
    if field == "bank_cylinders":
        return [_list(bank) for bank in text.split("/")]
    if field in ("firing_order", "cam_timing"):
        return _list(text)
    if field == "intake_flaps":
        return {"yes": True, "true": True, "no": False, "false": False}.get(text.lower(), text)
    return _number(text) if field in NUMBERS else text


def _list(text: str) -> list[object]:
    return [_number(entry.strip()) for entry in text.split(",")]


def _number(text: str) -> object:
    try:
        return float(text) if "." in text else int(text)
    except ValueError:
        return text


def _show(settings: Settings, car: Car, warnings: tuple[str, ...] = (), told: tuple[str, ...] = ()) -> None:
    from obdwatch.car_profiles import car_to_toml

    if settings.as_json:
        print_json({"car": car, "warnings": warnings, "told": told} if told else {"car": car, "warnings": warnings})
        return
    for text in told:
        click.echo(f"# from the drive: {text}")
    click.echo(car_to_toml(car), nl=False)
    unknown = [f.name for f in fields(car) if getattr(car, f.name) in (None, "") and f.name != "units"]
    if unknown:
        click.echo(f"# unknown: {', '.join(unknown)}")
    for warning in warnings:
        click.echo(f"# {warning}")
