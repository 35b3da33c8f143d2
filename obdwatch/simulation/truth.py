"""What really happened in the virtual car, beside what its sensors said: for judging detectors, never for them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from obdwatch.records import FloatArray
from obdwatch.simulation.machine import Machine


@dataclass(frozen=True, slots=True)
class Truth:
    """True signals on one fine grid, and the faults.

    `times` [s]; `signals` by name, each as long as `times`, in J1979 units (flows g/s, temperatures degC, torque Nm,
    heat W, shares 0 to 1; `severity_<fault>` 0 to 1). `severities` by fault label at the end of the drive;
    `faulty_parts` the part ids with a severity above zero.
    """

    times: FloatArray
    signals: Mapping[str, FloatArray]
    severities: Mapping[str, float]
    faulty_parts: tuple[str, ...]


def true_values(machine: Machine) -> dict[str, float]:
    """Return the true state of the car at this moment by name."""
    values = _engine_truth(machine) | _heat_truth(machine) | _supply_truth(machine)
    for active in machine.faults:
        values[f"severity_{active.label()}"] = active.severity_at(machine.odometer)
    return values


def _engine_truth(machine: Machine) -> dict[str, float]:
    air, mixture = machine.air, machine.mixture
    effects = machine.effects
    area = effects.intake_leak_area + effects.ventilation_leak_area
    intake_share = effects.intake_leak_area / area if area > 0.0 else 0.0
    values = {
        "engine_speed": machine.engine_speed,
        "vehicle_speed": machine.vehicle_speed,
        "gear": float(machine.train.gear),
        "throttle_opening": machine.control.throttle,
        "manifold_pressure": air.pressure,
        "cylinder_air_flow": air.cylinder_flow,
        "throttle_air_flow": air.throttle_flow,
        "intake_leak_flow": air.leak_flow * intake_share,
        "ventilation_leak_flow": air.leak_flow * (1.0 - intake_share),
        "purge_air_flow": machine.purge.air,
        "volumetric_efficiency": machine.ve * machine.tolerances.filling,
        "residual_gas": machine.residual,
        "intake_flap": machine.flap,
        "fuel_flow": mixture.flow,
        "indicated_torque": machine.indicated,
        "friction_torque": machine.friction,
        "flywheel_torque": machine.flywheel,
        "timing_best": machine.control.best,
        "odometer": machine.odometer,
    }
    for head in range(machine.heads):
        values[f"intake_cam_phase_head_{head + 1}"] = machine.phasers.intake[head]
        values[f"exhaust_cam_phase_head_{head + 1}"] = machine.phasers.exhaust[head]
    for bank, gas in enumerate(machine.exhaust):
        values[f"lambda_bank_{bank + 1}"] = mixture.lambdas[bank]
        values[f"oxygen_store_bank_{bank + 1}"] = gas.oxygen_store
    for cylinder, count in enumerate(machine.misfire.true):
        values[f"misfires_cylinder_{cylinder + 1}"] = float(count)
    return values


def _heat_truth(machine: Machine) -> dict[str, float]:
    cooling = machine.cooling
    return {
        "coolant_temperature": cooling.coolant,
        "block_temperature": cooling.block,
        "radiator_temperature": cooling.radiator,
        "oil_temperature": cooling.oil,
        "intake_air_temperature": cooling.intake_air,
        "bonnet_air_temperature": cooling.hood,
        "catalyst_temperature": machine.catalyst.temperature,
        "thermostat_opening": cooling.lift,
        "coolant_pump_flow": cooling.pump_flow,
        "radiator_fan": cooling.fan * machine.effects.fan_flow,
        "heat_to_coolant": cooling.heat_to_coolant,
        "radiator_heat": cooling.radiator_heat,
    }


def _supply_truth(machine: Machine) -> dict[str, float]:
    electrics = machine.electrics
    return {
        "battery_voltage": electrics.voltage,
        "battery_charge": electrics.charge,
        "starter_current": electrics.starter_amps,
        "alternator_current": electrics.alternator_current,
        "belt_slip": electrics.belt_slip,
    }
