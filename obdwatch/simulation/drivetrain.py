"""From flywheel to road: clutch or torque converter, gears, road load, and the speed the car really drives.

Speeds of shafts [rad/s], of the car [m/s], torques [Nm], forces [N].
"""

from __future__ import annotations

from enum import Enum

from obdwatch.simulation.curves import clip
from obdwatch.simulation.layouts import Layout

GRAVITY = 9.81
EFFICIENCY = 0.93  # gears and joints (common practice)
AIR_DENSITY = 1.2
ROTATING_SHARE = 1.04  # wheels and shafts, as added mass
SHIFT_TIME = 0.5  # s, clutch open or converter unlocked
STALL_SPEED = 235.0  # rad/s at which the converter takes the full torque of the engine with the car held
MULTIPLICATION = 1.9  # torque ratio of the converter at standstill (common practice 1.8 to 2.3)
COUPLED_FROM = 0.82  # speed ratio at which the converter becomes a mere coupling
LOCK_ABOVE = 130.0  # rad/s of the turbine, third gear and up: the converter locks (common practice)


class Coupling(Enum):
    """How the engine hangs on the wheels."""

    OPEN = "open"
    SLIPPING = "slipping"
    LOCKED = "locked"


class Drivetrain:
    """The moving mass and the spinning engine, joined by what the gearbox makes of it."""

    __slots__ = (
        "_grade_force",
        "_layout",
        "_mass",
        "_stall_factor",
        "_torque_scale",
        "coupling",
        "gear",
        "in_drive",
        "omega",
        "shifting",
        "speed",
    )

    def __init__(self, layout: Layout, full_torque: float, towed_mass: float, grade: float) -> None:
        self._layout = layout
        self._mass = layout.vehicle_mass + 90.0 + towed_mass
        self._grade_force = self._mass * GRAVITY * grade
        self._torque_scale = full_torque
        self._stall_factor = full_torque / STALL_SPEED**2
        self.speed = 0.0
        self.omega = 0.0
        self.gear = 1
        self.in_drive = False
        self.shifting = 0.0
        self.coupling = Coupling.OPEN

    @property
    def ratio(self) -> float:
        """Turns of the gearbox input per turn of the wheels."""
        return self._layout.gears[self.gear - 1] * self._layout.final_drive

    @property
    def input_speed(self) -> float:
        """Speed of the gearbox input shaft [rad/s]."""
        return self.speed / self._layout.wheel_radius * self.ratio

    @property
    def mass(self) -> float:
        """Everything that must be accelerated, wheels included [kg]."""
        return self._mass * ROTATING_SHARE

    def resistance(self) -> float:
        """Return air, rolling and climbing resistance at the present speed [N]."""
        rolling = self._mass * GRAVITY * self._layout.rolling_resistance if self.speed > 0.05 else 0.0
        return 0.5 * AIR_DENSITY * self._layout.drag_area * self.speed**2 + rolling + self._grade_force

    def wheel_force_to_torque(self, force: float) -> float:
        """Return the flywheel torque that gives a force at the road in this gear."""
        return force * self._layout.wheel_radius / (self.ratio * EFFICIENCY)

    def select(self, gear: int) -> None:
        """Begin a shift."""
        if gear != self.gear:
            self.gear = int(clip(gear, 1, len(self._layout.gears)))
            self.shifting = SHIFT_TIME

    def step(self, dt: float, torque: float, brake: float, pedal: float, running: bool, fall: float = 0.0) -> None:
        """Advance car and engine by `dt` [s] with a flywheel torque, which falls by `fall` per rad/s, and a brake."""
        self.shifting = max(0.0, self.shifting - dt)
        turbine = self.input_speed
        self.coupling = self._coupling(turbine, pedal, running)
        if self.coupling is Coupling.LOCKED:
            self._step_locked(dt, torque, brake)
            return
        output = 0.0
        slope = 0.0
        carried = 0.0
        if self.coupling is Coupling.SLIPPING:
            carried, slope, output = self._slip_torque(turbine, pedal)
        inertia = self._layout.engine_inertia
        rise = (torque - carried) * dt / inertia
        self.omega = max(0.0, self.omega + rise / (1.0 + (slope + fall) * dt / inertia))
        self._roll(dt, output * self.ratio * EFFICIENCY / self._layout.wheel_radius, brake, self.mass)

    def _coupling(self, turbine: float, pedal: float, running: bool) -> Coupling:
        """Return how engine and wheels hang together now."""
        if not running or not self.in_drive:
            return Coupling.OPEN
        slip = abs(self.omega - turbine)
        if self._layout.transmission == "automatic":
            locked = self.gear >= 3 and turbine > LOCK_ABOVE and self.shifting <= 0.0
            was = self.coupling is Coupling.LOCKED
            return Coupling.LOCKED if locked and (was or slip < 25.0) else Coupling.SLIPPING
        low = self._layout.idle_speed * 0.1047 * (1.02 if self.coupling is Coupling.LOCKED else 1.12)
        if self.shifting > 0.0 or (turbine < low and pedal < 0.01):
            return Coupling.OPEN
        return Coupling.LOCKED if turbine >= low and slip < 12.0 else Coupling.SLIPPING

    def _slip_torque(self, turbine: float, pedal: float) -> tuple[float, float, float]:
        """Return torque taken from the engine, its slope over engine speed, and torque given to the gearbox."""
        if self._layout.transmission == "automatic":
            return self._converter(turbine)
        if turbine < self._layout.idle_speed * 0.1047 * 1.1:  # moving off: the clutch bites a little above idle
            bite = (self._layout.idle_speed + 150.0 + 900.0 * pedal) * 0.1047
            slope = self._torque_scale / 45.0
            carried = clip((self.omega - bite) * slope, 0.0, 1.3 * self._torque_scale)
            return carried, slope if carried > 0.0 else 0.0, carried
        slope = self._torque_scale / 20.0
        carried = clip((self.omega - turbine) * slope, -1.3 * self._torque_scale, 1.3 * self._torque_scale)
        return carried, slope, carried

    def _converter(self, turbine: float) -> tuple[float, float, float]:
        """Return the same three for a torque converter: a square law, multiplying while it slips much."""
        omega = max(self.omega, 10.0)
        ratio = turbine / omega
        if ratio < COUPLED_FROM:
            carried = self._stall_factor * omega * omega
            multiplied = carried * (MULTIPLICATION + (1.0 - MULTIPLICATION) * ratio / COUPLED_FROM)
            return carried, 2.0 * self._stall_factor * omega, multiplied
        share = clip((1.0 - ratio) / (1.0 - COUPLED_FROM), -1.0, 1.0)
        carried = self._stall_factor * omega * omega * share
        return carried, self._stall_factor * omega / (1.0 - COUPLED_FROM), carried

    def _step_locked(self, dt: float, torque: float, brake: float) -> None:
        """Advance with engine and wheels turning as one."""
        radius = self._layout.wheel_radius
        geared = torque * (EFFICIENCY if torque > 0.0 else 1.0 / EFFICIENCY)
        mass = self.mass + self._layout.engine_inertia * (self.ratio / radius) ** 2
        self._roll(dt, geared * self.ratio / radius, brake, mass)
        gap = self.input_speed - self.omega  # what is left of a shift's slip closes within a few steps
        self.omega += gap if abs(gap) < 4.0 else 0.6 * gap

    def _roll(self, dt: float, drive: float, brake: float, mass: float) -> None:
        """Advance the car; brakes and resistance stop it but never push it backwards."""
        speed = self.speed + dt * (drive - self.resistance() - brake) / mass
        self.speed = max(0.0, speed)
