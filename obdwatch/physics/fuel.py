"""Fuel burnt and heat released, from air or from the work the engine must do; what the heat balances start from.

Pure functions of numbers or arrays. Fuel data are handbook values; blends are mixed by mass.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from obdwatch.physics.air import Quantity
from obdwatch.records import FloatArray

GRAVITY = 9.81
"""Acceleration of free fall [m/s2]."""


@dataclass(frozen=True, slots=True)
class Fuel:
    """A fuel: `air_ratio`, air to burn it completely [kg/kg]; `heating_value`, lower [kJ/g]; `density` [g/mL]."""

    air_ratio: float
    heating_value: float
    density: float


FUELS = MappingProxyType(
    {
        # petrol 14.7, 41.8-43.4 MJ/kg, 0.72-0.78; ethanol 9.0, 26.8 MJ/kg, 0.789; diesel 14.5, 42.6 MJ/kg, 0.82-0.845:
        # Heywood, Internal Combustion Engine Fundamentals, table D.4 (from memory)
        "petrol": Fuel(air_ratio=14.7, heating_value=42.9, density=0.745),
        "e10": Fuel(air_ratio=14.1, heating_value=41.2, density=0.749),
        "e85": Fuel(air_ratio=9.8, heating_value=29.2, density=0.782),
        "diesel": Fuel(air_ratio=14.5, heating_value=42.6, density=0.835),
    }
)
ETHANOL = Fuel(air_ratio=9.0, heating_value=26.8, density=0.789)


def blend(ethanol_volume_share: float) -> Fuel:
    """Petrol with a share of ethanol by volume.

    Parameter: ethanol_volume_share [-], 0 to 1. Valid: air need and heating value add up by mass.
    Reference: Heywood, Internal Combustion Engine Fundamentals, table D.4 (from memory).

    >>> e10 = blend(0.10)
    >>> round(e10.air_ratio, 1), round(e10.heating_value, 1)
    (14.1, 41.2)
    """
    petrol = FUELS["petrol"]
    density = ethanol_volume_share * ETHANOL.density + (1.0 - ethanol_volume_share) * petrol.density
    mass_share = ethanol_volume_share * ETHANOL.density / density
    return Fuel(
        air_ratio=mass_share * ETHANOL.air_ratio + (1.0 - mass_share) * petrol.air_ratio,
        heating_value=mass_share * ETHANOL.heating_value + (1.0 - mass_share) * petrol.heating_value,
        density=density,
    )


def fuel_flow(air_flow: Quantity, air_ratio: float, excess_air: Quantity) -> Quantity:
    """Fuel mass flow of a spark-ignition engine [g/s].

    Parameters: air_flow [g/s]; air_ratio for complete combustion [kg/kg]; excess_air (lambda) [-].
    Valid: fuel is being injected (zero on a fuel cut, whatever the air flow). Reference: definition of lambda.

    >>> fuel_flow(14.7, 14.7, 1.0)
    1.0
    """
    return air_flow / (air_ratio * excess_air)


def fuel_flow_from_volume(fuel_rate: Quantity, density: float) -> Quantity:
    """Fuel mass flow from a volume rate [g/s].

    Parameters: fuel_rate [L/h] (PID 5E); density [g/mL]. Reference: units.

    >>> round(fuel_flow_from_volume(2.0, 0.745), 3)
    0.414
    """
    return fuel_rate * (density / 3.6)


def heat_release(mass_flow: Quantity, heating_value: float) -> Quantity:
    """Heat of complete combustion [kW].

    Parameters: mass_flow of fuel [g/s]; heating_value, lower [kJ/g]. Reference: definition.

    >>> round(heat_release(0.5, 42.9), 2)
    21.45
    """
    return mass_flow * heating_value


def road_power(
    speed: FloatArray, acceleration: FloatArray, mass: float, drag_area: float, rolling: float
) -> FloatArray:
    """Power to move a car on a level road [kW]; never below zero, braking gives nothing back.

    Parameters: speed [km/h]; acceleration [m/s2]; mass [kg]; drag_area, drag coefficient times frontal area [m2];
    rolling, rolling resistance coefficient [-].
    Valid: level road, no wind, air density 1.2 kg/m3. Reference: textbook vehicle dynamics (from memory).

    >>> float(road_power(np.array([100.0]), np.array([0.0]), 1500.0, 0.65, 0.012).round(2)[0])
    13.26
    """
    v = speed / 3.6
    force = mass * acceleration + mass * GRAVITY * rolling + 0.5 * 1.2 * drag_area * v**2
    return np.maximum(force * v, 0.0) / 1000.0


def willans_fuel_power(
    engine_speed: FloatArray, brake_power: FloatArray, displacement: float, friction_pressure: float, efficiency: float
) -> FloatArray:
    """Heat released for a given work, by the Willans line [kW].

    Parameters: engine_speed [1/min]; brake_power [kW]; displacement [L]; friction_pressure, friction, pumping and
    accessories as mean effective pressure [kPa]; efficiency, indicated [-].
    Valid: four-stroke, part load, warm; a cold engine rubs more. Reference: Heywood, chapter 13 (from memory).

    >>> float(willans_fuel_power(np.array([900.0]), np.array([0.0]), 2.0, 180.0, 0.40).round(2)[0])
    6.75
    """
    friction = friction_pressure * displacement * engine_speed / 120.0 / 1000.0
    return (brake_power + friction) / efficiency
