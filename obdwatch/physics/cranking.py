"""Starting an engine: what a battery must hold, what its resting voltage tells, how a starter answers to voltage."""

from __future__ import annotations

import numpy as np

LOAD_TEST = ((-18.0, 8.5), (-12.0, 8.7), (-7.0, 8.9), (-1.0, 9.1), (4.0, 9.3), (10.0, 9.4), (17.0, 9.5), (20.0, 9.6))
"""Battery temperature [degC] and lowest voltage [V] of the load test at half the cold-cranking current for 15 s
(published trade table)."""

RESTING = ((11.89, 0.0), (12.06, 25.0), (12.24, 50.0), (12.45, 75.0), (12.65, 100.0))
"""Resting voltage at 26.7 degC [V] and charge [%] of a flooded lead-acid battery (published trade table)."""

WELL_CHARGED = 65.0
"""Charge [%] below which a battery should be charged: lead-acid ages below about two thirds (common practice)."""


def load_test_floor(temperature: float) -> float:
    """Lowest voltage that a sound 12 V battery holds in the load test [V].

    Parameters: temperature of the battery [degC].
    Valid: -18 to 20 degC, held constant outside. Reference: published trade table of the load test, interpolated.

    >>> load_test_floor(25.0), load_test_floor(-18.0), round(load_test_floor(7.0), 2)
    (9.6, 8.5, 9.35)
    """
    temperatures, volts = zip(*LOAD_TEST, strict=True)
    return float(np.interp(temperature, temperatures, volts))


def resting_charge(voltage: float) -> float:
    """State of charge of a rested lead-acid battery from its open-circuit voltage [%].

    Parameters: voltage after hours of standing, no load [V].
    Valid: flooded lead-acid, about 27 degC, six cells. Reference: published trade table, interpolated.

    >>> resting_charge(12.24), resting_charge(11.5), round(resting_charge(12.35))
    (50.0, 0.0, 63)
    """
    volts, charge = zip(*RESTING, strict=True)
    return float(np.interp(voltage, volts, charge))


def resting_voltage(charge: float) -> float:
    """Open-circuit voltage of a rested lead-acid battery at a state of charge [V]; the inverse of `resting_charge`.

    Parameters: charge, state of charge [%].
    Valid: flooded lead-acid, about 27 degC, six cells, 0 to 100 %. Reference: published trade table, interpolated.

    >>> resting_voltage(50.0), round(resting_voltage(65.0), 3)
    (12.24, 12.366)
    """
    volts, known = zip(*RESTING, strict=True)
    return float(np.interp(charge, known, volts))


def sag_ratio(resting: float, cranking: float) -> float:
    """Share of the resting voltage that is lost inside the battery while it drives the starter [-].

    Parameters: resting, cranking voltage [V]. For a battery of internal resistance r and a starter current I it is
    I r / resting. Valid: resting above 0. Reference: Ohm's law.

    >>> round(sag_ratio(12.0, 10.0), 4)  # textbook circuit: 12 V behind 0.010 ohm into 0.050 ohm: 200 A, 10.0 V
    0.1667
    """
    return (resting - cranking) / resting


def circuit_current(voltage: float, battery: float, cables: float, starter: float) -> float:
    """Current of a stalled starter [A].

    Parameters: open-circuit voltage [V]; resistances of battery, cables and starter [ohm].
    Valid: no back voltage. Reference: Ohm's law.

    >>> round(circuit_current(12.0, 0.010, 0.0, 0.050)), round(circuit_current(12.0, 0.010, 0.090, 0.050))
    (200, 80)
    """
    return voltage / (battery + cables + starter)


def speed_at_voltage(speed: float, voltage: float, now: float, back_share: float) -> float:
    """Crank speed of the same starter and engine at another voltage [1/min].

    Parameters: speed [1/min] at voltage [V]; now [V]; back_share, the part of `voltage` that the turning armature
    makes itself [-], the rest drops over the resistance of cables and windings. The engine asks for the same torque, so
    the current and that drop stay: speed is proportional to voltage less drop.
    Valid: equal engine temperature, 0 < back_share <= 1. Reference: direct-current motor, V = I R + k n.

    >>> speed_at_voltage(250.0, 11.0, 10.0, 0.5).__round__(1)
    204.5
    >>> speed_at_voltage(250.0, 11.0, 11.0, 0.7)
    250.0
    """
    drop = (1.0 - back_share) * voltage
    return max(0.0, speed * (now - drop) / (voltage - drop))
