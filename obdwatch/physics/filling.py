"""How full an engine gets: filling at standard air, what residual gas takes away, how timing may differ with heat.

Pure functions of numbers or arrays, for the detectors of air filling, cam timing and ignition timing.
"""

from __future__ import annotations

import math

from obdwatch.physics.air import ABSOLUTE_ZERO, STANDARD_PRESSURE, Quantity

STANDARD_TEMPERATURE = 25.0
"""Air temperature to which load values refer [degC], SAE J1979 PID 04 and 43."""

RESIDUAL_EXPONENT = 1.35
"""Ratio of specific heats of the gas left in the cylinder [-] (J. B. Heywood, section 5.3, from memory)."""


def standard_filling(absolute_load: Quantity, barometric_pressure: Quantity, air_temperature: Quantity) -> Quantity:
    """Full-throttle absolute load as it would be at 101.325 kPa and 25 degC [%].

    Parameters: absolute_load [%]; barometric_pressure [kPa]; air_temperature before the engine [degC].
    Valid: full throttle, naturally aspirated; the square root of the temperature, not its first power, because the
    charge is warmed on its way in. Reference: SAE J1979 PID 04 and SAE J1349, both of which correct so (from memory).

    >>> round(standard_filling(90.0, 101.325, 25.0), 1), round(standard_filling(72.0, 81.06, 25.0), 1)
    (90.0, 90.0)
    """
    warmth: Quantity = (air_temperature - ABSOLUTE_ZERO) / (STANDARD_TEMPERATURE - ABSOLUTE_ZERO)
    filling: Quantity = absolute_load * (STANDARD_PRESSURE / barometric_pressure) * warmth**0.5
    return filling


def heat_allowance(air_temperature: float, earlier: float) -> float:
    """How much less full hotter air may leave an engine than `standard_filling` corrects for [%]; 0 for cooler air.

    A charge that is not warmed on its way in follows the density, the first power of the temperature; the correction
    takes the square root, so that up to another square root is left.
    Parameters: air_temperature now and `earlier`, before the engine [degC]. Reference: ideal gas law.

    >>> round(heat_allowance(34.0, 0.0), 1), heat_allowance(0.0, 34.0)
    (5.7, 0.0)
    """
    left = math.sqrt((earlier - ABSOLUTE_ZERO) / (air_temperature - ABSOLUTE_ZERO))
    return max(0.0, 100.0 * (1.0 - left))


def residual_pressure(exhaust_pressure: float, compression_ratio: float) -> float:
    """Manifold pressure at which an engine would draw in no fresh air, for the burnt gas left in it [kPa].

    The ideal cycle's volumetric efficiency, r/(r-1) - (pe/pi + k - 1) / (k (r-1)), is zero there: air per stroke is
    proportional to the manifold pressure less this.
    Parameters: exhaust_pressure, absolute [kPa]; compression_ratio r [-].
    Valid: no valve overlap, which sends exhaust gas back into the manifold and raises it. Reference: J. B. Heywood,
    Internal Combustion Engine Fundamentals, equation 5.37 (from memory).

    >>> round(residual_pressure(101.325, 10.0), 1)
    7.7
    """
    return exhaust_pressure / (RESIDUAL_EXPONENT * compression_ratio - (RESIDUAL_EXPONENT - 1.0))


def idle_breathing_change(
    filling: float, pressure: float, former_filling: float, former_pressure: float, residual: float
) -> float:
    """Air drawn in at idle against what the manifold pressure should draw, relative to how it was [-].

    Air conditioning, alternator and a gear raise air and pressure together along the line through `residual`: they give
    0. More overlap gives less air at the same pressure: below 0.
    Parameters: fillings [%, or any unit, both alike]; pressures and residual, absolute [kPa], pressures above residual.
    Valid: hot idle. Reference: proportion, see `residual_pressure`.

    >>> round(idle_breathing_change(33.3, 50.0, 22.0, 35.6, 8.0), 2)
    -0.01
    >>> round(idle_breathing_change(22.0, 50.0, 22.0, 35.6, 8.0), 2)
    -0.34
    """
    return (filling / former_filling) / ((pressure - residual) / (former_pressure - residual)) - 1.0
