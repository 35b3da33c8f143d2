"""A parts file for the user to edit: every figure of the catalogue as a line that is switched off by a # before it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from obdwatch.parts.catalogue import OWN_FILE
from obdwatch.parts.part import AccessStep, Catalogue, Extra, Life, Part
from obdwatch.units import KM_PER_MILE

MARK = "#"
"""Stands before a line that can be used; a remark has a blank after it."""
HEAD = """\
#
# A line that begins with # and no blank is switched off: what obdwatch brings along counts. Remove the # and change the
# figure, and yours counts. Lines you leave alone you may delete. Prices are in any currency you like; hours are hours
# (0.5 is 30 minutes); price and hours of a part are those of one piece.
#
# A life is a Weibull distribution: from the part being new to its first signs (onset), and from there to its failure
# (to_failure). By the distance called scale, 63 in 100 have got there. shape says how alike they are: 1 is pure chance,
# 3 is wear that comes to most at a similar distance. Write scale_km or scale_miles, not both. origin must begin with
# "source:", "common practice:" or "assumption:".
"""
EXAMPLES = """
# --- Parts and steps of your own, and single cars: at the end of the file ---
#
# The starter hides under the intake manifold, on one car only (its id in your logbook):
#[[part.starter_motor.variant]]
#only_for = { id = "my-car" }
#access = ["battery_off", "intake_manifold_off"]
#
# A car has no such part at all (here: an oil filter that is screwed straight to the block):
#[[part.oil_filter_housing_gasket.variant]]
#only_for = { id = "my-car" }
#fitted = false
#
# A step and a part that are not in the list:
#[step.wheel_off]
#name = "take off the front wheel"
#undo = "fit the front wheel"
#hours = 0.2
#needs = ["car_raised"]
#[part.inner_drive_boot]
#name = "inner boot of the drive shaft"
#fails_by = "Its rubber cracks and lets the grease out."
#onset = { shape = 2.5, scale_miles = 90_000, origin = "assumption: from my own cars" }
#to_failure = { shape = 1.5, scale_miles = 10_000, origin = "assumption: from my own cars" }
#consequence = "The joint runs dry and knocks."
#breakdown_cost = 150
#damage_cost = 200
#engine_at_risk = false
#access = ["wheel_off"]
#hours = 1.5
#price = 30
#cautions = ["stands"]
"""


def template(catalogue: Catalogue, units: str = "metric", path: Path | None = None) -> str:
    """Return the text of a parts file with every figure of the catalogue in it, all switched off.

    `units` ("metric" or "us") says whether distances are in kilometres or miles, `path` where the file will be read.
    """
    where = path or f"{OWN_FILE} in the folder of your logbook"
    lines = [
        "# Your own figures for parts and work. Save this as:",
        f"# {where}",
        HEAD,
        _line("currency", catalogue.currency or "EUR"),
    ]
    lines += ["", "# --- Parts ---"]
    for part in catalogue.parts.values():
        lines += ["", f"# {part.name}", *_part(part, units)]
    lines += ["", "# --- What is opened or taken off first; hours for opening and closing ---", ""]
    lines += [line for step in catalogue.steps.values() for line in _step(step)]
    lines += ["", "# --- What is bought with a part ---", ""]
    bought = {extra.id: extra for part in catalogue.parts.values() for extra in part.extras}
    lines += [line for extra in bought.values() for line in _extra(extra)]
    return "\n".join(lines) + "\n" + EXAMPLES


def _part(part: Part, units: str) -> Iterator[str]:
    at = f"part.{part.id}"
    yield _line(f"{at}.price", part.price)
    yield _line(f"{at}.per", part.per)
    yield _line(f"{at}.hours", part.hours)
    yield _line(f"{at}.access", list(part.access))
    yield _line(f"{at}.breakdown_cost", part.breakdown_cost)
    yield _line(f"{at}.damage_cost", part.damage_cost)
    yield from _life(f"{at}.onset", part.onset, units)
    yield from _life(f"{at}.to_failure", part.to_failure, units)


def _life(at: str, life: Life, units: str) -> Iterator[str]:
    name, scale = ("scale_miles", life.scale_km / KM_PER_MILE) if units == "us" else ("scale_km", life.scale_km)
    yield _line(f"{at}.shape", life.shape)
    yield _line(f"{at}.{name}", float(f"{scale:.4g}"))
    yield _line(f"{at}.origin", life.origin)


def _step(step: AccessStep) -> Iterator[str]:
    yield f"# {step.name}"
    yield _line(f"step.{step.id}.hours", step.hours)
    yield _line(f"step.{step.id}.needs", list(step.needs))


def _extra(extra: Extra) -> Iterator[str]:
    yield f"# {extra.name}"
    yield _line(f"extra.{extra.id}.price", extra.price)


def _line(key: str, value: float | str | list[str]) -> str:
    if isinstance(value, float):
        value = int(value) if value == int(value) else value
    return f"{MARK}{key} = {json.dumps(value, ensure_ascii=False)}"
