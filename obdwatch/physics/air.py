"""Air a four-stroke engine breathes, from the quantities SAE J1979 offers; for every detector that needs fuel or heat.

Pure functions of numbers or arrays. Gas constant and standard density are those of ISO 2533 and SAE J1979 (PID 43).
"""

from __future__ import annotations

import math
from typing import TypeVar

from obdwatch.records import FloatArray

Quantity = TypeVar("Quantity", float, FloatArray)

GAS_CONSTANT_AIR = 287.05
"""Specific gas constant of dry air [J/(kg K)], ISO 2533."""

ABSOLUTE_ZERO = -273.15
"""Absolute zero [degC]."""

LOAD_AIR_DENSITY = 1.184
"""Air density to which absolute load refers [g/L], at 25 degC and 101.325 kPa, SAE J1979 PID 43."""

STANDARD_PRESSURE = 101.325
"""Pressure of the standard atmosphere at sea level [kPa], ISO 2533."""


def air_density(pressure: Quantity, temperature: Quantity) -> Quantity:
    """Density of dry air [g/L].

    Parameters: pressure, absolute [kPa]; temperature [degC].
    Valid: ideal gas, dry (saturated air at 30 degC is 1.6 % lighter). Reference: ISO 2533.

    >>> round(air_density(101.325, 25.0), 3)
    1.184
    """
    return pressure * 1000.0 / (GAS_CONSTANT_AIR * (temperature - ABSOLUTE_ZERO))


def speed_density_air_flow(
    engine_speed: Quantity,
    manifold_pressure: Quantity,
    air_temperature: Quantity,
    displacement: float,
    volumetric_efficiency: float,
) -> Quantity:
    """Air mass flow of a four-stroke engine from manifold pressure [g/s].

    Parameters: engine_speed [1/min]; manifold_pressure, absolute [kPa]; air_temperature in the manifold [degC];
    displacement [L]; volumetric_efficiency referred to manifold density [-].
    Valid: steady running, no exhaust gas recirculation. Reference: J. B. Heywood, Internal Combustion Engine
    Fundamentals, section 2.10 (from memory).

    >>> round(speed_density_air_flow(2000.0, 40.0, 26.85, 2.0, 0.85), 2)
    13.16
    """
    density = air_density(manifold_pressure, air_temperature)
    return density * engine_speed * (volumetric_efficiency * displacement / 120.0)


def absolute_load_air_flow(engine_speed: Quantity, absolute_load: Quantity, displacement: float) -> Quantity:
    """Air mass flow from absolute load [g/s].

    Parameters: engine_speed [1/min]; absolute_load [%]; displacement [L].
    Valid: four-stroke engines. Reference: SAE J1979, definition of PID 43.

    >>> round(absolute_load_air_flow(2500.0, 46.59, 2.5), 2)
    28.73
    """
    return engine_speed * absolute_load * (LOAD_AIR_DENSITY * displacement / (120.0 * 100.0))


def absolute_load(engine_speed: Quantity, air_flow: Quantity, displacement: float) -> Quantity:
    """Absolute load from air mass flow [%], the inverse of `absolute_load_air_flow`.

    Parameters: engine_speed [1/min], above zero; air_flow [g/s]; displacement [L].
    Valid: four-stroke engines. Reference: SAE J1979, definition of PID 43.

    >>> round(absolute_load(750.0, 4.372, 2.5), 2)
    23.63
    """
    return air_flow * (100.0 * 120.0 / (LOAD_AIR_DENSITY * displacement)) / engine_speed


def displacement_from_load(engine_speed: Quantity, air_flow: Quantity, load: Quantity) -> Quantity:
    """Displacement for which air mass flow and absolute load agree [L].

    Parameters: engine_speed [1/min], above zero; air_flow [g/s]; load, absolute [%], above zero.
    Valid: readings of the same moment. Reference: SAE J1979, definition of PID 43.

    >>> round(displacement_from_load(4500.0, 100.78, 90.79), 2)
    2.5
    """
    return air_flow * (100.0 * 120.0 / LOAD_AIR_DENSITY) / engine_speed / load


def calculated_load_air_flow(
    engine_speed: Quantity,
    calculated_load: Quantity,
    displacement: float,
    full_load_efficiency: float,
    barometric_pressure: float,
    air_temperature: float,
) -> Quantity:
    """Air mass flow from calculated load [g/s], the coarsest of the estimates.

    Calculated load is air flow over the full-throttle air flow at the same engine speed, corrected for barometric
    pressure and air temperature; the full-throttle flow is taken as `full_load_efficiency` times the displacement.
    Parameters: engine_speed [1/min]; calculated_load [%]; displacement [L]; full_load_efficiency [-];
    barometric_pressure [kPa]; air_temperature [degC].
    Valid: naturally aspirated petrol engines. Reference: SAE J1979, definition of PID 04 (from memory).

    >>> round(calculated_load_air_flow(2000.0, 30.0, 2.0, 0.9, 101.325, 25.0), 2)
    10.66
    """
    warmth = math.sqrt((25.0 - ABSOLUTE_ZERO) / (air_temperature - ABSOLUTE_ZERO))
    full = full_load_efficiency * LOAD_AIR_DENSITY * displacement / 120.0
    return engine_speed * calculated_load * (full / 100.0 * barometric_pressure / STANDARD_PRESSURE * warmth)
