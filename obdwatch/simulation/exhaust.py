"""Oxygen sensors and catalyst of the virtual car, per exhaust bank.

Air ratios are lambda [-], voltages [V], flows [g/s], temperatures [degC].
"""

from __future__ import annotations

import math

from obdwatch.simulation.curves import Chance, clip

STEPS = 64  # length of the delay line, in steps of the simulation
MIDDLE_VOLTAGE = 0.45  # where a switching sensor changes over
SWITCH_SLOPE = 130.0  # steepness of a switching sensor over lambda (common practice: 0.1 to 0.9 V within 2 %)
SENSOR_LAG = 0.07  # s of a sound sensor
REAR_MIXING, REAR_LAG = 0.06, 0.09  # s, gas in the catalyst outlet and the rear sensor (common practice)
SENSOR_WARM_UP = 9.0  # s with its heater (common practice: ready after 15 to 30 s)
WIDE_RANGE_LIMIT = 1.99
OXYGEN_SHARE = 0.23  # of air by mass
LEAK_AT_IDLE = 0.16  # lambda a failed manifold gasket adds at hot idle
STORAGE_LOSS = 5.8  # exponent: a worn-out catalyst stores less than a hundredth of a new one
LIGHT_OFF = 290.0  # degC at which half of the exhaust is converted (common practice 250 to 300)
CATALYST_HEAT_CAPACITY = 480.0  # J/K per litre of displacement (common practice: about half a kilogram per litre)
EXHAUST_HEAT = 1.15  # J/(g K)


class ExhaustBank:
    """One bank: transport to the sensor, sensor before the catalyst, oxygen store, sensor behind it."""

    __slots__ = (
        "_capacity",
        "_chance",
        "_line",
        "_place",
        "_store",
        "activity_down",
        "activity_up",
        "downstream",
        "lambda_behind",
        "lambda_sensed",
        "lean_to_rich",
        "sensor_warmth",
        "switches",
        "voltage",
    )

    def __init__(self, displacement: float, banks: int, chance: Chance) -> None:
        self._chance = chance
        self._line = [1.0] * STEPS
        self._place = 0
        self._capacity = 0.30 * displacement / banks  # g of oxygen a new catalyst holds (common practice)
        self._store = 0.5
        self.lambda_sensed = 1.0
        self.lambda_behind = 1.0
        self.voltage = MIDDLE_VOLTAGE
        self.downstream = MIDDLE_VOLTAGE
        self.sensor_warmth = 0.0
        self.switches = 0
        self.lean_to_rich = 0.0
        self.activity_up = 0.0
        self.activity_down = 0.0

    @property
    def oxygen_store(self) -> float:
        """Share of the catalyst's oxygen store that is full [-]."""
        return self._store

    def step(
        self, dt: float, lambda_value: float, flow: float, idle_flow: float, leak: float, lag: float, ageing: float,
        conversion: float,
    ) -> None:  # fmt: skip
        """Advance by `dt` [s]: gas of `lambda_value` leaves the cylinders at `flow`; the rest are the bank's faults."""
        line, place = self._line, self._place
        line[place] = min(lambda_value, 8.0)
        delay = int((0.11 + 0.30 * idle_flow / max(flow, 0.2 * idle_flow)) / dt)
        arriving = line[(place - min(delay, STEPS - 1)) % STEPS]
        self._place = (place + 1) % STEPS
        arriving += leak * LEAK_AT_IDLE * idle_flow / max(flow, 0.3 * idle_flow)
        if flow < 0.01:
            arriving = 8.0  # air diffuses in from the open end
        self.lambda_sensed += (arriving - self.lambda_sensed) * min(1.0, dt / (SENSOR_LAG + lag + 0.5 * dt))
        self._behind(dt, arriving, flow, ageing, conversion)
        self._voltages(dt)

    def _behind(self, dt: float, arriving: float, flow: float, ageing: float, conversion: float) -> None:
        """Fill or empty the oxygen store; what it cannot take or give goes through."""
        store = self._store
        excess = clip(arriving - 1.0, -0.4, 1.5)
        room = self._capacity * math.exp(-STORAGE_LOSS * ageing) * max(conversion, 0.02)
        passed = store**6 if excess > 0.0 else (1.0 - store) ** 6
        passed = 1.0 - conversion * (1.0 - passed)
        self._store = clip(store + excess * OXYGEN_SHARE * flow * dt * (1.0 - passed) / room, 0.0, 1.0)
        behind = 1.0 + excess * passed
        self.lambda_behind += (behind - self.lambda_behind) * min(1.0, dt / REAR_MIXING)

    def _voltages(self, dt: float) -> None:
        """Read both sensors as voltages of the switching kind, and sum up how much they move."""
        self.sensor_warmth += (1.0 - self.sensor_warmth) * dt / SENSOR_WARM_UP
        hot = clip((self.sensor_warmth - 0.55) / 0.25, 0.0, 1.0)
        noise = 0.004 * self._chance.normal()
        before = MIDDLE_VOLTAGE + hot * 0.40 * math.tanh((1.0 - self.lambda_sensed) * SWITCH_SLOPE) + noise
        new = clip(before, 0.02, 0.95)
        behind = MIDDLE_VOLTAGE + hot * 0.38 * math.tanh((1.0028 - self.lambda_behind) * SWITCH_SLOPE)
        down = self.downstream + (behind - self.downstream) * min(1.0, dt / REAR_LAG)
        self.activity_up += abs(new - self.voltage) - 0.005
        self.activity_down += max(0.0, abs(down - self.downstream) - 0.002)
        if (new - MIDDLE_VOLTAGE) * (self.voltage - MIDDLE_VOLTAGE) < 0.0:
            self.switches += 1
        self.voltage, self.downstream = new, down

    @property
    def ready(self) -> bool:
        """Whether the upstream sensor is hot enough to steer by."""
        return self.sensor_warmth > 0.8

    def wide_range_lambda(self) -> float:
        """Return what a wide-range sensor reports, cold or saturated included."""
        if not self.ready:
            return 1.0
        return clip(self.lambda_sensed, 0.65, WIDE_RANGE_LIMIT)


class Catalyst:
    """Temperature of the catalyst and how much it converts."""

    __slots__ = ("_ambient", "_capacity", "conversion", "temperature")

    def __init__(self, displacement: float, ambient: float, start: float) -> None:
        self._capacity = CATALYST_HEAT_CAPACITY * displacement
        self._ambient = ambient
        self.temperature = start
        self.conversion = 0.0

    def step(self, dt: float, flow: float, load: float, unburnt: float, speed: float, late: float) -> None:
        """Advance by `dt` [s]; `unburnt` share of misfired charge, vehicle `speed` [km/h], `late` ignition [deg]."""
        gas = 410.0 + 490.0 * math.sqrt(clip(load, 0.0, 1.2)) + 6.0 * max(0.0, late)
        heat = EXHAUST_HEAT * flow * 1.07 * (gas - self.temperature) * 0.75
        heat += 40.0 * flow * self.conversion + 2600.0 * flow * unburnt * self.conversion
        loss = (1.2 + 0.012 * speed) * (self.temperature - self._ambient)
        self.temperature += dt * (heat - loss) / self._capacity
        self.conversion = 0.99 / (1.0 + math.exp(clip((LIGHT_OFF - self.temperature) / 22.0, -40.0, 40.0)))
