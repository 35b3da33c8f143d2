"""Torque, friction, ignition timing and waste heat of the virtual engine, and the limits that follow from its layout.

Torques [Nm], speeds [1/min], angles [degrees before top dead centre], air per stroke as relative filling [-]: the
mass drawn against the swept volume at 1.184 g/L (the reference density of absolute load in SAE J1979).
"""

from __future__ import annotations

import math

from obdwatch.simulation.air_path import Filling, cylinder_air_flow
from obdwatch.simulation.curves import EvenCurve, clip
from obdwatch.simulation.layouts import Layout

REFERENCE_DENSITY = 1.184  # g/L, SAE J1979 absolute load
HEATING_VALUE = 43_000.0  # J/g, petrol; ethanol 26,900 (handbook values, from memory)
ETHANOL_HEATING_VALUE = 26_900.0
PETROL_AIR = 14.7  # g air per g fuel
ETHANOL_AIR = 9.0
PETROL_DENSITY = 745.0  # g/L
ETHANOL_DENSITY = 789.0
INDICATED_EFFICIENCY = 0.40  # of a warm engine at best timing (common practice 0.36 to 0.42 for these ratios)
SPARK_SPAN = 50.0  # deg; torque falls with the square of the timing error over this
STANDARD_PRESSURE = 101.325
STANDARD_TEMPERATURE = 298.15


def air_per_fuel(ethanol: float) -> float:
    """Stoichiometric air per fuel [g/g] of petrol with a volume share of ethanol.

    >>> round(air_per_fuel(0.10), 2)
    14.1
    """
    mass = _ethanol_mass_share(ethanol)
    return PETROL_AIR + (ETHANOL_AIR - PETROL_AIR) * mass


def heating_value(ethanol: float) -> float:
    """Lower heating value [J/g] of petrol with a volume share of ethanol."""
    return HEATING_VALUE + (ETHANOL_HEATING_VALUE - HEATING_VALUE) * _ethanol_mass_share(ethanol)


def fuel_density(ethanol: float) -> float:
    """Density [g/L] of petrol with a volume share of ethanol."""
    return PETROL_DENSITY + (ETHANOL_DENSITY - PETROL_DENSITY) * ethanol


def _ethanol_mass_share(ethanol: float) -> float:
    """Return the mass share of ethanol for its volume share."""
    return ethanol * ETHANOL_DENSITY / fuel_density(ethanol)


def relative_filling(air_flow: float, speed: float, displacement: float) -> float:
    """Air mass per intake stroke over swept volume times 1.184 g/L; 100 times this is absolute load [-].

    >>> round(100.0 * relative_filling(28.729, 2500.0, 2.5), 2)
    46.59
    """
    if speed < 1.0:
        return 0.0
    return 120.0 * air_flow / (speed * displacement * REFERENCE_DENSITY)


def oil_friction_factor(oil: float) -> float:
    """Friction against that with oil at 90 degC [-]: viscosity by Vogel's law to the power 0.24.

    The exponent follows Shayler et al. (SAE 2005, from memory); the constants fit a 5W-30 oil. Valid -35 to 150 degC.

    >>> round(oil_friction_factor(20.0), 2)
    1.89
    """
    return math.exp(0.24 * 1050.0 * (1.0 / (oil + 115.0) - 1.0 / 205.0))


def friction_torque(speed: float, oil: float, displacement: float) -> float:
    """Torque of rubbing parts and auxiliaries [Nm]: 0.97 + 0.15 n + 0.05 n2 bar (n in 1,000 1/min), scaled by oil.

    Reference: Heywood, Internal Combustion Engine Fundamentals, equation 13.11 (from memory).
    """
    n = speed / 1000.0
    return (97.0 + 15.0 * n + 5.0 * n * n) * displacement / (4.0 * math.pi) * oil_friction_factor(oil) * 0.82


def pumping_torque(manifold: float, exhaust: float, displacement: float) -> float:
    """Torque of drawing against manifold vacuum [Nm]; pressures [kPa], displacement [L]."""
    return (exhaust - manifold) * displacement / (4.0 * math.pi)


def best_timing(speed: float, filling: float, residual: float) -> float:
    """Timing of best torque [deg]: earlier with speed, with thin charge and with residual gas (common practice)."""
    return clip(16.0 + 0.0042 * speed - 20.0 * (filling - 0.3) + 40.0 * residual, 5.0, 52.0)


def knock_limit(speed: float, filling: float, intake_air: float, coolant: float, compression_ratio: float) -> float:
    """Latest timing free of knock on ordinary fuel [deg] (common practice; shape only)."""
    limit = 31.0 + 0.0021 * speed - 40.0 * max(0.0, filling - 0.42) - 3.0 * (compression_ratio - 10.0)
    return limit - 0.14 * max(0.0, intake_air - 30.0) - 0.22 * max(0.0, coolant - 98.0)


def timing_efficiency(timing: float, best: float) -> float:
    """Share of the best torque at a timing [-]."""
    error = (best - timing) / SPARK_SPAN
    return max(0.25, 1.0 - error * error)


def mixture_torque(lambda_value: float) -> float:
    """Torque of a given air mass at an air ratio, 1 at stoichiometric [-]: most at 0.88, fuel-limited when lean."""
    if lambda_value >= 1.0:
        return max(0.0, 1.0 / lambda_value - 0.55 * max(0.0, lambda_value - 1.25))
    rich = 1.0 - lambda_value
    return 1.0 + 0.5 * rich - 2.1 * rich * rich


def indicated_torque(air_flow: float, speed: float, mixture: float, timing: float) -> float:
    """Torque of the gas on the crank [Nm] from the air burnt [g/s]; `mixture`, `timing` are the shares above."""
    omega = max(speed, 50.0) * math.pi / 30.0
    heat = air_flow * HEAT_PER_AIR
    slow = 1.0 - 0.16 * math.exp(-max(speed - 500.0, 0.0) / 1400.0)  # a slow charge loses more heat to the walls
    return INDICATED_EFFICIENCY * slow * heat * mixture * timing / omega


def coolant_heat_share(fuel_power: float, displacement: float) -> float:
    """Share of the fuel's heat that reaches block and coolant [-]: 0.38 at idle, 0.22 at full load.

    Reference: Heywood, table 12.1: 17 to 26 % at full load; more at part load (both from memory).
    """
    return 0.22 + 0.18 * math.exp(-fuel_power / (22_000.0 * displacement))


HEAT_PER_AIR = heating_value(0.10) / air_per_fuel(0.10)  # J per gram of air burnt; hardly depends on the ethanol


class Limits:
    """What a sound engine of this layout can do at sea level and 25 degC; the control unit's own tables."""

    __slots__ = ("_air", "_torque", "idle_air", "peak_air")

    def __init__(self, layout: Layout, filling: Filling) -> None:
        air: list[tuple[float, float]] = []
        torque: list[tuple[float, float]] = []
        for speed in range(500, 7100, 100):
            flow, value = _full_load(layout, filling, float(speed))
            air.append((float(speed), flow))
            torque.append((float(speed), value))
        self._air = EvenCurve(air, 100.0)
        self._torque = EvenCurve(torque, 100.0)
        self.peak_air = max(flow for speed, flow in air if speed <= layout.redline)
        self.idle_air = 1.6 * layout.displacement_l  # g/s hot idle with lights off (common practice)

    def air(self, speed: float) -> float:
        """Air flow at full throttle [g/s], the denominator of calculated load."""
        return self._air.at(speed)

    def torque(self, speed: float) -> float:
        """Torque at the flywheel at full throttle, warm [Nm]."""
        return self._torque.at(speed)


def _full_load(layout: Layout, filling: Filling, speed: float) -> tuple[float, float]:
    """Return air [g/s] and torque [Nm] at full throttle with the cams and flaps where they belong."""
    cams = (filling.best_intake(speed), filling.best_exhaust(speed)) if layout.cam_timing else (0.0, 0.0)
    flap = float(filling.wants_long_runner(speed))
    share = (speed / layout.redline) ** 2
    manifold, exhaust = STANDARD_PRESSURE - 4.0 * share, STANDARD_PRESSURE + 20.0 * share
    ve = filling.efficiency(speed, manifold, exhaust, *cams, flap)
    air = cylinder_air_flow(ve, manifold, layout.displacement_l, speed, STANDARD_TEMPERATURE)
    part = relative_filling(air, speed, layout.displacement_l)
    best = best_timing(speed, part, 0.05)
    timing = min(best, knock_limit(speed, part, 25.0, 90.0, layout.compression_ratio))
    torque = indicated_torque(air, speed, mixture_torque(0.89), timing_efficiency(timing, best))
    loss = friction_torque(speed, 90.0, layout.displacement_l)
    return air, torque - loss - pumping_torque(manifold, exhaust, layout.displacement_l)
