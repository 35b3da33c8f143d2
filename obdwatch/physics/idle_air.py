"""The air an engine takes at idle: the opening that lets it in, and how well the cylinders fill with it.

Pure functions of numbers or arrays.
"""

from __future__ import annotations

import math
from typing import TypeVar

from obdwatch.physics.air import ABSOLUTE_ZERO, GAS_CONSTANT_AIR, STANDARD_PRESSURE
from obdwatch.records import FloatArray

Quantity = TypeVar("Quantity", float, FloatArray)

RATIO_OF_SPECIFIC_HEATS = 1.4
"""Of air."""

CRITICAL_PRESSURE_RATIO = 0.528
"""Pressure after over pressure before an opening below which the flow is choked: (2 / 2.4) ** 3.5 (isentropic flow)."""

CHOKED_FLOW = math.sqrt(RATIO_OF_SPECIFIC_HEATS / GAS_CONSTANT_AIR) * (1.2**-3.0)
"""Choked mass flow of air [kg/s] times root of temperature [K] per area [m2] and pressure [Pa]: 0.0404."""

LOAD_TEMPERATURE = 25.0
"""Temperature to which absolute load refers [degC], SAE J1979 PID 43."""


def idle_opening(air_flow: Quantity, pressure_before: Quantity, air_temperature: Quantity) -> Quantity:
    """Effective area of all openings that let air into an idling engine [mm2].

    Parameters: air_flow [g/s]; pressure_before the throttle, absolute [kPa]; air_temperature before it [degC].
    Valid: manifold pressure below 0.528 of the pressure before (choked flow), true for any throttled warm idle.
    Reference: isentropic flow through a nozzle at its critical pressure ratio.

    >>> round(idle_opening(2.5, 101.325, 20.0), 2)
    10.45
    """
    opening: Quantity = air_flow * (air_temperature - ABSOLUTE_ZERO) ** 0.5 / (CHOKED_FLOW * pressure_before)
    return opening


def filling(absolute_load: Quantity, manifold_pressure: Quantity, air_temperature: Quantity) -> Quantity:
    """Fresh air in the cylinders as a share of what the manifold's density would fill them with [-].

    Parameters: absolute_load [%]; manifold_pressure, absolute [kPa]; air_temperature in the manifold [degC].
    Valid: steady running, load measured by an air flow sensor. Reference: SAE J1979 PID 43 and the ideal gas law.

    >>> round(filling(23.63, 33.0, 35.0), 2)
    0.75
    """
    warmer = (air_temperature - ABSOLUTE_ZERO) / (LOAD_TEMPERATURE - ABSOLUTE_ZERO)
    return absolute_load / 100.0 * STANDARD_PRESSURE / manifold_pressure * warmer


def residual_filling(manifold_pressure: Quantity, exhaust_pressure: float, compression_ratio: float = 10.0) -> Quantity:
    """Share of the cylinder that fresh air can fill while burnt gas left in the clearance volume expands [-].

    Parameters: manifold_pressure and exhaust_pressure, absolute [kPa]; compression_ratio [-].
    Valid: ideal cycle, no valve overlap. Reference: J. B. Heywood, Internal Combustion Engine Fundamentals, equation
    6.2 for constant temperature of the charge (from memory).

    >>> round(residual_filling(35.0, 101.325), 3), residual_filling(100.0, 100.0)
    (0.874, 1.0)
    """
    expanded = (exhaust_pressure / manifold_pressure) ** (1.0 / RATIO_OF_SPECIFIC_HEATS)
    share: Quantity = (compression_ratio - expanded) / (compression_ratio - 1.0)
    return share
