"""The table of faults of the virtual car, and what each does to its physics.

A fault changes a physical property (an area, a resistance, a share of flow), never a signal directly; what the
control units then report follows from the physics. Severity runs from 0 (as new) to 1 (worn out), and may grow with
the odometer.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from obdwatch.errors import InputError

MAX_CYLINDERS = 8
MAX_BANKS = 2


@dataclass(slots=True)
class Effects:
    """Physical properties that faults change; the defaults are those of a sound car.

    Per cylinder and per bank values are lists counted from zero. Areas [mm2 per litre of displacement], temperatures
    [K], resistances [ohm], shares [-].
    """

    thermostat_min_lift: float = 0.0
    thermostat_opening_shift: float = 0.0
    thermostat_stiction: float = 0.0
    pump_flow: float = 1.0
    pump_idle_loss: float = 0.0
    pump_stops: float = 0.0
    fan_flow: float = 1.0
    coolant_fill: float = 1.0
    coolant_sensor_offset: float = 0.0
    coolant_sensor_lag: float = 0.0
    intake_cam_authority: list[float] = field(default_factory=lambda: [1.0] * MAX_BANKS)
    exhaust_cam_return: list[float] = field(default_factory=lambda: [1.0] * MAX_BANKS)
    intake_cam_advanced: list[float] = field(default_factory=lambda: [0.0] * MAX_BANKS)
    flap_travel: float = 1.0
    starter_resistance: float = 0.0
    battery_resistance: float = 1.0
    battery_charge_lost: float = 0.0
    alternator_output: float = 1.0
    regulator_shift: float = 0.0
    belt_grip: float = 1.0
    intake_leak_area: float = 0.0
    ventilation_leak_area: float = 0.0
    air_flow_low_gain: float = 0.0
    air_flow_high_loss: float = 0.0
    fuel_pressure_droop: float = 0.0
    injector_loss: list[float] = field(default_factory=lambda: [0.0] * MAX_CYLINDERS)
    plug_wear: float = 0.0
    coil_wear: list[float] = field(default_factory=lambda: [0.0] * MAX_CYLINDERS)
    gasket_seep: list[float] = field(default_factory=lambda: [0.0] * MAX_CYLINDERS)
    exhaust_leak: list[float] = field(default_factory=lambda: [0.0] * MAX_BANKS)
    upstream_sensor_lag: list[float] = field(default_factory=lambda: [0.0] * MAX_BANKS)
    catalyst_ageing: list[float] = field(default_factory=lambda: [0.0] * MAX_BANKS)
    throttle_deposit: float = 0.0


Change = Callable[[Effects, float, Sequence[int]], None]  # (effects, severity, places counted from zero)


@dataclass(frozen=True, slots=True)
class Fault:
    """A row of the table: `part` is the part id it belongs to; `place` is 'cylinder', 'bank', 'pair' or ''."""

    name: str
    part: str
    title: str
    change: Change
    place: str = ""


@dataclass(frozen=True, slots=True)
class ActiveFault:
    """A fault a car has: `severity` at `from_km`, growing by `growth` for every 1,000 km after it.

    `place` counts from 1: a cylinder, a bank, or the first of two neighbouring cylinders; None takes every bank, or the
    first cylinder (pair).
    """

    fault: Fault
    severity: float
    place: int | None = None
    from_km: float = 0.0
    growth: float = 0.0

    def severity_at(self, odometer_km: float) -> float:
        """Return the severity at an odometer reading [km], between 0 and 1."""
        grown = self.severity + self.growth * max(0.0, odometer_km - self.from_km) / 1000.0
        return min(1.0, max(0.0, grown))

    def label(self) -> str:
        """Return the name with its place, as `parse_fault` reads it."""
        return self.fault.name if self.place is None else f"{self.fault.name}@{self.place}"


def _set(name: str, amount: float) -> Change:
    """Return a change that moves one property by `amount` times the severity."""

    def change(effects: Effects, severity: float, places: Sequence[int]) -> None:
        setattr(effects, name, getattr(effects, name) + amount * severity)

    return change


def _set_each(name: str, amount: float) -> Change:
    """Return a change that moves one property of every named cylinder or bank."""

    def change(effects: Effects, severity: float, places: Sequence[int]) -> None:
        values: list[float] = getattr(effects, name)
        for place in places:
            values[place] += amount * severity

    return change


def _both(*changes: Change) -> Change:
    """Return a change made of several."""

    def change(effects: Effects, severity: float, places: Sequence[int]) -> None:
        for each in changes:
            each(effects, severity, places)

    return change


# How far a worn-out part moves its property: common practice, chosen so that severity 1 is a part a workshop would
# call failed and 0.3 one that only a careful measurement shows.
FAULTS: tuple[Fault, ...] = (
    Fault("thermostat_stuck_open", "thermostat", "thermostat stays open", _set("thermostat_min_lift", 0.9)),
    Fault("thermostat_opens_low", "thermostat", "thermostat opens too early", _set("thermostat_opening_shift", -28.0)),
    Fault(
        "thermostat_sticks_closed",
        "thermostat",
        "thermostat opens late and with a jump",
        _set("thermostat_stiction", 26.0),
    ),
    Fault(
        "coolant_pump",
        "coolant_pump",
        "coolant pump moves too little (a belt-driven one least at idle)",
        _both(_set("pump_flow", -0.78), _set("pump_idle_loss", 1.0)),
    ),
    Fault("coolant_pump_stops", "coolant_pump", "coolant pump stands still for a time", _set("pump_stops", 1.0)),
    Fault("radiator_fan", "radiator_fan", "radiator fan weak or dead", _set("fan_flow", -1.0)),
    Fault("coolant_level", "", "coolant level low, air in the system", _set("coolant_fill", -0.5)),
    Fault(
        "coolant_sensor_reads_low",
        "coolant_temperature_sensor",
        "coolant temperature sensor reads low",
        _set("coolant_sensor_offset", -22.0),
    ),
    Fault(
        "coolant_sensor_reads_high",
        "coolant_temperature_sensor",
        "coolant temperature sensor reads high",
        _set("coolant_sensor_offset", 22.0),
    ),
    Fault(
        "coolant_sensor_slow",
        "coolant_temperature_sensor",
        "coolant temperature sensor slow",
        _set("coolant_sensor_lag", 180.0),
    ),
    Fault(
        "cam_timing_solenoid_intake",
        "cam_timing_solenoid_intake",
        "intake cam no longer fully advanced",
        _set_each("intake_cam_authority", -1.0),
        "bank",
    ),
    Fault(
        "cam_timing_solenoid_intake_stuck_advanced",
        "cam_timing_solenoid_intake",
        "intake cam stuck advanced",
        _set_each("intake_cam_advanced", 1.0),
        "bank",
    ),
    Fault(
        "cam_timing_solenoid_exhaust",
        "cam_timing_solenoid_exhaust",
        "exhaust cam does not return from retard",
        _set_each("exhaust_cam_return", -1.0),
        "bank",
    ),
    Fault(
        "intake_flap_actuator",
        "intake_flap_actuator",
        "intake flap stays in the short position",
        _set("flap_travel", -1.0),
    ),
    Fault(
        "starter_motor",
        "starter_motor",
        "starter worn: brushes, commutator, solenoid contact",
        _set("starter_resistance", 0.026),
    ),
    Fault("starter_cable", "starter_motor", "starter cable or contact corroded", _set("starter_resistance", 0.024)),
    Fault(
        "battery",
        "battery",
        "battery aged and sulphated",
        _both(_set("battery_resistance", 3.2), _set("battery_charge_lost", 0.45)),
    ),
    Fault("battery_discharged", "battery", "battery sound but discharged", _set("battery_charge_lost", 0.6)),
    Fault("alternator", "alternator", "alternator gives too little current", _set("alternator_output", -0.85)),
    Fault("alternator_overcharges", "alternator", "regulator lets the voltage rise", _set("regulator_shift", 1.7)),
    Fault("alternator_undercharges", "alternator", "regulator holds the voltage low", _set("regulator_shift", -1.5)),
    Fault("drive_belt", "drive_belt", "drive belt slips", _set("belt_grip", -0.8)),
    Fault(
        "crankcase_ventilation",
        "crankcase_ventilation",
        "ventilation diaphragm torn, lets air in",
        _set("ventilation_leak_area", 3.0),
    ),
    Fault("intake_leak", "intake_leak", "air leak behind the throttle", _set("intake_leak_area", 2.6)),
    Fault(
        "maf_sensor",
        "maf_sensor",
        "air-mass sensor dirty, reads low at high flow",
        _both(_set("air_flow_low_gain", 0.04), _set("air_flow_high_loss", 0.32)),
    ),
    Fault("fuel_pump", "fuel_pump", "fuel pressure falls with flow", _set("fuel_pressure_droop", 0.42)),
    Fault(
        "fuel_injector",
        "fuel_injector",
        "injector of one cylinder clogged",
        _set_each("injector_loss", 0.35),
        "cylinder",
    ),
    Fault("spark_plugs", "spark_plugs", "all spark plugs worn", _set("plug_wear", 1.0)),
    Fault(
        "ignition_coil",
        "ignition_coil",
        "ignition coil of one cylinder breaks down",
        _set_each("coil_wear", 1.0),
        "cylinder",
    ),
    Fault("exhaust_leak", "exhaust_leak", "exhaust leaks before the sensor", _set_each("exhaust_leak", 1.0), "bank"),
    Fault(
        "oxygen_sensor_upstream",
        "oxygen_sensor_upstream",
        "upstream oxygen sensor slow",
        _set_each("upstream_sensor_lag", 1.4),
        "bank",
    ),
    Fault(
        "catalytic_converter",
        "catalytic_converter",
        "catalyst stores little oxygen",
        _set_each("catalyst_ageing", 1.0),
        "bank",
    ),
    Fault(
        "head_gasket", "head_gasket", "head gasket leaks between two neighbours", _set_each("gasket_seep", 1.0), "pair"
    ),
    Fault("throttle_body", "throttle_body", "deposits in the throttle", _set("throttle_deposit", 1.0)),
)

FAULT_BY_NAME = {fault.name: fault for fault in FAULTS}
ALIASES = {"thermostat": "thermostat_stuck_open", "coolant_temperature_sensor": "coolant_sensor_reads_low"}

_FAULT_TEXT = re.compile(r"(?P<name>[a-z_]+)(@(?P<place>\d+))?(=(?P<severity>[0-9.]+))?")


def parse_fault(text: str) -> ActiveFault:
    """Read `name[@cylinder or bank][=severity]`; severity is 1 where it is not given. Raises InputError.

    >>> parse_fault("ignition_coil@3=0.7").place
    3
    """
    match = _FAULT_TEXT.fullmatch(text.strip())
    if match is None:
        raise InputError(f"fault '{text}' is not of the form name=0.5 or name@cylinder=0.5")
    name = ALIASES.get(match["name"], match["name"])
    fault = FAULT_BY_NAME.get(name)
    if fault is None:
        raise InputError(f"no fault '{match['name']}'; there are {', '.join(FAULT_BY_NAME)}")
    severity = _severity(match["severity"], text)
    place = int(match["place"]) if match["place"] else None
    if place is not None and not fault.place:
        raise InputError(f"fault '{text}': '{name}' has no cylinder or bank to name; leave '@{place}' out")
    if place is None and fault.place in ("cylinder", "pair"):
        place = 1
    return ActiveFault(fault, severity, place)


def _severity(text: str | None, fault: str) -> float:
    """Read a severity; raises InputError outside 0 to 1."""
    if text is None:
        return 1.0
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0.0 <= value <= 1.0:
        raise InputError(f"fault '{fault}': severity '{text}' is not a number from 0 to 1")
    return value


def places_of(active: ActiveFault, banks: tuple[tuple[int, ...], ...]) -> tuple[int, ...]:
    """Return the banks or cylinders (from zero) a fault touches on an engine; raises InputError for one it has not."""
    kind, place = active.fault.place, active.place
    if kind == "":
        return ()
    if kind == "bank":
        return _banks(active, len(banks))
    place = place or 1
    members = next((bank for bank in banks if place in bank), None)
    if members is None:
        raise InputError(f"fault '{active.label()}': this engine has no cylinder {place}")
    if kind == "cylinder":
        return (place - 1,)
    index = min(members.index(place), len(members) - 2)
    return tuple(cylinder - 1 for cylinder in members[index : index + 2])


def _banks(active: ActiveFault, count: int) -> tuple[int, ...]:
    """Return the banks a fault touches, all where none is named."""
    if active.place is None:
        return tuple(range(count))
    if not 1 <= active.place <= count:
        raise InputError(f"fault '{active.label()}': this engine has {count} bank(s)")
    return (active.place - 1,)


def effects_of(faults: Sequence[ActiveFault], banks: tuple[tuple[int, ...], ...], odometer_km: float) -> Effects:
    """Return the physical properties of a car with these faults at an odometer reading [km]."""
    effects = Effects()
    for active in faults:
        active.fault.change(effects, active.severity_at(odometer_km), places_of(active, banks))
    return effects
