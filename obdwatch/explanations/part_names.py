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
        "maf_sensor": "air-mass sensor",
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


def part_name(part: str) -> str:
    """Return the name of a part id.

    >>> part_name("maf_sensor")
    'air-mass sensor'
    """
    return PART_NAMES.get(part, part.replace("_", " "))
