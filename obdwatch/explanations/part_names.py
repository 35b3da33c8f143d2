"""The wear parts by the names a reader knows them by; a part id never reaches a screen."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

PART_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "thermostat": "thermostat",
        "coolant_pump": "coolant pump",
        "oil_filter_housing_gasket": "gasket of the oil filter housing",
        "cam_timing_solenoid_intake": "cam timing solenoid of the intake cam",
        "cam_timing_solenoid_exhaust": "cam timing solenoid of the exhaust cam",
        "intake_flap_actuator": "actuator of the intake flaps",
        "starter_motor": "starter motor or its cables",
        "battery": "battery",
        "alternator": "alternator",
        "drive_belt": "drive belt",
        "valve_cover_gasket": "valve cover gasket",
        "crankcase_ventilation": "crankcase ventilation",
        "spark_plugs": "spark plugs",
        "ignition_coil": "ignition coil",
        "fuel_injector": "fuel injector",
        "fuel_pump": "fuel pump or filter",
        "maf_sensor": "mass air flow (MAF) sensor",
        "intake_leak": "air leak in the intake",
        "coolant_temperature_sensor": "coolant temperature sensor",
        "radiator_fan": "radiator fan",
        "oxygen_sensor_upstream": "oxygen sensor before the catalyst",
        "catalytic_converter": "catalytic converter",
        "exhaust_leak": "leak in the exhaust",
        "head_gasket": "head gasket",
        "throttle_body": "throttle body",
    }
)


ALSO_CALLED: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "cam_timing_solenoid_intake": ("cam timing solenoid", "intake cam"),
        "cam_timing_solenoid_exhaust": ("cam timing solenoid", "exhaust cam"),
        "intake_flap_actuator": ("intake flap",),
        "starter_motor": ("starter",),
        "crankcase_ventilation": ("ventilation",),
        "fuel_injector": ("injector",),
        "fuel_pump": ("fuel pump", "weak pump"),
        "maf_sensor": ("mass air flow sensor", "air flow sensor", "air mass sensor"),
        "intake_leak": ("air leak", "leak in the intake"),
        "coolant_temperature_sensor": ("coolant sensor",),
        "radiator_fan": ("fan",),
        "oxygen_sensor_upstream": ("oxygen sensor",),
        "catalytic_converter": ("catalyst",),
        "exhaust_leak": ("exhaust leak",),
        "throttle_body": ("throttle",),
    }
)
"""Shorter or older names that make clear which part is meant."""


def is_named(part: str, text: str) -> bool:
    """Whether a sentence names a part already.

    >>> is_named("maf_sensor", "the mass air flow sensor is dirty"), is_named("maf_sensor", "the sensor is dirty")
    (True, False)
    """
    said = text.lower()
    return any(name.removesuffix("s") in said for name in (part_name(part), *ALSO_CALLED.get(part, ())))


def part_name(part: str) -> str:
    """Return the name of a part id.

    >>> part_name("maf_sensor")
    'mass air flow (MAF) sensor'
    """
    return PART_NAMES.get(part, part.replace("_", " "))
