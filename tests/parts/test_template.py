"""The parts file to edit: switched off it changes nothing, switched on it says what the catalogue says already."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from obdwatch.parts.catalogue import catalogue_for, read_catalogue
from obdwatch.parts.part import Life, Part
from obdwatch.parts.template import EXAMPLES, template
from obdwatch.records import Car
from tests.parts.own_files import own_file
from tests.parts.test_catalogue_for_car import SIX

VEE = Car("vee", layout="vee", cylinders=6, coolant_pump="belt", ignition="distributor", plug_type="copper")


def switched_on(text: str) -> str:
    return re.sub(r"^#(?=[^ \n])", "", text, flags=re.MULTILINE)


def alike(one: Life, other: Life) -> bool:
    return (
        one.shape == other.shape
        and one.origin == other.origin
        and one.scale_km == pytest.approx(other.scale_km, rel=1e-3)
    )


def figures(part: Part) -> tuple[object, ...]:
    extras = tuple((extra.id, extra.price) for extra in part.extras)
    return part.price, part.per, part.hours, part.access, part.breakdown_cost, part.damage_cost, extras


def test_as_printed_it_changes_nothing(tmp_path: Path) -> None:
    found = read_catalogue(own_file(tmp_path, template(read_catalogue())))
    assert found.parts == read_catalogue().parts
    assert found.steps == read_catalogue().steps
    assert found.remarks == read_catalogue().remarks


@pytest.mark.parametrize("car", [None, SIX, VEE], ids=["no car", "six", "vee"])
@pytest.mark.parametrize("units", ["metric", "us"])
def test_switched_on_it_says_what_is_so_already(car: Car | None, units: str, tmp_path: Path) -> None:
    shipped = catalogue_for(car, read_catalogue())
    text = switched_on(template(shipped, units).removesuffix(EXAMPLES))
    found = catalogue_for(car, read_catalogue(own_file(tmp_path, text)))
    if car is not None:  # without a car, general figures replace those of single layouts
        assert {name: figures(part) for name, part in found.parts.items()} == {
            name: figures(part) for name, part in shipped.parts.items()
        }
    for name, part in found.parts.items():
        assert alike(part.onset, shipped.parts[name].onset), name
        assert alike(part.to_failure, shipped.parts[name].to_failure), name
    assert {step.id: (step.hours, step.needs) for step in found.steps.values()} == {
        step.id: (step.hours, step.needs) for step in shipped.steps.values()
    }


def test_the_examples_at_its_end_work_below_everything_else(tmp_path: Path) -> None:
    text = switched_on(template(read_catalogue()))
    catalogue = read_catalogue(own_file(tmp_path, text))
    mine = catalogue_for(Car("my-car"), catalogue)
    assert mine.parts["starter_motor"].access == ("battery_off", "intake_manifold_off")
    assert "oil_filter_housing_gasket" not in mine.parts
    assert mine.parts["inner_drive_boot"].access == ("wheel_off",)
    assert catalogue_for(Car("other"), catalogue).parts["starter_motor"].access != (
        "battery_off",
        "intake_manifold_off",
    )


def test_one_line_can_be_switched_on_alone(tmp_path: Path) -> None:
    text = template(read_catalogue()).replace("#part.battery.price = 120", "part.battery.price = 95")
    found = read_catalogue(own_file(tmp_path, text))
    assert found.parts["battery"].price == 95
    assert found.remarks[1:] == read_catalogue().remarks
    assert "battery: price is 95 instead of 120" in found.remarks[0]
