"""`obdwatch parts`: what the catalogue says of the wear parts, and a file to put one's own figures into."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from obdwatch.car_profiles import PART_IDS
from obdwatch.commands.options import Settings, common_options, print_json
from obdwatch.errors import InputError

if TYPE_CHECKING:
    from obdwatch.parts.part import Catalogue
    from obdwatch.records import Car


@click.command("parts")
@click.argument("part", required=False)
@click.option("--car", "car_name", help="Only the parts this car has, as they are on it (an id, or a profile .toml).")
@click.option("--template", "as_template", is_flag=True, help="Print a parts file to edit, with every figure in it.")
@common_options
def command(settings: Settings, part: str | None, car_name: str | None, as_template: bool) -> None:
    """List the wear parts, or tell everything about one PART: how it fails, its life, what must come off, advice.

    Your own prices, hours and lives go into parts.toml in the folder of the logbook:
    obdwatch parts --template > parts.toml
    """
    from obdwatch.commands.lookup import car_from
    from obdwatch.commands.part_words import list_lines, part_lines
    from obdwatch.parts.catalogue import catalogue_for, read_catalogue
    from obdwatch.parts.template import template

    car = car_from(settings, car_name)
    own = own_parts_file(settings)
    everything = read_catalogue(own)
    catalogue = catalogue_for(car, everything)
    if as_template:
        text = template(catalogue, settings.units, own)
        print_json({"template": text}) if settings.as_json else click.echo(text, nl=False)
    elif part is None:
        lines = [*list_lines(catalogue, car, settings.units), f"Your own figures are read from {own}."]
        print_json(catalogue) if settings.as_json else click.echo("\n".join(lines))
    else:
        found = _meant(part, catalogue, everything, car)
        if settings.as_json:
            print_json(_one(found, catalogue))
        else:
            click.echo("\n".join(part_lines(catalogue.parts[found], catalogue, car, settings.units)))


def own_parts_file(settings: Settings) -> Path:
    """Return where the user's parts file is looked for, whether it exists or not."""
    from obdwatch.logbook.logbook import default_directory
    from obdwatch.parts.catalogue import OWN_FILE

    return (settings.logbook or default_directory()).expanduser().absolute() / OWN_FILE


def _meant(text: str, catalogue: Catalogue, everything: Catalogue, car: Car | None) -> str:
    """The id of the part that a user named by id or name."""
    names = {part.name.lower(): part.id for part in everything.parts.values()} | {id_: id_ for id_ in everything.parts}
    wanted = " ".join(text.lower().split())
    found = names.get(wanted) or names.get(wanted.replace(" ", "_").replace("-", "_"))
    if found is None and wanted.replace(" ", "_") in PART_IDS:
        raise InputError(f"your parts file says that '{text}' is on none of your cars")
    if found is None:
        close = difflib.get_close_matches(wanted, names, 1)
        hint = f"did you mean '{close[0]}'?" if close else "'obdwatch parts' lists them all"
        raise InputError(f"no part '{text}'; {hint}")
    if found not in catalogue.parts:
        fields = ", ".join(everything.parts[found].only_for) or "your parts file"
        raise InputError(f"car '{car.id if car else ''}' has no {everything.parts[found].name}, going by {fields}")
    return found


def _one(found: str, catalogue: Catalogue) -> dict[str, object]:
    from obdwatch.planning.access import opened_for

    part = catalogue.parts[found]
    steps = [catalogue.steps[step] for step in opened_for(part.access, catalogue.steps)]
    return {"part": part, "steps": steps, "currency": catalogue.currency, "remarks": catalogue.remarks}
