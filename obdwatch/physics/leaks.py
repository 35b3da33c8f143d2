"""Air that slips past the air sensor: flow through a small hole into the manifold, and the hole that a flow tells of.

Pure functions of numbers or arrays; isentropic flow of an ideal gas through an orifice.
"""

from __future__ import annotations

import math

import numpy as np

from obdwatch.physics.air import ABSOLUTE_ZERO, GAS_CONSTANT_AIR
from obdwatch.records import FloatArray

HEAT_RATIO = 1.4
"""Ratio of specific heats of air, ISO 2533."""

CRITICAL_RATIO = (2.0 / (HEAT_RATIO + 1.0)) ** (HEAT_RATIO / (HEAT_RATIO - 1.0))
"""Pressure after over pressure before, 0.528, below which the flow is choked and grows no more (isentropic flow)."""

DISCHARGE = 0.7
"""Discharge coefficient of the equivalent hole [-]: a sharp edge has 0.6 at small pressure differences and about 0.75
when choked (handbooks, from memory). The hole is a picture for the reader; the mass flow does not rest on it."""


def flow_share(pressure_ratio: FloatArray) -> FloatArray:
    """Flow through an orifice as a share of its choked flow [-].

    Parameter: pressure_ratio, pressure after over pressure before, both absolute [-].
    Valid: ideal gas, no heat exchange; 1 when choked, 0 without a pressure difference. Reference: isentropic flow
    (J. B. Heywood, Internal Combustion Engine Fundamentals, appendix C, from memory).

    >>> flow_share(np.array([0.3, 0.8, 1.0])).round(3).tolist()
    [1.0, 0.819, 0.0]
    """
    ratio = np.clip(pressure_ratio, CRITICAL_RATIO, 1.0)
    flow = ratio ** (1.0 / HEAT_RATIO) * np.sqrt(1.0 - ratio ** ((HEAT_RATIO - 1.0) / HEAT_RATIO))
    share: FloatArray = flow / _CHOKED_SHAPE
    return share


_CHOKED_SHAPE = CRITICAL_RATIO ** (1.0 / HEAT_RATIO) * math.sqrt(
    1.0 - CRITICAL_RATIO ** ((HEAT_RATIO - 1.0) / HEAT_RATIO)
)


def choked_flux(pressure: float, temperature: float) -> float:
    """Choked mass flow of air per area [kg/(s m2)], which is the same as [mg/(s mm2)] times 1,000.

    Parameters: pressure before the hole, absolute [kPa]; temperature before it [degC].
    Valid: ideal gas, pressure after the hole below 0.528 of that before. Reference: isentropic flow.

    >>> round(choked_flux(101.325, 20.0), 1)
    239.2
    """
    exponent: float = (HEAT_RATIO + 1.0) / (2.0 * (HEAT_RATIO - 1.0))
    shape: float = math.sqrt(HEAT_RATIO / GAS_CONSTANT_AIR) * (2.0 / (HEAT_RATIO + 1.0)) ** exponent
    return pressure * 1000.0 / math.sqrt(temperature - ABSOLUTE_ZERO) * shape


def hole_flow(diameter: float, before: float, after: float, temperature: float, discharge: float = DISCHARGE) -> float:
    """Air mass flow through a round hole [g/s].

    Parameters: diameter [mm]; before, after: absolute pressures [kPa]; temperature before it [degC]; discharge
    coefficient [-]. Valid: as `flow_share`. Reference: isentropic flow through an orifice.

    >>> round(hole_flow(3.0, 101.325, 35.0, 20.0), 2)
    1.18
    """
    area = math.pi / 4.0 * diameter**2
    share = float(flow_share(np.array([after / before]))[0])
    return discharge * area * choked_flux(before, temperature) * share / 1000.0


def equivalent_hole(
    flow: float, before: float, after: float, temperature: float, discharge: float = DISCHARGE
) -> float:
    """Diameter of the round hole that lets a flow through [mm], the inverse of `hole_flow`; 0 for no flow.

    Parameters: flow [g/s]; before, after: absolute pressures [kPa]; temperature before it [degC]; discharge
    coefficient [-]. Valid: pressure after below that before. Reference: isentropic flow through an orifice.

    >>> round(equivalent_hole(hole_flow(3.0, 101.325, 35.0, 20.0), 101.325, 35.0, 20.0), 6)
    3.0
    """
    share = float(flow_share(np.array([after / before]))[0])
    if flow <= 0.0 or share <= 0.0:
        return 0.0
    area = flow * 1000.0 / (discharge * choked_flux(before, temperature) * share)
    return math.sqrt(4.0 * area / math.pi)
