"""Heat in the virtual car: block, coolant, radiator, oil, the air under the bonnet, and the sensors that read them.

Two lumped nodes for metal and coolant in the engine, one for the radiator's coolant, one for the oil. Temperatures
[degC], heat flows [W], conductances [W/K], pump flow [L/min], wind and vehicle speed [m/s].
"""

from __future__ import annotations

import math

from obdwatch.simulation.curves import Chance, clip
from obdwatch.simulation.faults import Effects
from obdwatch.simulation.layouts import Layout
from obdwatch.simulation.memory import CarMemory
from obdwatch.simulation.trips import Trip

COOLANT_HEAT = 3665.0  # J/(L K): half water, half glycol at 75 degC (CoolProp INCOMP::MEG-50%: between 60 and 90)
OIL_HEAT = 1800.0  # J/(L K)
IN_ENGINE = 0.55  # share of the coolant inside the engine and its short circuit
THERMOSTAT_LAG = 9.0  # s of the wax (common practice 5 to 15)
HYSTERESIS = 2.5  # K between opening and closing
RADIATOR_SHARE = 0.75  # of the pump's flow through the radiator with the thermostat wide open
FAN_WIND = 7.0  # m/s the fan makes in front of the radiator at full speed
RAM_SHARE = 0.35  # of the car's speed that blows through the radiator
FULL_WIND = 10.0  # m/s at which the layout's radiator conductance holds
STILL_DRAUGHT = 0.06  # m/s through a radiator that nothing blows at
CONDENSER_RISE = 6.0  # K in a good stream of air (common practice)
FAN_HYSTERESIS = 5.0
BOILING = 128.0  # degC at cap pressure (50 % glycol at 1.0 bar gauge boils at about 129)
SOAK_BLOCK = 2.6  # h, time constant of an engine cooling down where it stands (common practice)
SOAK_HOOD = 1.0
WARM_END = 93.0  # degC an earlier drive left behind


class Cooling:
    """The temperatures of the car."""

    __slots__ = (
        "_ambient",
        "_chance",
        "_freed",
        "_layout",
        "_pump_rest",
        "_radiator_capacity",
        "_trip",
        "_wax",
        "ambient_sensor",
        "block",
        "coolant",
        "fan",
        "heat_to_coolant",
        "hood",
        "intake_air",
        "intake_sensor",
        "lift",
        "oil",
        "pump_flow",
        "radiator",
        "radiator_heat",
        "sensor",
    )

    def __init__(self, layout: Layout, trip: Trip, memory: CarMemory, effects: Effects, chance: Chance) -> None:
        self._layout, self._trip, self._chance = layout, trip, chance
        ambient = self._ambient = trip.weather.ambient
        warm = memory.engine_temperature if memory.engine_temperature is not None else WARM_END
        left = (warm - ambient) * math.exp(-trip.soak_hours / SOAK_BLOCK)
        self.block = self.coolant = self.radiator = self.oil = ambient + left
        self.radiator = ambient + 0.6 * left
        self.hood = ambient + 0.6 * (warm - ambient) * math.exp(-trip.soak_hours / SOAK_HOOD)
        self.intake_air = self.intake_sensor = self.hood
        self.ambient_sensor = ambient + 0.10 * (self.hood - ambient)
        self.sensor = self.coolant + effects.coolant_sensor_offset
        self._wax = self.coolant
        self._freed = False
        self._radiator_capacity = (1.0 - IN_ENGINE) * layout.coolant_l * COOLANT_HEAT
        self._pump_rest = 0.0
        self.lift = _held_open(effects)
        self.fan = 0.0
        self.pump_flow = 0.0
        self.heat_to_coolant = 0.0
        self.radiator_heat = 0.0

    def step(
        self, dt: float, heat: float, friction: float, speed: float, wind: float, air: float, load: float,
        belt_slip: float, running: bool, effects: Effects,
    ) -> None:  # fmt: skip
        """Advance by `dt` [s].

        `heat` [W] from combustion and `friction` [W] enter the metal; engine `speed` [1/min]; `wind` [m/s] the car's
        own speed; `air` [g/s] drawn in; `load` [-] relative filling.
        """
        self._pump(dt, speed, load, belt_slip, running, effects)
        self._thermostat(dt, effects)
        self._fan(running, effects)
        self._exchange(dt, heat, friction, wind, effects)
        self._air(dt, wind, air)
        self._sensors(dt, air, effects)

    def _pump(self, dt: float, speed: float, load: float, slip: float, running: bool, effects: Effects) -> None:
        """Set the flow the pump gives: by engine speed, or by what the control unit commands."""
        if not running:
            self.pump_flow = 0.0
            return
        full = self._layout.pump_flow
        if self._layout.coolant_pump == "belt":
            turns = speed / 3000.0
            worn = 1.0 - effects.pump_idle_loss * 0.45 / (1.0 + (speed / 1100.0) ** 2)
            flow = full * min(turns, 1.7) * worn * (1.0 - 0.6 * slip)
        else:
            over = clip((self.sensor - self._layout.thermostat_temperature) / 12.0, 0.0, 1.0)
            flow = full * max(clip((self.sensor - 30.0) / 100.0, 0.12, 0.4), 0.45 * load, over)
        self._pump_rest = max(0.0, self._pump_rest - dt)
        if self._chance.uniform() < 0.004 * dt / 0.25 * effects.pump_stops:
            self._pump_rest = 60.0 + 240.0 * effects.pump_stops
        air_locked = clip((effects.coolant_fill - 0.4) / 0.5, 0.25, 1.0)
        self.pump_flow = 0.0 if self._pump_rest > 0.0 else flow * effects.pump_flow * air_locked

    def _thermostat(self, dt: float, effects: Effects) -> None:
        """Let the wax follow the coolant and the valve follow the wax, with play."""
        self._wax += (self.coolant - self._wax) * dt / THERMOSTAT_LAG
        opens = self._layout.thermostat_temperature + effects.thermostat_opening_shift
        rising = clip((self._wax - opens) / self._layout.thermostat_range, 0.0, 1.0)
        falling = clip((self._wax + HYSTERESIS - opens) / self._layout.thermostat_range, 0.0, 1.0)
        if effects.thermostat_stiction > 0.0:
            if self.lift <= 0.0:
                self._freed = self._wax > opens + effects.thermostat_stiction
            if not self._freed:
                rising = falling = 0.0
        self.lift = max(clip(self.lift, rising, falling), _held_open(effects))

    def _fan(self, running: bool, effects: Effects) -> None:
        """Switch the fan by the coolant sensor; the air conditioning keeps it at half speed."""
        on_at = self._layout.fan_on_temperature
        if self.sensor > on_at + 4.0:
            wanted = 1.0
        elif self.sensor > on_at or (self.fan > 0.0 and self.sensor > on_at - FAN_HYSTERESIS):
            wanted = max(self.fan, 0.6)
        else:
            wanted = 0.0
        if self._trip.air_conditioning and running:
            wanted = max(wanted, 0.5)
        self.fan = wanted if running else 0.0

    def _exchange(self, dt: float, heat: float, friction: float, wind: float, effects: Effects) -> None:
        """Move heat between metal, coolant, radiator, oil and air."""
        size = self._layout.displacement_l / 2.0
        flow = self.pump_flow
        film = size * (140.0 + 1250.0 * (flow / 60.0) ** 0.6) * clip(effects.coolant_fill, 0.5, 1.0)
        into_coolant = film * (self.block - self.coolant)
        into_oil = size * 130.0 * (self.block - self.oil)
        lost = size * (14.0 + 1.1 * wind) * (self.block - self.hood)
        heater = 85.0 * self._trip.heater * min(1.0, flow / 35.0) * (self.coolant - self._ambient)
        circulation = flow / 60.0 * RADIATOR_SHARE * self.lift * COOLANT_HEAT
        into_radiator = circulation * (self.coolant - self.radiator)
        boiling = 2500.0 * max(0.0, self.coolant - BOILING)
        before = self._radiator_air(wind, effects)
        self.radiator_heat = self._radiator_conductance(wind, effects) * (self.radiator - before)
        self.heat_to_coolant = into_coolant
        engine_coolant = IN_ENGINE * self._layout.coolant_l * COOLANT_HEAT * clip(effects.coolant_fill, 0.4, 1.0)
        self.block += dt * (heat + 0.5 * friction - into_coolant - into_oil - lost) / self._layout.block_heat_capacity
        self.coolant += dt * (into_coolant - into_radiator - heater - boiling) / engine_coolant
        self.radiator += dt * (into_radiator - self.radiator_heat) / self._radiator_capacity
        oil_lost = size * (6.0 + 0.9 * wind) * (self.oil - self.hood)
        self.oil += dt * (into_oil + 0.5 * friction - oil_lost) / (self._layout.oil_l * OIL_HEAT)

    def _radiator_conductance(self, wind: float, effects: Effects) -> float:
        """Return what the radiator gives to the air passing it [W/K]."""
        share: float = (min(self._passing(wind, effects), 1.5 * FULL_WIND) / FULL_WIND) ** 0.6
        return self._layout.radiator * share

    def _passing(self, wind: float, effects: Effects) -> float:
        """Return the speed of the air through the radiator: ram air or the fan, and a little draught [m/s]."""
        return max(RAM_SHARE * wind, FAN_WIND * self.fan * effects.fan_flow) + STILL_DRAUGHT

    def _radiator_air(self, wind: float, effects: Effects) -> float:
        """Return the temperature of the air before the radiator: what the condenser adds, and hot air drawn back."""
        passing = self._passing(wind, effects)
        condenser = CONDENSER_RISE / (0.2 + passing / 4.0) if self._trip.air_conditioning else 0.0
        return self._ambient + condenser + 0.2 * (self.hood - self._ambient) / (1.0 + passing)

    def _air(self, dt: float, wind: float, air: float) -> None:
        """Warm the air under the bonnet and the air on its way to the cylinders."""
        gain = 22.0 * (self.coolant - self.hood) + 0.15 * self.radiator_heat * (1.0 if wind < 3.0 else 0.4)
        loss = (22.0 + 13.0 * wind + 25.0 * self.fan) * (self.hood - self._ambient)
        self.hood += dt * (gain - loss) / 9000.0
        self.intake_air = self._ambient + (self.hood - self._ambient) * (0.12 + 0.75 / (1.0 + air / 5.0))

    def _sensors(self, dt: float, air: float, effects: Effects) -> None:
        """Let the sensors follow what they measure."""
        seen = self.coolant + effects.coolant_sensor_offset
        if effects.coolant_fill < 0.75 and self._chance.uniform() < 0.02 * (0.75 - effects.coolant_fill):
            seen -= 25.0  # the sensor hangs in vapour for a moment
        self.sensor += (seen - self.sensor) * dt / (2.5 + effects.coolant_sensor_lag)
        self.intake_sensor += (self.intake_air - self.intake_sensor) * dt / (8.0 + 30.0 / (1.0 + air / 4.0))
        bumper = self._ambient + 0.10 * (self.hood - self._ambient)
        self.ambient_sensor += (bumper - self.ambient_sensor) * dt / 90.0


def _held_open(effects: Effects) -> float:
    """Return the opening below which a worn thermostat cannot close: a valve's area grows faster than its lift."""
    return 0.5 * effects.thermostat_min_lift**2
