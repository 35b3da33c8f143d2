"""How readings of different sensors hang together: cooling down over night, air pressure and height, a lagging sensor.

Pure functions of numbers or arrays.
"""

from __future__ import annotations

import math

import numpy as np

from obdwatch.physics.air import GAS_CONSTANT_AIR, STANDARD_PRESSURE, Quantity
from obdwatch.records import FloatArray

LAPSE, SEA_LEVEL_TEMPERATURE, GRAVITY = 0.0065, 288.15, 9.80665
"""Temperature gradient [K/m], temperature at sea level [K], gravity [m/s2] of the standard atmosphere, ISO 2533."""


def soak_remainder(hours: float, above_air: float, time_constant: float) -> float:
    """How much warmer than the air an engine still is after standing [K].

    Parameters: hours standing [h]; above_air when it was switched off [K]; time_constant [h].
    Valid: still air of constant temperature. Reference: Newton's law of cooling; an engine of 150 kJ/K that loses 12 to
    15 W/K through its surface has a time constant of about three hours (energy balance).

    >>> round(soak_remainder(8.0, 75.0, 3.0), 1), round(soak_remainder(12.0, 75.0, 3.0), 1)
    (5.2, 1.4)
    """
    return above_air * math.exp(-hours / time_constant)


def standard_pressure(height: Quantity) -> Quantity:
    """Air pressure at a height above the sea [kPa].

    Parameters: height [m]. Valid: up to 11 km, standard weather (a deep low takes off 5 kPa). Reference: ISO 2533.

    >>> round(standard_pressure(0.0), 3), round(standard_pressure(1000.0), 2), round(standard_pressure(3000.0), 2)
    (101.325, 89.87, 70.11)
    """
    exponent: float = GRAVITY / (GAS_CONSTANT_AIR * LAPSE)
    warmth: Quantity = 1.0 - LAPSE * height / SEA_LEVEL_TEMPERATURE
    pressure: Quantity = STANDARD_PRESSURE * warmth**exponent
    return pressure


def breathing(
    air_flow: Quantity, engine_speed: Quantity, manifold_pressure: Quantity, air_temperature: Quantity, size: float
) -> Quantity:
    """Volumetric efficiency referred to the density in the manifold, from what the sensors say [-].

    Parameters: air_flow [g/s]; engine_speed [1/min], above zero; manifold_pressure, absolute [kPa], above zero;
    air_temperature [degC]; size, displacement [L].
    Valid: four-stroke, steady. Reference: J. B. Heywood, Internal Combustion Engine Fundamentals, section 2.10 (from
    memory); 0.4 (idle, much overlap) to 1.1 (tuned intake) are the ends of what engines reach.

    >>> round(breathing(28.729, 2500.0, 60.0, 30.0, 2.5), 2)
    0.8
    """
    density = manifold_pressure * 1000.0 / (GAS_CONSTANT_AIR * (air_temperature + 273.15))
    return air_flow * 120.0 / (density * size * engine_speed)


def lagged(values: FloatArray, step: float, time_constant: float) -> FloatArray:
    """Return what a sensor with a lag shows of a quantity, starting from its first value.

    Parameters: values [n]; step between them [s]; time_constant of the sensor [s].
    Valid: first-order lag, values constant within a step. Reference: linear system.

    >>> lagged(np.array([0.0, 10.0, 10.0, 10.0]), 10.0, 14.427).round(2).tolist()
    [0.0, 5.0, 7.5, 8.75]
    """
    if time_constant <= 0.0:
        return values.copy()
    keep = math.exp(-step / time_constant)
    shown = np.empty(len(values))
    last = float(values[0]) if len(values) else 0.0
    for i, value in enumerate(values.tolist()):
        last = value + (last - value) * keep
        shown[i] = last
    return shown
