"""The car as its keeper describes it: read from TOML or JSON, checked for contradictions, written back.

A profile steers every verdict, so a wrong one is refused where it comes in, with the field and what to do about it.
Unknown stays unknown: every field but the id may be left out.
"""

from __future__ import annotations

import difflib
import json
import math
import re
import tomllib
from collections.abc import Callable, Collection, Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from obdwatch.errors import ProfileError
from obdwatch.records import Car

CHOICES: Mapping[str, tuple[str, ...]] = {
    "fuel": ("petrol", "e10", "e85", "diesel"),
    "layout": ("inline", "vee", "flat"),
    "induction": ("naturally_aspirated", "turbo"),
    "air_metering": ("air_flow", "pressure", "both"),
    "coolant_pump": ("electric", "belt"),
    "ignition": ("coil_per_cylinder", "shared_coils", "distributor"),
    "plug_type": ("copper", "platinum", "iridium"),
    "transmission": ("manual", "automatic", "dual_clutch", "cvt"),
    "units": ("metric", "us"),
}
CAMS = ("intake", "exhaust")

# Widest limits seen on road cars (common practice); outside them a number is in another unit or a slip.
DISPLACEMENT_L = (0.3, 10.0)
CYLINDERS = (1, 16)
THERMOSTAT_DEGC = (60.0, 120.0)

PART_IDS: tuple[str, ...] = (
    "thermostat", "coolant_pump", "oil_filter_housing_gasket", "cam_timing_solenoid_intake",
    "cam_timing_solenoid_exhaust", "intake_flap_actuator", "starter_motor", "battery", "alternator", "drive_belt",
    "valve_cover_gasket", "crankcase_ventilation", "spark_plugs", "ignition_coil", "fuel_injector", "fuel_pump",
    "maf_sensor", "intake_leak", "coolant_temperature_sensor", "radiator_fan", "oxygen_sensor_upstream",
    "catalytic_converter", "exhaust_leak", "head_gasket", "throttle_body",
)  # fmt: skip

_SAFE_ID = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")


def car_from_toml(path: Path | str) -> Car:
    """Read a car profile; its id is the file's name where it names none. Raises ProfileError."""
    path = Path(path)
    try:
        document = tomllib.loads(path.read_text("utf-8-sig"))
    except FileNotFoundError:
        raise ProfileError(f"{path}: no such car profile") from None
    except (OSError, UnicodeError) as error:
        raise ProfileError(
            f"{path}: cannot be read ({getattr(error, 'strerror', None) or 'not UTF-8 text'})"
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise ProfileError(f"{path}: is no TOML ({error})") from error
    return car_from_mapping(document, str(path), default_id=safe_id(path.stem))


def car_to_toml(car: Car) -> str:
    """Write a profile so that `car_from_toml` reads it back equal; unknown fields are left out."""
    lines = [
        f"{field.name} = {_toml(getattr(car, field.name))}"
        for field in fields(Car)
        if field.name != "part_new_at_km" and getattr(car, field.name) not in (None, "")
    ]
    if car.part_new_at_km:
        lines += ["", "[part_new_at_km]  # km on the clock when the part was last new"]
        lines += [
            f"{_toml(part)} = {_toml('unknown' if km is None else km)}" for part, km in car.part_new_at_km.items()
        ]
    return "\n".join(lines) + "\n"


def car_to_mapping(car: Car) -> dict[str, Any]:
    """Return a profile as plain JSON values; unknown fields are left out."""
    found = {field.name: getattr(car, field.name) for field in fields(Car)}
    known = {name: value for name, value in found.items() if value not in (None, "", {})}
    return json.loads(json.dumps(known, default=dict))  # type: ignore[no-any-return]


def _toml(value: object) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    # JSON's texts, numbers, true and false are TOML's too.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def safe_id(text: str) -> str:
    """Return a car id made of any text.

    >>> safe_id("Mum's car (blue)")
    'mum-s-car-blue'
    """
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:64].strip("-") or "car"


def car_from_mapping(document: Mapping[str, Any], place: str, default_id: str | None = None) -> Car:
    """Make a checked profile of TOML or JSON values; `place` names the source in messages. Raises ProfileError."""
    known = [field.name for field in fields(Car)]
    for name in document:
        if name not in known:
            close = difflib.get_close_matches(name, known, 1)
            hint = f"did you mean '{close[0]}'?" if close else f"it may hold {', '.join(known)}"
            raise ProfileError(f"{place}: a car has no field '{name}'; {hint}")
    values = {name: _READ[name](place, name, document[name]) for name in document if document[name] is not None}
    values.setdefault("id", default_id)
    if values["id"] is None:
        raise ProfileError(f"{place}: the car has no 'id'; give it a short name such as id = \"family-car\"")
    car = Car(**values)
    check_car(car, place)
    return car


def _text(place: str, name: str, value: Any) -> str:
    if not isinstance(value, str):
        raise ProfileError(f"{place}: {name} must be a text, not {_shown(value)}")
    return value


def _choice(place: str, name: str, value: Any) -> str:
    text = _text(place, name, value).strip().lower().replace(" ", "_").replace("-", "_")
    if text not in CHOICES[name]:
        raise ProfileError(f"{place}: {name} is {_shown(value)}; it may be {', '.join(CHOICES[name])}, or left out")
    return text


def _number(place: str, name: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ProfileError(f"{place}: {name} must be a number, not {_shown(value)}")
    return float(value)


def _whole(place: str, name: str, value: Any) -> int:
    number = _number(place, name, value)
    if number != int(number):
        raise ProfileError(f"{place}: {name} must be a whole number, not {_shown(value)}")
    return int(number)


def _flag(place: str, name: str, value: Any) -> bool:
    if not isinstance(value, bool):
        raise ProfileError(f"{place}: {name} must be true or false, not {_shown(value)}")
    return value


def _list(place: str, name: str, value: Any) -> list[Any]:
    if not isinstance(value, list | tuple):
        raise ProfileError(f"{place}: {name} must be a list, not {_shown(value)}")
    return list(value)


def _numbers(place: str, name: str, value: Any) -> tuple[int, ...]:
    return tuple(_whole(place, name, item) for item in _list(place, name, value))


def _banks(place: str, name: str, value: Any) -> tuple[tuple[int, ...], ...]:
    return tuple(_numbers(place, name, bank) for bank in _list(place, name, value))


def _cams(place: str, name: str, value: Any) -> tuple[str, ...]:
    cams = tuple(_text(place, name, item) for item in _list(place, name, value))
    if wrong := [cam for cam in cams if cam not in CAMS]:
        raise ProfileError(f"{place}: {name} holds {_shown(wrong[0])}; it may hold 'intake' and 'exhaust', or be empty")
    return cams


def _part_ages(place: str, name: str, value: Any) -> dict[str, float | None]:
    if not isinstance(value, Mapping):
        raise ProfileError(f"{place}: {name} must be a table of part = km, not {_shown(value)}")
    return {
        str(part): None if km in (None, "unknown") else _number(place, f"{name}.{part}", km)
        for part, km in value.items()
    }


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


_READ: dict[str, Callable[[str, str, Any], Any]] = {
    "id": _text,
    "name": _text,
    "displacement_l": _number,
    "cylinders": _whole,
    "bank_cylinders": _banks,
    "firing_order": _numbers,
    "cam_timing": _cams,
    "intake_flaps": _flag,
    "thermostat_temperature": _number,
    "part_new_at_km": _part_ages,
    **dict.fromkeys(CHOICES, _choice),
}


def check_car(car: Car, place: str | None = None) -> None:
    """Raise ProfileError where a profile contradicts itself; the text names the field and what to do."""
    for check in _CHECKS:
        problem = check(car)
        if problem is not None:
            raise ProfileError(f"{place or f'car {car.id!r}'}: {problem}")


def _check_id(car: Car) -> str | None:
    if _SAFE_ID.match(car.id):
        return None
    return f"id {_shown(car.id)} cannot be used; take letters, digits, '-', '_' and '.', at most 64"


def _check_choices(car: Car) -> str | None:
    for name, allowed in CHOICES.items():
        value = getattr(car, name)
        if value is not None and value not in allowed:
            return f"{name} is {_shown(value)}; it may be {', '.join(allowed)}, or left out"
    return None


def _check_displacement(car: Car) -> str | None:
    litres, (low, high) = car.displacement_l, DISPLACEMENT_L
    if litres is None or low <= litres <= high:
        return None
    hint = (
        f"write litres: {litres / 1000:g}" if low <= litres / 1000 <= high else f"it lies between {low:g} and {high:g}"
    )
    return f"displacement_l is {litres:g} L; {hint}"


def _check_cylinders(car: Car) -> str | None:
    if car.cylinders is None or CYLINDERS[0] <= car.cylinders <= CYLINDERS[1]:
        return None
    return f"cylinders is {car.cylinders}; it lies between {CYLINDERS[0]} and {CYLINDERS[1]}"


def _check_banks(car: Car) -> str | None:
    if car.bank_cylinders is None:
        return None
    listed = [cylinder for bank in car.bank_cylinders for cylinder in bank]
    count = car.cylinders or len(listed)
    if sorted(listed) != list(range(1, count + 1)):
        return (
            f"bank_cylinders {_lists(car.bank_cylinders)} does not match cylinders = {count}; "
            f"name each of 1 to {count} in exactly one bank"
        )
    if not all(car.bank_cylinders):
        return "bank_cylinders holds an empty bank; leave it out"
    return None


def _lists(banks: Collection[Collection[int]]) -> str:
    return str([list(bank) for bank in banks])


def _check_firing_order(car: Car) -> str | None:
    if car.firing_order is None:
        return None
    count = car.cylinders or sum(map(len, car.bank_cylinders or ())) or len(car.firing_order)
    if sorted(car.firing_order) == list(range(1, count + 1)):
        return None
    return f"firing_order {list(car.firing_order)} must name each of the {count} cylinders 1 to {count} exactly once"


def _check_cams(car: Car) -> str | None:
    if car.cam_timing is None or (len(set(car.cam_timing)) == len(car.cam_timing) and set(car.cam_timing) <= set(CAMS)):
        return None
    return f"cam_timing {list(car.cam_timing)} may hold 'intake' and 'exhaust', each once"


def _check_thermostat(car: Car) -> str | None:
    degrees, (low, high) = car.thermostat_temperature, THERMOSTAT_DEGC
    if degrees is None or low <= degrees <= high:
        return None
    celsius = (degrees - 32) / 1.8
    hint = (
        f"write degrees Celsius: {celsius:.0f}" if low <= celsius <= high else f"it lies from {low:g} to {high:g} degC"
    )
    return f"thermostat_temperature is {degrees:g}; {hint}"


def _check_ignition(car: Car) -> str | None:
    if car.fuel == "diesel" and (car.ignition or car.plug_type):
        named = "ignition" if car.ignition else "plug_type"
        return f"{named} is given, but fuel = diesel has no spark; leave {named} out or correct fuel"
    if car.ignition == "shared_coils" and car.cylinders is not None and car.cylinders % 2:
        return f"ignition = shared_coils pairs cylinders, but cylinders = {car.cylinders}; correct one of them"
    return None


def _check_layout(car: Car) -> str | None:
    if car.layout in ("vee", "flat") and car.cylinders == 1:
        return f"layout = {car.layout} needs at least two cylinders, but cylinders = 1; correct one of them"
    return None


def _check_parts(car: Car) -> str | None:
    for part, km in car.part_new_at_km.items():
        if part.partition(":")[0] not in PART_IDS:
            close = difflib.get_close_matches(part, PART_IDS, 1)
            return f"part_new_at_km: no part is called '{part}'; " + (
                f"did you mean '{close[0]}'?" if close else f"parts are {', '.join(PART_IDS)}"
            )
        if km is not None and km < 0:
            return f"part_new_at_km.{part} is {km:g}; km on the clock cannot be negative"
    return None


_CHECKS: tuple[Callable[[Car], str | None], ...] = (
    _check_id,
    _check_choices,
    _check_displacement,
    _check_cylinders,
    _check_banks,
    _check_firing_order,
    _check_cams,
    _check_thermostat,
    _check_ignition,
    _check_layout,
    _check_parts,
)
