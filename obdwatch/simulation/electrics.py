"""Battery, starter, alternator and belt of the virtual car.

Voltages [V], currents [A], resistances [ohm], power [W], torque at the crankshaft [Nm].
"""

from __future__ import annotations

import math

from obdwatch.simulation.curves import EvenCurve, clip
from obdwatch.simulation.faults import Effects
from obdwatch.simulation.layouts import Layout

# Resting voltage at 26.7 degC over state of charge (popular battery handbook values, also in battery maker leaflets).
RESTING_VOLTAGE = ((0.0, 11.89), (0.25, 12.06), (0.5, 12.24), (0.75, 12.45), (1.0, 12.65))
POLARISATION = 0.35  # V lost at once when a current is drawn (common practice)
RESISTANCE_PER_CURRENT = (
    3.2  # V: internal resistance at 25 degC times cold-cranking current (fits EN 50342 at -18 degC)
)
COLD_RESISTANCE = 0.0125  # 1/K by which it rises in the cold
SURFACE_CHARGE = 0.22  # V above rest after a drive, gone in some hours
SURFACE_HOURS = 3.0
REGULATED = 14.35  # V at 25 degC (common practice 13.8 to 14.5)
REGULATED_PER_KELVIN = -0.006
ALTERNATOR_EFFICIENCY = 0.60
BELT_TORQUE = 26.0  # Nm at the crank a sound belt carries for the alternator
PULLEY_INERTIA = 0.022  # kg m2 of the alternator, seen at the crank
STARTER_SIZE = 2.0  # L of displacement for which the figures below hold
STARTER_RESISTANCE = 0.0135  # windings, brushes, solenoid and cables
STARTER_CONSTANT = 0.31  # Nm/A and V s at the crank
HARNESS_DROP = 0.12  # V between battery and control unit, running
CHARGE_ROOM = 0.4  # V above rest at which charging begins


def starter_current(source: float, back: float, *resistances: float) -> float:
    """Current of a starter circuit [A]: source voltage less the motor's own, over everything in series.

    >>> round(starter_current(12.0, 0.0, 0.010, 0.050))
    200
    """
    return max(0.0, source - back) / sum(resistances)


class Electrics:
    """The supply of the car: `voltage` at the battery, `charge` 0 to 1."""

    __slots__ = (
        "_layout",
        "_resting",
        "_surface",
        "alternator_current",
        "alternator_torque",
        "belt_slip",
        "charge",
        "starter_amps",
        "temperature",
        "voltage",
    )

    def __init__(self, layout: Layout, charge: float, temperature: float, soak_hours: float) -> None:
        self._layout = layout
        self._resting = EvenCurve(RESTING_VOLTAGE, 0.05)
        self._surface = SURFACE_CHARGE * math.exp(-soak_hours / SURFACE_HOURS)
        self.charge = charge
        self.temperature = temperature
        self.voltage = 12.5
        self.alternator_current = 0.0
        self.alternator_torque = 0.0
        self.belt_slip = 0.0
        self.starter_amps = 0.0

    def open_voltage(self, effects: Effects) -> float:
        """Return the voltage of the unloaded battery."""
        charge = clip(self.charge - effects.battery_charge_lost, 0.0, 1.0)
        return self._resting.at(charge) + self._surface

    def battery_resistance(self, effects: Effects) -> float:
        """Return the battery's internal resistance at its temperature, age and charge."""
        cold = 1.0 + COLD_RESISTANCE * (25.0 - self.temperature)
        charge = clip(self.charge - effects.battery_charge_lost, 0.0, 1.0)
        empty = 1.0 + 1.5 * max(0.0, 0.6 - charge)
        base = RESISTANCE_PER_CURRENT / self._layout.cold_cranking_current
        return base * max(0.6, cold) * empty * effects.battery_resistance

    def crank(self, dt: float, omega: float, load: float, effects: Effects) -> tuple[float, float]:
        """Turn the starter at crank speed `omega` [rad/s]; return its torque [Nm] and the torque's fall per rad/s."""
        size = self._layout.displacement_l / STARTER_SIZE
        inner = self.battery_resistance(effects)
        motor = (STARTER_RESISTANCE + effects.starter_resistance) / size**0.6
        constant = STARTER_CONSTANT * size**0.5
        source = self.open_voltage(effects) - POLARISATION
        drawn = load / 11.0
        amps = starter_current(source - drawn * inner, constant * omega, inner, motor)
        self.starter_amps = amps
        self.voltage = source - (amps + drawn) * inner
        self._use(dt, -(amps + drawn))
        torque = constant * amps
        return torque, constant * constant / (inner + motor) if amps > 0.0 else 0.0

    def rest(self, dt: float, load: float, effects: Effects) -> None:
        """Supply `load` [W] from the battery alone."""
        self.starter_amps = self.alternator_current = self.alternator_torque = self.belt_slip = 0.0
        drawn = load / 12.0
        self.voltage = self._discharging(drawn, effects)
        self._use(dt, -drawn)

    def run(self, dt: float, speed: float, rise: float, load: float, hood: float, effects: Effects) -> None:
        """Supply `load` [W] with the engine at `speed` [1/min], which rises at `rise` [rad/s2]."""
        self.starter_amps = 0.0
        wished = REGULATED + REGULATED_PER_KELVIN * (hood - 25.0) + effects.regulator_shift
        rated = self._layout.alternator_current * (1.0 - 0.0015 * max(0.0, hood - 50.0))
        most = rated * (1.0 - math.exp(-speed / 950.0)) * effects.alternator_output
        drawn = load / max(self.voltage, 9.0)
        wanted = max(0.0, drawn + self._acceptance(wished, effects))
        omega = max(speed, 200.0) * math.pi / 30.0
        grip = max(0.5, BELT_TORQUE * effects.belt_grip - PULLEY_INERTIA * max(0.0, rise) * 1.5)
        carried = grip * omega * ALTERNATOR_EFFICIENCY / 14.0
        self.alternator_current = min(wanted, most, carried)
        slipping = clip(min(wanted, most) / max(carried, 1.0) - 1.0, 0.0, 1.0)
        self.belt_slip += (slipping - self.belt_slip) * min(1.0, dt / 0.5)
        self._settle(dt, wished, wanted, most, drawn, effects)
        self.alternator_torque = self.voltage * self.alternator_current / (ALTERNATOR_EFFICIENCY * omega)

    def _settle(self, dt: float, wished: float, wanted: float, most: float, drawn: float, effects: Effects) -> None:
        """Find the voltage at which currents balance, and move towards it."""
        spare = self.alternator_current - drawn
        if self.alternator_current >= wanted - 1e-9:
            target = wished - 0.25 * wanted / max(most, 1.0)
        elif spare >= 0.0:
            target = self.open_voltage(effects) + CHARGE_ROOM + spare * self._charge_resistance(effects)
        else:
            target = self._discharging(-spare, effects) + CHARGE_ROOM * math.exp(spare / 4.0)
        self.voltage += (min(target, wished) - self.voltage) * min(1.0, dt / 0.3)
        self._use(dt, spare)

    def _discharging(self, amps: float, effects: Effects) -> float:
        """Return the battery voltage under a discharge current."""
        lost = POLARISATION * math.tanh(amps / 30.0) + amps * self.battery_resistance(effects)
        return max(3.0, self.open_voltage(effects) - lost)

    def _charge_resistance(self, effects: Effects) -> float:
        """Return how stiffly the battery takes charge: the fuller and the colder, the stiffer."""
        charge = clip(self.charge - effects.battery_charge_lost, 0.0, 1.0)
        cold = 1.0 + 0.02 * max(0.0, 20.0 - self.temperature)
        return 0.05 * 55.0 / self._layout.battery_ah * (1.0 + 6.0 * charge**8) * cold

    def _acceptance(self, voltage: float, effects: Effects) -> float:
        """Return the charging current at a voltage."""
        room = voltage - self.open_voltage(effects) - CHARGE_ROOM
        return max(0.0, room) / self._charge_resistance(effects)

    def _use(self, dt: float, amps: float) -> None:
        """Book a current into (positive) or out of the battery."""
        hours = self._layout.battery_ah * 3600.0
        self.charge = clip(self.charge + amps * dt / hours, 0.0, 1.0)
        self._surface += (SURFACE_CHARGE * (amps > 1.0) - self._surface) * dt / (600.0 if amps > 0.0 else 400.0)
