"""Heat balance of an engine warming up, and what is known beforehand of a healthy one.

One lump of metal and coolant takes up a share of the fuel's heat, loses some to the air through its surface and the
cabin heater, and more through the radiator once the thermostat opens. Conductances are in kW/K, heat in kW.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.records import BoolArray, FloatArray

OPENING_SPAN = 8.0
"""Temperature over which a wax thermostat goes from closed to fully open [K]; published: 5 to 10 K."""

HEATER_FROM, HEATER_SPAN = 30.0, 25.0
"""Coolant temperature at which a cabin heater starts to take heat, and over which it comes to its full share [degC, K]:
blowers are held back, by hand or by the climate control, until the air comes warm (common practice)."""

RADIATOR_STILL = 0.08
"""Conductance of an open radiator at standstill without fan [kW/K], 2.0 L engine (common practice)."""

RADIATOR_SPEED = 0.005
"""Its increase with driving speed [kW/K per km/h]: about 0.4 kW/K at 60 km/h, 2.0 L engine (common practice)."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """What drives the heat balance, step by step [steps]: fuel `heat` [kW], `speed` [km/h], outside `air` [degC].

    `step` [s] is the time between points; `restart` is True where the curve is set anew to `measured` [degC], at the
    beginning and after every gap in the recording.
    """

    step: float
    heat: FloatArray
    speed: FloatArray
    air: FloatArray
    measured: FloatArray
    restart: BoolArray


@dataclass(frozen=True, slots=True)
class CoolingSystem:
    """Parameters of one or many cooling systems, each [members].

    `heat_capacity` [kJ/K]; `heat_share` of the fuel's heat that reaches the lump [-]; `loss_still` [kW/K] and
    `loss_speed` [kW/K per km/h] with the thermostat shut; `heater` [kW/K], the cabin heater once warm; `opening`
    [degC] where the thermostat begins to open; `radiator` scales the nominal open radiator [-]; `leak` is how far the
    thermostat stands open when it should be shut [-], 0 to 1; `air_offset` [K] is how much warmer the air really is
    than the conditions say.
    """

    heat_capacity: FloatArray
    heat_share: FloatArray
    loss_still: FloatArray
    loss_speed: FloatArray
    heater: FloatArray
    opening: FloatArray
    radiator: FloatArray
    leak: FloatArray
    air_offset: FloatArray


def thermostat_opening(temperature: FloatArray, opening: FloatArray, leak: FloatArray) -> FloatArray:
    """How far a thermostat stands open [-], 0 shut to 1 full.

    Parameters: temperature [degC]; opening, where it begins to open [degC]; leak, the least opening [-].
    Valid: slow changes; real wax lags by some seconds and has 2-4 K of hysteresis (common practice).
    Reference: published opening ranges, full 5-10 K above the first opening.

    >>> thermostat_opening(np.array([20.0, 92.0, 99.0]), np.array([88.0]), np.array([0.1])).round(2).tolist()
    [0.1, 0.5, 1.0]
    """
    # minimum and maximum instead of clip, which costs several times as much on few values
    return np.minimum(np.maximum((temperature - opening) / OPENING_SPAN, np.maximum(leak, 0.0)), 1.0)


def radiator_conductance(speed: FloatArray, scale: FloatArray) -> FloatArray:
    """Heat flow through a fully open radiator circuit per kelvin above the air [kW/K].

    Parameters: speed [km/h]; scale, 1 for a 2.0 L engine's [-].
    Valid: fan off, engine at part load. Reference: common practice; a radiator is sized for about half a kilowatt
    per kelvin at cruising speed for an engine of 100 kW.

    >>> round(float(radiator_conductance(np.array([60.0]), np.array([1.0]))[0]), 2)
    0.38
    """
    return scale * (RADIATOR_STILL + RADIATOR_SPEED * speed)


def steady_temperature(heat: float, heat_share: float, conductance: float, air: float) -> float:
    """Where the coolant would settle with a constant conductance [degC].

    Parameters: heat of the fuel [kW]; heat_share [-]; conductance [kW/K]; air [degC].
    Valid: constant conditions for several time constants. Reference: energy balance.

    >>> steady_temperature(30.0, 0.33, 0.2, 10.0)
    59.5
    """
    return air + heat_share * heat / conductance


def warm_up_curves(conditions: Conditions, system: CoolingSystem) -> FloatArray:
    """Coolant temperature of each system under the same conditions [members, steps] in degC.

    Solves C dT/dt = a Q - (k0 + k1 v + k_h(T) + open(T) k_r(v)) (T - T_air), exactly within a step of constant
    conditions and opening. Valid: step well below C over the conductance (30 s is safe). Reference: energy balance.

    >>> flat = np.ones(121)
    >>> drive = Conditions(10.0, flat * 30.0, flat * 50.0, flat * 10.0, flat * 10.0, flat.cumsum() == 1.0)
    >>> values = (80.0, 0.33, 0.03, 0.0004, 0.0, 88.0, 1.0, 0.0, 0.0)
    >>> car = CoolingSystem(*(np.array([value]) for value in values))
    >>> warm_up_curves(drive, car)[0, [0, 30, 60, 120]].round(1).tolist()
    [10.0, 43.9, 71.9, 89.8]
    """
    closed = system.loss_still + conditions.speed[:, None] * system.loss_speed
    members = closed.shape[1]
    opening, spans, least, sizes = _ways_out(conditions, system, closed.shape)
    heater_from = np.full(members, HEATER_FROM)
    heat = conditions.heat[:, None] * system.heat_share
    surroundings = conditions.air[:, None] + system.air_offset
    cooling = np.diff(conditions.air, prepend=conditions.air[:1])
    per_step = -conditions.step / system.heat_capacity
    curves = np.empty_like(closed)
    above, settled, conductance, ways = np.zeros(members), np.empty(members), np.empty(members), np.empty(2 * members)
    heater, radiator, full = ways[:members], ways[members:], np.ones(2 * members)
    # In place throughout, no row is looked up by its number, and all rows are of one length or of two, end to end: on
    # few members each of these costs as much as the arithmetic.
    steps = zip(
        conditions.restart.tolist(),
        cooling.tolist(),
        conditions.measured.tolist(),
        surroundings,
        heat,
        closed,
        sizes,
        curves,
        strict=True,
    )
    for restarts, cools, measured, around, heats, loses, size, now in steps:
        if restarts:
            np.subtract(measured, around, above)
        elif cools:
            np.subtract(above, cools, above)
        np.add(above, around, now)
        np.subtract(now, heater_from, heater)
        np.subtract(now, opening, radiator)
        np.divide(ways, spans, ways)
        np.maximum(ways, least, out=ways)
        np.minimum(ways, full, out=ways)
        np.multiply(ways, size, ways)
        np.add(heater, radiator, conductance)
        np.add(conductance, loses, conductance)
        np.divide(heats, conductance, settled)
        np.subtract(above, settled, above)
        np.multiply(conductance, per_step, conductance)
        np.exp(conductance, conductance)
        np.multiply(above, conductance, above)
        np.add(above, settled, above)
    return curves.T


def _ways_out(
    conditions: Conditions, system: CoolingSystem, shape: tuple[int, ...]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Heater and radiator as two ramps of the coolant's temperature: where the radiator's begins [members], and of
    both, end to end [2 * members], over how much they open [K], the least they stand open, and their conductance fully
    open [steps, 2 * members].
    """
    members = shape[1]
    radiator = radiator_conductance(conditions.speed[:, None], system.radiator)
    opening = np.ascontiguousarray(np.broadcast_to(system.opening, members))
    least = np.concatenate([np.zeros(members), np.broadcast_to(np.maximum(system.leak, 0.0), members)])
    sizes = np.empty((shape[0], 2 * members))
    sizes[:, :members], sizes[:, members:] = system.heater, radiator
    return opening, np.repeat([HEATER_SPAN, OPENING_SPAN], members), least, sizes
