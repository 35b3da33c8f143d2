"""The driver of the virtual car: follows the wished speed with pedal, brake and gears, and floors it when told to."""

from __future__ import annotations

from obdwatch.simulation.combustion import Limits
from obdwatch.simulation.curves import Chance, clip
from obdwatch.simulation.drivetrain import Drivetrain
from obdwatch.simulation.layouts import Layout
from obdwatch.simulation.trips import HOLD_GEAR, KMH_PER_MS, Trip

LOOK_AHEAD = 0.6  # s
RADIANS_TO_SPEED = 9.5493  # rad/s to 1/min
PEDAL_PACE = 3.0  # full strokes per second a foot moves
MOST_BRAKING = 7.5  # m/s2
SELECT_BEFORE = 2.0  # s before moving off at which the first gear or drive is selected
CREEP_BELOW, CREEP_FORCE = 3.0, 900.0  # m/s, N; what an idling engine pushes through a converter
SHIFT_PAUSE = 1.6  # s between shifts


class Driver:
    """Pedal [-], brake force [N] and gear, from the trip and what the car does."""

    __slots__ = (
        "_chance",
        "_coasting",
        "_excess",
        "_full_throttle",
        "_last_shift",
        "_layout",
        "_limits",
        "_speed",
        "_style",
        "_tremor",
        "brake",
        "pedal",
    )

    def __init__(self, layout: Layout, trip: Trip, limits: Limits, chance: Chance) -> None:
        self._layout, self._limits, self._chance = layout, limits, chance
        self._speed: list[float] = [float(value) / KMH_PER_MS for value in trip.speed]
        self._full_throttle: list[float] = trip.full_throttle.tolist()
        self._coasting: list[float] = trip.coasting.tolist()
        self._style = trip.driver
        self._last_shift = 0.0
        self._excess = 0.0
        self._tremor = 0.0
        self.pedal = 0.0
        self.brake = 0.0

    def step(self, t: float, dt: float, train: Drivetrain, running: bool) -> None:
        """Decide pedal, brake and gear for the next `dt` [s]."""
        second = min(int(t), len(self._speed) - 1)
        if not running:
            self.pedal, self.brake, self._excess = 0.0, 3000.0, 0.0
            train.in_drive = train.speed > 1.0
            return
        train.in_drive = train.in_drive or self._wished(t + SELECT_BEFORE) > 0.1
        floored = self._full_throttle[second]
        self._tremor += dt * (self._chance.normal() * 0.02 - self._tremor * 2.0)
        if floored:
            wanted, self.brake = 1.0, 0.0
        elif self._coasting[second]:
            wanted, self.brake = 0.0, 0.0
        else:
            wanted = self._follow(t, dt, train)
        if train.shifting > 0.0 and self._layout.transmission == "manual":
            wanted = 0.0
        self.pedal = clip(wanted, self.pedal - PEDAL_PACE * dt, self.pedal + PEDAL_PACE * dt)
        self._choose_gear(t, train, floored)

    def _wished(self, t: float) -> float:
        """Return the wished speed at a time [m/s]."""
        second = int(t)
        if second >= len(self._speed) - 1:
            return self._speed[-1]
        low = self._speed[second]
        return low + (self._speed[second + 1] - low) * (t - second)

    def _follow(self, t: float, dt: float, train: Drivetrain) -> float:
        """Return the pedal that follows the trace, and set the brake."""
        ahead = self._wished(t + LOOK_AHEAD)
        rate = self._wished(t + LOOK_AHEAD + 0.5) - self._wished(t + LOOK_AHEAD - 0.5)
        error = ahead - rate * LOOK_AHEAD * 0.5 - train.speed
        self.brake = 0.0
        if ahead < 0.2 and train.speed < 0.6:
            self.brake, self._excess = 2500.0, 0.0
            return 0.0
        self._excess = clip(self._excess + 0.15 * error * dt, -0.4, 0.4)
        wish = rate + 0.7 * error + self._excess
        torque = train.wheel_force_to_torque(train.mass * wish + train.resistance())
        most = self._limits.torque(train.omega * RADIANS_TO_SPEED)
        if torque >= 0.0:
            return clip(torque / most + self._tremor, 0.004, 1.0)
        creeping = train.speed < CREEP_BELOW and self._layout.transmission == "automatic"
        if creeping or torque < -0.09 * most:  # an idling converter pushes, an engine in gear holds back
            push = CREEP_FORCE if creeping else 0.0
            self.brake = clip(push - train.mass * wish - train.resistance(), 0.0, MOST_BRAKING * train.mass)
        return 0.0

    def _choose_gear(self, t: float, train: Drivetrain, floored: float) -> None:
        """Shift by engine speed and pedal, as a schedule in an automatic or a habit of hand does."""
        if t - self._last_shift < SHIFT_PAUSE or train.shifting > 0.0:
            return
        speed = train.input_speed * RADIANS_TO_SPEED
        top = len(self._layout.gears)
        eager = max(0.0, self.pedal - 0.25) / 0.75
        easy = 1850.0 + 700.0 * self._style
        up_at = easy + (0.95 * self._layout.redline - easy) * eager**1.3
        down_at = self._layout.idle_speed + 420.0 + (0.5 * self._layout.redline - 1150.0) * max(0.0, 2.0 * eager - 1.0)
        if floored == HOLD_GEAR:
            up_at, down_at = 0.95 * self._layout.redline, 0.0
        gear = train.gear
        if speed > up_at and gear < top and (self.pedal > 0.02 or speed > 0.6 * self._layout.redline):
            after = speed * self._layout.gears[gear] / self._layout.gears[gear - 1]
            if after > down_at + 100.0:
                self._shift(t, train, gear + 1)
        elif speed < down_at and gear > 1:
            self._shift(t, train, self._lower_gear(gear, speed, 0.68 if floored else 0.0))

    def _lower_gear(self, gear: int, speed: float, share: float) -> int:
        """Return the next lower gear, or the lowest that keeps the engine below a share of its red line."""
        gears = self._layout.gears
        lower = gear - 1
        while lower > 1 and speed * gears[lower - 2] / gears[gear - 1] < share * self._layout.redline:
            lower -= 1
        return lower if speed * gears[lower - 1] / gears[gear - 1] < 0.9 * self._layout.redline else gear

    def _shift(self, t: float, train: Drivetrain, gear: int) -> None:
        """Begin a shift and remember when."""
        train.select(gear)
        self._last_shift = t
