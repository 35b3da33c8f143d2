"""How fast an oxygen sensor before the catalyst can answer, and what a sampled signal can show of it.

Pure functions of numbers; the exhaust is taken as air at exhaust temperature, which its density is within 3 %.
"""

from __future__ import annotations

import math

from obdwatch.physics.air import STANDARD_PRESSURE, air_density

SAMPLES_PER_SWING = 4.0
"""Samples for each full swing before a switching rate is believed: Nyquist's two with a margin (common practice)."""


def gas_travel_time(volume: float, gas_flow: float, gas_temperature: float) -> float:
    """Time exhaust takes from the valves to a sensor [s].

    Parameters: volume of ports and manifold up to the sensor [L]; gas_flow, air and fuel together [g/s];
    gas_temperature [degC].
    Valid: plug flow at about atmospheric pressure. Reference: continuity and the ideal gas law.

    >>> round(gas_travel_time(1.5, 3.0, 500.0), 2)
    0.23
    """
    return volume * air_density(STANDARD_PRESSURE, gas_temperature) / gas_flow


def first_order_time(time_constant: float, share: float) -> float:
    """Time in which a first-order sensor has made `share` of a step [s].

    Parameters: time_constant [s]; share of the step made, 0 to below 1 [-].
    Reference: step response 1 - exp(-t / time_constant).

    >>> round(first_order_time(0.2, 0.632), 2), round(first_order_time(0.2, 0.9), 2)
    (0.2, 0.46)
    """
    return -time_constant * math.log1p(-share)


def limit_cycle_period(delay: float) -> float:
    """Period of mixture control by a switching sensor and an integrator [s].

    Parameters: delay from injection to the sensor's switching, sensor included [s].
    Valid: trim a pure ramp, symmetric. After each switch the ramp runs on for one delay and needs another to come
    back, on either side. Reference: U. Kiencke and L. Nielsen, Automotive Control Systems (from memory).

    >>> limit_cycle_period(0.25)
    1.0
    """
    return 4.0 * delay


def visible_crossings(spacing: float) -> float:
    """Highest rate of crossings that samples show for certain [1/s].

    Parameters: spacing between samples [s].
    Two crossings make one swing of `SAMPLES_PER_SWING` samples. Reference: sampling theorem, with margin.

    >>> visible_crossings(0.1), visible_crossings(0.5)
    (5.0, 1.0)
    """
    return 2.0 / (SAMPLES_PER_SWING * spacing)
