"""How fast coolant heats when nothing carries the heat away, how soon it gets dangerous, and what a radiator carries.

Pure functions of numbers or arrays; heat in kW, heat capacity in kJ/K, conductance in kW/K.
"""

from __future__ import annotations

import math

from obdwatch.physics.air import Quantity

SECONDS_PER_MINUTE = 60.0


def unrejected_rate(heat: Quantity, heat_share: float, heat_capacity: float) -> Quantity:
    """Rise of the coolant when the radiator carries nothing away [K/min].

    Parameters: heat of the fuel [kW]; heat_share that reaches metal and coolant [-]; heat_capacity of both [kJ/K].
    Valid: no loss to the air, metal and coolant well mixed; the upper limit of a warm engine's rise.
    Reference: energy balance; 0.30-0.40 of the fuel's heat reaches the coolant at part load (Heywood, from memory).

    >>> round(unrejected_rate(40.0, 0.33, 80.0), 1)
    9.9
    """
    return heat * (heat_share * SECONDS_PER_MINUTE / heat_capacity)


def time_to_reach(limit: float, temperature: float, rate: float) -> float:
    """Time until the coolant is at a limit if it goes on as it does [s]; infinite where it does not rise.

    Parameters: limit, temperature [degC]; rate [K/min].
    Valid: constant rise; a fan or a thermostat that still comes in makes it longer. Reference: definition.

    >>> round(time_to_reach(120.0, 112.0, 6.0), 1)
    80.0
    >>> time_to_reach(120.0, 121.0, -3.0), time_to_reach(120.0, 100.0, 0.0)
    (0.0, inf)
    """
    if temperature >= limit:
        return 0.0
    return (limit - temperature) / rate * SECONDS_PER_MINUTE if rate > 0.0 else math.inf


def rejected_conductance(
    heat: Quantity, heat_share: float, heat_capacity: float, rate: Quantity, coolant: Quantity, air: float
) -> Quantity:
    """Heat carried to the air per kelvin between coolant and air [kW/K].

    Parameters: heat of the fuel [kW]; heat_share [-]; heat_capacity [kJ/K]; rate of the coolant [K/min]; coolant and
    air [degC], coolant the warmer.
    Valid: means over a minute or longer. Reference: energy balance, what is neither stored nor in the exhaust.

    >>> round(rejected_conductance(40.0, 0.33, 80.0, 0.0, 90.0, 20.0), 3)
    0.189
    """
    return (heat * heat_share - rate * (heat_capacity / SECONDS_PER_MINUTE)) / (coolant - air)


def hotter_air_allowance(air: float, air_before: float) -> float:
    """How much hotter coolant may be for hotter air, once the thermostat stands fully open [K].

    Parameters: air now and in the earlier drive [degC].
    Valid: same heat, speed and fan; while the thermostat still regulates, hotter air changes nothing, so this is the
    most it can be. Reference: energy balance, coolant minus air is heat over conductance.

    >>> hotter_air_allowance(30.0, 18.0), hotter_air_allowance(10.0, 18.0)
    (12.0, 0.0)
    """
    return max(0.0, air - air_before)
