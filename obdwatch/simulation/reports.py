"""What the control units of the virtual car would report at this moment, by J1979 key, before quantisation.

Which keys appear is which parameters the layout supports. All noise was drawn while the car advanced, so that looking
more or less often changes nothing.
"""

from __future__ import annotations

import math

from obdwatch.simulation.combustion import (
    STANDARD_PRESSURE,
    STANDARD_TEMPERATURE,
    fuel_density,
    relative_filling,
)
from obdwatch.simulation.curves import clip
from obdwatch.simulation.electrics import HARNESS_DROP
from obdwatch.simulation.machine import Machine

NOT_RUNNING, OPEN_COLD, CLOSED, OPEN_DRIVING = 0.0, 1.0, 2.0, 4.0  # fuel system status, SAE J1979 parameter 03
THROTTLE_CLOSED, THROTTLE_TRAVEL = 13.0, 71.0  # % of the sensor's range at the stop, and from there to wide open
PEDAL_RELEASED, PEDAL_TRAVEL = 15.5, 66.0
PETROL, OBD_CALIFORNIA = 1.0, 1.0
SENSORS_ONE_BANK, SENSORS_TWO_BANKS = 0x03, 0x33  # parameter 13
WIDE_RANGE_MIDDLE = 1.5  # V of a wide-range sensor's amplifier at lambda 1 (maker's own; common practice)
SECONDS_PER_MINUTE, TOP_SECONDS, TOP_WORD = 60.0, 65535.0, 65535.0


def engine_values(machine: Machine) -> dict[str, float]:
    """Return every parameter of the engine's control unit, in the unit of its key."""
    values = _air_and_load(machine)
    values |= _mixture(machine)
    values |= _oxygen(machine)
    values |= _temperatures(machine)
    values |= _counters(machine)
    return values


def transmission_values(machine: Machine) -> dict[str, float]:
    """Return the few parameters of the transmission's control unit."""
    return {
        "engine_speed": _turns(machine, 1.5),
        "vehicle_speed": machine.vehicle_speed,
        "run_time": _run_time(machine),
        "control_module_voltage": voltage(machine) - 0.03,
    }


def voltage(machine: Machine) -> float:
    """Return the supply voltage at the engine's control unit [V]."""
    drop = HARNESS_DROP if machine.running else 0.08
    return machine.electrics.voltage - drop + 0.018 * machine.noise[3]


def _air_and_load(machine: Machine) -> dict[str, float]:
    """Return speeds, loads, air, throttle and pedal."""
    control, speed = machine.control, machine.engine_speed
    air = machine.metering.air if machine.running else 0.0
    filling = relative_filling(air, speed, machine.layout.displacement_l)
    throttle = 100.0 * control.throttle
    noise = 0.15 * machine.noise[0]
    values = {
        "engine_speed": _turns(machine, 2.0 if machine.running else 0.5),
        "vehicle_speed": machine.vehicle_speed,
        "calculated_load": calculated_load(machine, air),
        "absolute_load": 100.0 * filling,
        "timing_advance": control.timing if speed > 1.0 else 0.0,
        "throttle_position": THROTTLE_CLOSED + THROTTLE_TRAVEL * throttle / 100.0 + noise,
        "throttle_position_b": 0.5 * THROTTLE_CLOSED + THROTTLE_TRAVEL * throttle / 100.0 + noise,
        "relative_throttle_position": max(0.0, THROTTLE_TRAVEL * throttle / 100.0 + noise),
        "commanded_throttle_actuator": 100.0 * control.throttle_target,
        "accelerator_position_d": PEDAL_RELEASED + PEDAL_TRAVEL * machine.driver.pedal,
        "accelerator_position_e": 0.5 * (PEDAL_RELEASED + PEDAL_TRAVEL * machine.driver.pedal),
    }
    if machine.layout.has_air_flow_sensor:
        values["air_flow"] = machine.metering.air_flow
    if machine.layout.has_pressure_sensor:
        values["intake_manifold_pressure"] = machine.metering.pressure
    return values


def _turns(machine: Machine, noise: float) -> float:
    """Return engine speed as measured, with `noise` [1/min]; a standing engine reads nought."""
    speed = machine.engine_speed
    return max(0.0, speed + noise * machine.noise[1]) if speed > 1.0 else 0.0


def calculated_load(machine: Machine, air: float) -> float:
    """Return air flow as a share of what full throttle would give at this speed in this air [%] (SAE J1979)."""
    if not machine.running:
        return 0.0
    weather = machine.trip.weather
    density = weather.pressure / STANDARD_PRESSURE * math.sqrt(STANDARD_TEMPERATURE / (weather.ambient + 273.15))
    return clip(100.0 * air / (machine.limits.air(machine.engine_speed) * density), 0.0, 100.0)


def _mixture(machine: Machine) -> dict[str, float]:
    """Return trims, fuel system status, wished mixture and purge."""
    mixture = machine.mixture
    status = _fuel_status(machine)
    values = {
        "fuel_system_status": status,
        "commanded_equivalence_ratio": machine.control.wished_lambda,
        "commanded_evap_purge": machine.purge.duty,
    }
    if machine.layout.banks > 1:
        values["fuel_system_status_2"] = status
    for bank, trim in enumerate(mixture.trims, start=1):
        values[f"short_term_fuel_trim_bank_{bank}"] = trim.short
        values[f"long_term_fuel_trim_bank_{bank}"] = trim.long_at(mixture.place)
    if machine.layout.reports_fuel_rate:
        values["engine_fuel_rate"] = mixture.flow / fuel_density(machine.trip.ethanol) * 3600.0
    return values


def _fuel_status(machine: Machine) -> float:
    """Return the fuel system status as parameter 03 names it."""
    if not machine.running:
        return NOT_RUNNING
    if machine.mixture.closed:
        return CLOSED
    return OPEN_DRIVING if machine.control.full_load or machine.control.fuel_cut else OPEN_COLD


def _oxygen(machine: Machine) -> dict[str, float]:
    """Return the oxygen sensors before and behind the catalyst."""
    values = {"oxygen_sensors_present": float(SENSORS_TWO_BANKS if machine.layout.banks > 1 else SENSORS_ONE_BANK)}
    for bank, gas in enumerate(machine.exhaust, start=1):
        if machine.layout.upstream_sensor == "wide_range":
            measured = gas.wide_range_lambda()
            values[f"oxygen_sensor_equivalence_ratio_bank_{bank}_sensor_1"] = measured + 0.001 * machine.noise[2]
            pumped = WIDE_RANGE_MIDDLE + 2.2 * (1.0 - 1.0 / max(measured, 0.65))
            values[f"oxygen_sensor_wide_range_voltage_bank_{bank}_sensor_1"] = pumped
        else:
            values[f"oxygen_sensor_voltage_bank_{bank}_sensor_1"] = gas.voltage
            values[f"oxygen_sensor_fuel_trim_bank_{bank}_sensor_1"] = machine.mixture.trims[bank - 1].short
        values[f"oxygen_sensor_voltage_bank_{bank}_sensor_2"] = gas.downstream
    return values


def _temperatures(machine: Machine) -> dict[str, float]:
    """Return temperatures, pressures of the weather, and the supply."""
    cooling = machine.cooling
    values = {
        "coolant_temperature": cooling.sensor,
        "intake_air_temperature": cooling.intake_sensor,
        "ambient_air_temperature": cooling.ambient_sensor,
        "barometric_pressure": machine.barometric,
        "control_module_voltage": voltage(machine),
    }
    for bank in range(1, machine.layout.banks + 1):
        values[f"catalyst_temperature_bank_{bank}_sensor_1"] = machine.catalyst.temperature
    if machine.layout.reports_oil_temperature:
        values["engine_oil_temperature"] = cooling.oil
    return values


def _run_time(machine: Machine) -> float:
    """Return whole seconds since the engine started."""
    return min(float(int(machine.control.since_start)), TOP_SECONDS) if machine.running else 0.0


def _counters(machine: Machine) -> dict[str, float]:
    """Return run time, distances, levels and what the car is certified to."""
    diagnosis = machine.diagnosis
    values = {
        "run_time": _run_time(machine),
        "distance_with_lamp_on": min(float(int(diagnosis.lamp_distance)), TOP_WORD),
        "distance_since_erase": min(float(int(diagnosis.distance)), TOP_WORD),
        "warm_ups_since_erase": float(diagnosis.warm_ups),
        "run_time_with_lamp_on": min(float(int(diagnosis.lamp_minutes)), TOP_WORD),
        "run_time_since_erase": min(float(int(diagnosis.minutes)), TOP_WORD),
        "fuel_level": clip(
            machine.fuel_level + 0.4 * math.sin(0.9 * machine.t) * min(machine.train.speed, 5.0) / 5.0, 0.0, 100.0
        ),
        "fuel_type": PETROL,
        "obd_requirements": OBD_CALIFORNIA,
    }
    if machine.layout.reports_odometer:
        values["odometer"] = machine.odometer
    return values
