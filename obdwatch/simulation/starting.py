"""Turning the key: when the starter turns, when the engine fires, and what happens when it does not."""

from __future__ import annotations

from typing import TYPE_CHECKING

from obdwatch.simulation.trips import Trip

if TYPE_CHECKING:
    from obdwatch.simulation.machine import Machine

SYNCHRONISE = 1.6  # revolutions until the control unit knows where the crank stands (common practice 1 to 2)
COLD_REVOLUTIONS = 0.055  # more of them per kelvin below 20 degC
FUEL_TIME = 0.18  # s until there is pressure in the rail; a weak pump needs longer
SLOWEST = 70.0  # 1/min below which no charge fires
WEAKEST = 6.5  # V below which the control unit resets
RELEASE = 430.0  # 1/min at which the driver lets go of the key
LONGEST = 9.0  # s of one attempt
PAUSE = 6.0  # s to the next


class Starting:
    """The starter switch and the conditions for the first combustion."""

    __slots__ = ("_fired", "_next", "_trip", "attempts", "crank_time", "cranking", "revolutions")

    def __init__(self, trip: Trip) -> None:
        self._trip = trip
        self._next = trip.crank_at
        self._fired = False
        self.cranking = False
        self.crank_time = 0.0
        self.revolutions = 0.0
        self.attempts = 0

    def step(self, t: float, dt: float, machine: Machine) -> bool:
        """Advance by `dt` [s]; return True at the moment the engine fires."""
        if not self.cranking:
            wants = self._trip.crank_at <= t < self._trip.key_off_at - 1.0 and t >= self._next
            if wants and not machine.running:
                self.cranking, self._fired = True, False
                self.crank_time = self.revolutions = 0.0
                self.attempts += 1
            return False
        self.crank_time += dt
        self.revolutions += machine.engine_speed / 60.0 * dt
        if machine.engine_speed > RELEASE or self.crank_time > LONGEST:
            self.cranking = False
            self._next = t + PAUSE
            return False
        if not self._fired and self._may_fire(machine):
            self._fired = True
            return True
        return False

    def _may_fire(self, machine: Machine) -> bool:
        """Whether the first charge burns now."""
        cold = max(0.0, 20.0 - machine.cooling.coolant)
        enough = self.revolutions > SYNCHRONISE + COLD_REVOLUTIONS * cold
        fuel = self.crank_time > FUEL_TIME + 2.2 * machine.effects.fuel_pressure_droop
        awake = machine.electrics.voltage > WEAKEST
        return enough and fuel and awake and machine.engine_speed > SLOWEST
