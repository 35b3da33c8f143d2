"""The sensors in the intake of the virtual engine, and what its control unit makes of them.

Flows [g/s], pressures [kPa], temperatures of gas [K]. Noise and lags are those of common sensors (common practice).
"""

from __future__ import annotations

import math

from obdwatch.simulation.air_path import GAS_CONSTANT, cylinder_air_flow
from obdwatch.simulation.curves import Chance
from obdwatch.simulation.faults import Effects
from obdwatch.simulation.layouts import Layout

AIR_FLOW_NOISE = 0.012  # of the value, pulsation included
AIR_FLOW_LAG = 0.035  # s
PRESSURE_NOISE = 0.30  # kPa
PRESSURE_LAG = 0.03  # s


class Metering:
    """Air-mass sensor, pressure sensor, and the air per second the control unit believes the cylinders get."""

    __slots__ = (
        "_chance",
        "_from_flow",
        "_layout",
        "_modelled",
        "_peak",
        "_sensor_gain",
        "air",
        "air_flow",
        "computed",
        "pressure",
    )

    def __init__(self, layout: Layout, peak: float, sensor_gain: float, barometric: float, chance: Chance) -> None:
        self._layout, self._peak, self._chance = layout, peak, chance
        self._from_flow = layout.has_air_flow_sensor
        self._sensor_gain = sensor_gain
        self._modelled = barometric  # manifold pressure as the control unit's filling model has it
        self.air_flow = 0.0
        self.pressure = barometric
        self.air = 0.0
        self.computed = 0.0

    def step(
        self, dt: float, speed: float, through_sensor: float, manifold: float, temperature: float, ve: float,
        effects: Effects, starting: bool,
    ) -> None:  # fmt: skip
        """Read the sensors; `ve` [-] is what the control unit's tables say of this engine now.

        `air_flow` and `pressure` are what is reported, filtered; injection works with each sample as it is taken.
        While `starting` the fuel comes from a table by speed and temperature, which knows how full the manifold is.
        """
        share = through_sensor / self._peak
        gain = self._sensor_gain * (1.0 + effects.air_flow_low_gain - effects.air_flow_high_loss * math.sqrt(share))
        flow = through_sensor * gain * max(0.0, 1.0 + AIR_FLOW_NOISE * self._chance.normal())
        self.air_flow += (flow - self.air_flow) * dt / (AIR_FLOW_LAG + dt)
        pressure = manifold + PRESSURE_NOISE * self._chance.normal()
        self.pressure += (pressure - self.pressure) * dt / (PRESSURE_LAG + dt)
        displacement = self._layout.displacement_l
        self.computed = cylinder_air_flow(ve, pressure, displacement, speed, temperature)
        if not self._from_flow:
            self.air = self.computed
            return
        if starting:
            self.air = self.computed
            self._modelled = pressure
            return
        stiffness = dt * GAS_CONSTANT * temperature / self._layout.manifold_volume_l
        per_pressure = cylinder_air_flow(ve, 1.0, displacement, speed, temperature)
        self._modelled = (self._modelled + stiffness * flow) / (1.0 + stiffness * per_pressure)
        self.air = per_pressure * self._modelled


def charge_temperature(intake_air: float, coolant: float, flow: float) -> float:
    """Temperature of the charge in the manifold [K]: warmed by its walls, the more the slower it flows."""
    return intake_air + 273.15 + (coolant - intake_air) * 0.22 / (1.0 + flow / 12.0)


def ideal_density_flow(pressure: float, displacement: float, speed: float, temperature: float) -> float:
    """Flow at a volumetric efficiency of one [g/s]; to compare a measured flow with."""
    return pressure * displacement * speed / (120.0 * GAS_CONSTANT * temperature)
