"""Profiles are read, checked and written back; a contradiction names its field and what to do."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from obdwatch.car_profiles import car_from_mapping, car_from_toml, car_to_mapping, car_to_toml, check_car, safe_id
from obdwatch.errors import ProfileError
from obdwatch.records import Car
from tests.logbook.fixtures import CAR


def toml(folder: Path, text: str | bytes, name: str = "my car.toml") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize(
    "car",
    [CAR, Car("a"), Car("a", 'A "quoted" name \\ with ü\n and \x7f'), Car("a", intake_flaps=False, cam_timing=()),
     Car("a", part_new_at_km={"ignition_coil:3": 0.0, "battery": None}), Car("a", cylinders=3, firing_order=(1, 3, 2))],
)  # fmt: skip
def test_what_is_written_reads_back_equal(tmp_path: Path, car: Car) -> None:
    assert car_from_toml(toml(tmp_path, car_to_toml(car))) == car
    assert car_from_mapping(car_to_mapping(car), "here") == car


def test_a_profile_without_id_is_called_by_its_file(tmp_path: Path) -> None:
    assert car_from_toml(toml(tmp_path, "cylinders = 4\n")) == Car("my-car", cylinders=4)


def test_unknown_stays_unknown(tmp_path: Path) -> None:
    car = car_from_toml(toml(tmp_path, 'id = "a"\n[part_new_at_km]\nbattery = "unknown"\nthermostat = 120000\n'))
    assert car == Car("a", part_new_at_km={"battery": None, "thermostat": 120000.0})


def test_words_may_be_spelt_as_people_do() -> None:
    assert car_from_mapping({"id": "a", "ignition": "Coil per cylinder", "fuel": "E10"}, "x") == Car(
        "a", fuel="e10", ignition="coil_per_cylinder"
    )


def test_an_inline_engine_may_have_two_banks() -> None:
    check_car(Car("a", layout="inline", cylinders=6, bank_cylinders=((1, 2, 3), (4, 5, 6))))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"bank_cylinders": ((1, 2), (3, 4))}, "bank_cylinders [[1, 2], [3, 4]] does not match cylinders = 6"),
        ({"bank_cylinders": ((1, 2, 3), (3, 5, 6))}, "name each of 1 to 6 in exactly one bank"),
        ({"bank_cylinders": ((1, 2, 3, 4, 5, 6), ())}, "bank_cylinders holds an empty bank"),
        ({"firing_order": (1, 5, 3, 6, 2, 2)}, "firing_order [1, 5, 3, 6, 2, 2] must name each of the 6 cylinders"),
        ({"firing_order": (0, 1, 2, 3, 4, 5)}, "must name each of the 6 cylinders 1 to 6 exactly once"),
        ({"cylinders": None, "firing_order": (1, 2)}, "must name each of the 6 cylinders"),  # six by the banks
        ({"cylinders": 0, "bank_cylinders": None, "firing_order": None}, "cylinders is 0; it lies between 1 and 16"),
        ({"displacement_l": 2494.0}, "displacement_l is 2494 L; write litres: 2.494"),
        ({"displacement_l": -1.0}, "displacement_l is -1 L; it lies between 0.3 and 10"),
        ({"thermostat_temperature": 195.0}, "thermostat_temperature is 195; write degrees Celsius: 91"),
        ({"thermostat_temperature": 20.0}, "thermostat_temperature is 20; it lies from 60 to 120"),
        ({"fuel": "diesel"}, "ignition is given, but fuel = diesel has no spark"),
        ({"fuel": "diesel", "ignition": None}, "plug_type is given, but fuel = diesel"),
        ({"fuel": "kerosene"}, "fuel is 'kerosene'; it may be petrol, e10, e85, diesel"),
        ({"cam_timing": ("intake", "intake")}, "cam_timing ['intake', 'intake'] may hold"),
        ({"cam_timing": ("rear",)}, "cam_timing ['rear'] may hold"),
        ({"part_new_at_km": {"termostat": 5.0}}, "no part is called 'termostat'; did you mean 'thermostat'"),
        ({"part_new_at_km": {"flux": 5.0}}, "no part is called 'flux'; parts are thermostat"),
        ({"part_new_at_km": {"battery": -5.0}}, "part_new_at_km.battery is -5"),
        ({"id": "../etc"}, "id '../etc' cannot be used"),
        ({"id": ""}, "id '' cannot be used"),
    ],
)
def test_a_contradiction_is_named(change: dict[str, Any], message: str) -> None:
    with pytest.raises(ProfileError, match=re.escape(message)):
        check_car(replace(CAR, **change))


def test_shared_coils_need_pairs_and_banks_need_two() -> None:
    with pytest.raises(ProfileError, match="ignition = shared_coils pairs cylinders, but cylinders = 3"):
        check_car(Car("a", cylinders=3, ignition="shared_coils"))
    with pytest.raises(ProfileError, match="layout = vee needs at least two cylinders"):
        check_car(Car("a", cylinders=1, layout="vee"))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("id = \n", "is no TOML"),
        (b"\xff\xfe", "not UTF-8 text"),
        ('colour = "blue"\n', "a car has no field 'colour'; it may hold id, name"),
        ("cilinders = 4\n", "did you mean 'cylinders'?"),
        ('cylinders = "four"\n', "cylinders must be a number, not 'four'"),
        ("cylinders = 4.5\n", "cylinders must be a whole number, not 4.5"),
        ("cylinders = true\n", "cylinders must be a number, not True"),
        ("displacement_l = nan\n", "displacement_l must be a number, not nan"),
        ("displacement_l = inf\n", "displacement_l must be a number, not inf"),
        ('intake_flaps = "yes"\n', "intake_flaps must be true or false, not 'yes'"),
        ("name = 5\n", "name must be a text, not 5"),
        ("firing_order = 5\n", "firing_order must be a list, not 5"),
        ('firing_order = ["a"]\n', "firing_order must be a number, not 'a'"),
        ("bank_cylinders = [1, 2]\n", "bank_cylinders must be a list, not 1"),
        ('cam_timing = ["rear"]\n', "cam_timing holds 'rear'"),
        ("part_new_at_km = 5\n", "part_new_at_km must be a table"),
        ('layout = "round"\n', "layout is 'round'; it may be inline, vee, flat"),
    ],
)
def test_a_wrong_file_is_named_with_its_field(tmp_path: Path, text: str | bytes, message: str) -> None:
    path = toml(tmp_path, text)
    with pytest.raises(ProfileError, match=re.escape(message)) as caught:
        car_from_toml(path)
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="no such car profile"):
        car_from_toml(tmp_path / "none.toml")
    with pytest.raises(ProfileError, match="cannot be read"):
        car_from_toml(tmp_path)


def test_a_car_needs_a_name_of_some_kind() -> None:
    with pytest.raises(ProfileError, match="the car has no 'id'"):
        car_from_mapping({}, "here")


@pytest.mark.parametrize(("text", "expected"), [("Mum's car", "mum-s-car"), ("***", "car"), ("A" * 99, "a" * 64)])
def test_safe_ids_are_accepted_ids(text: str, expected: str) -> None:
    assert safe_id(text) == expected
    check_car(Car(safe_id(text)))
