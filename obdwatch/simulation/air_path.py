"""The way of the air in the virtual engine: throttle, leaks, manifold filling, cams, flaps, cylinders.

Pressures are absolute [kPa], flows [g/s], temperatures of gas [K], areas [m2], cam phases [degrees of crank].
"""

from __future__ import annotations

import math

from obdwatch.simulation.curves import EvenCurve, clip
from obdwatch.simulation.layouts import Layout

GAS_CONSTANT = 0.28705  # kPa L / (g K), dry air: 287.05 J/(kg K)
GAMMA = 1.4
EXHAUST_GAMMA = 1.33
ORIFICE_COEFFICIENT = 0.80  # discharge coefficient of a throttle plate (common practice 0.7 to 0.9)
LEAK_COEFFICIENT = 0.65  # of a ragged hole (common practice)
LAMINAR_FROM = 0.985  # pressure ratio above which the orifice law is replaced by a straight line through zero
TABLE = 800
PHASE_RATE = 110.0  # deg/s a sound cam phaser moves with warm oil (common practice)
PHASE_SPAN = 40.0  # deg; scale of the filling lost by a misplaced cam
STUCK_ADVANCE = 48.0  # deg where an intake cam ends that cannot leave full advance
STUCK_RETARD = 28.0  # deg where an exhaust cam ends that cannot return
# Filling lost when a cam stands one PHASE_SPAN from its best place, over engine speed: the faster the engine, the
# sharper the tuning (common practice; shape only).
PHASE_SENSITIVITY = ((500.0, 0.03), (1500.0, 0.06), (3000.0, 0.11), (4500.0, 0.20), (6000.0, 0.32), (7000.0, 0.36))
OVERLAP_BACKFLOW = 0.0022  # filling lost per degree of overlap, per unit of pressure ratio excess, at 1,000 1/min


def _flow_function(ratio: float) -> float:
    """Return the isentropic flow function [-] at a pressure ratio, choked below 0.528."""
    critical = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
    if ratio >= LAMINAR_FROM:
        return _flow_function(LAMINAR_FROM - 1e-9) * (1.0 - ratio) / (1.0 - LAMINAR_FROM)
    r = max(ratio, critical)
    return math.sqrt(2.0 * GAMMA / (GAMMA - 1.0) * (r ** (2.0 / GAMMA) - r ** ((GAMMA + 1.0) / GAMMA)))


_FLOW = [_flow_function(index / TABLE) for index in range(TABLE + 1)] + [0.0]


def orifice_flow(area: float, upstream: float, downstream: float, temperature: float, coefficient: float) -> float:
    """Mass flow of air through a hole, isentropic, choked below a pressure ratio of 0.528 [g/s].

    Parameters: area [m2]; upstream, downstream [kPa absolute]; temperature [K]; coefficient [-]. Zero when the
    pressure does not fall. Reference: Heywood, Internal Combustion Engine Fundamentals, appendix C (from memory).

    >>> round(orifice_flow(1.0e-5, 101.325, 30.0, 293.15, 1.0), 3)
    2.392
    """
    ratio = downstream / upstream
    if ratio >= 1.0:
        return 0.0
    place = ratio * TABLE
    index = int(place)
    psi = _FLOW[index] + (_FLOW[index + 1] - _FLOW[index]) * (place - index)
    return coefficient * area * upstream * 1.0e6 / math.sqrt(1000.0 * GAS_CONSTANT * temperature) * psi


def _flow_slope(area: float, upstream: float, downstream: float, temperature: float, coefficient: float) -> float:
    """Return how `orifice_flow` changes with the downstream pressure [g/s per kPa], zero or negative."""
    index = min(int(downstream / upstream * TABLE), TABLE - 1)
    slope = (_FLOW[index + 1] - _FLOW[index]) * TABLE
    return coefficient * area * 1.0e6 / math.sqrt(1000.0 * GAS_CONSTANT * temperature) * min(slope, 0.0)


def cylinder_air_flow(
    volumetric_efficiency: float, pressure: float, displacement: float, speed: float, temperature: float
) -> float:
    """Air a four-stroke engine draws (speed-density) [g/s].

    Parameters: volumetric_efficiency [-]; pressure [kPa]; displacement [L]; speed [1/min]; temperature [K].

    >>> round(cylinder_air_flow(0.75, 33.0, 2.5, 750.0, 308.15), 3)
    4.372
    """
    return volumetric_efficiency * pressure * displacement * speed / (120.0 * GAS_CONSTANT * temperature)


class Filling:
    """The volumetric efficiency of a layout over speed, pressures, cams and flaps."""

    __slots__ = ("_base", "_clearance", "_exhaust", "_flap", "_intake", "_sensitivity", "has_exhaust", "has_intake")

    def __init__(self, layout: Layout) -> None:
        self._base = EvenCurve(layout.filling, 100.0)
        self._flap = EvenCurve(layout.flap_gain, 100.0)
        self._intake = EvenCurve(layout.intake_phase, 100.0)
        self._exhaust = EvenCurve(layout.exhaust_phase, 100.0)
        self._sensitivity = EvenCurve(PHASE_SENSITIVITY, 100.0)
        self._clearance = 1.0 / (layout.compression_ratio - 1.0)
        self.has_intake = "intake" in layout.cam_timing
        self.has_exhaust = "exhaust" in layout.cam_timing

    def best_intake(self, speed: float) -> float:
        """Return the intake advance that fills best at full throttle [deg]."""
        return self._intake.at(speed)

    def best_exhaust(self, speed: float) -> float:
        """Return the exhaust retard that fills best at full throttle [deg]."""
        return self._exhaust.at(speed)

    def wants_long_runner(self, speed: float) -> bool:
        """Whether the flaps should stand in the long position."""
        return self._flap.at(speed) > 0.0

    def efficiency(
        self, speed: float, pressure: float, exhaust_pressure: float, intake: float, exhaust: float, flap: float
    ) -> float:
        """Volumetric efficiency against manifold density [-].

        The clearance gas left at exhaust pressure expands and takes room (Heywood, section 6.2, from memory);
        misplaced cams and flaps cost filling; overlap lets exhaust flow back when the manifold is under vacuum.
        """
        gain = self._flap.at(speed)
        base: float = self._base.at(speed) - abs(gain) * abs(flap - (gain > 0.0)) * min(1.0, pressure / 100.0)
        ratio = exhaust_pressure / pressure
        residual: float = 1.0 - self._clearance * (ratio ** (1.0 / EXHAUST_GAMMA) - 1.0)
        sensitivity = self._sensitivity.at(speed)
        lost = 0.0
        if self.has_intake:
            lost = sensitivity * ((intake - self._intake.at(speed)) / PHASE_SPAN) ** 2
        if self.has_exhaust:
            lost += sensitivity * ((exhaust - self._exhaust.at(speed)) / PHASE_SPAN) ** 2
        backflow = OVERLAP_BACKFLOW * (intake + exhaust) * max(0.0, ratio - 1.0) * 1000.0 / max(speed, 400.0)
        return max(0.12, base * residual * (1.0 - lost) - min(backflow, 0.5))


class CamPhasers:
    """The oil-driven cam phasers, one set per cylinder head, and the targets the control unit gives them."""

    __slots__ = ("_filling", "exhaust", "exhaust_target", "intake", "intake_target")

    def __init__(self, filling: Filling, heads: int) -> None:
        self._filling = filling
        self.intake = [0.0] * heads
        self.exhaust = [0.0] * heads
        self.intake_target = 0.0
        self.exhaust_target = 0.0

    def command(self, speed: float, pressure_ratio: float, oil: float, running: bool) -> None:
        """Set the targets [deg]: rest at idle and with cold oil, best filling at full load, overlap at part load."""
        ready = running and oil > 0.0
        off_idle = clip((pressure_ratio - 0.36) / 0.2, 0.0, 1.0) * clip((speed - 950.0) / 400.0, 0.0, 1.0)
        part_load = clip((0.92 - pressure_ratio) / 0.3, 0.0, 1.0)
        self.intake_target = self._filling.best_intake(speed) * off_idle if ready and self._filling.has_intake else 0.0
        retard = (self._filling.best_exhaust(speed) + 10.0 * part_load) * off_idle
        self.exhaust_target = retard if ready and self._filling.has_exhaust else 0.0

    def step(
        self, dt: float, speed: float, authority: list[float], advanced: list[float], returning: list[float]
    ) -> None:
        """Move the cams towards their targets; a failing solenoid moves less far and more slowly."""
        pace = PHASE_RATE * dt * clip(speed / 1200.0, 0.0, 1.0)
        for head in range(len(self.intake)):
            if self._filling.has_intake:
                wanted = max(self.intake_target * authority[head], STUCK_ADVANCE * advanced[head])
                limit = pace * (0.1 + 0.9 * authority[head])
                self.intake[head] += clip(wanted - self.intake[head], -limit, limit)
            if self._filling.has_exhaust:
                wanted = max(self.exhaust_target, STUCK_RETARD * (1.0 - returning[head]))
                limit = pace * (0.1 + 0.9 * returning[head])
                self.exhaust[head] += clip(wanted - self.exhaust[head], -limit, limit)


class AirPath:
    """Manifold filling: what comes through throttle, leaks and purge valve against what the cylinders draw."""

    __slots__ = (
        "_barometric",
        "_layout",
        "_leak_scale",
        "_peak",
        "cylinder_flow",
        "exhaust_pressure",
        "leak_flow",
        "pressure",
        "throttle_flow",
    )

    def __init__(self, layout: Layout, barometric: float, peak_flow: float) -> None:
        self._layout = layout
        self._barometric = barometric
        self._peak = peak_flow
        self._leak_scale = layout.displacement_l * 1.0e-6  # mm2 per litre -> m2
        self.pressure = barometric
        self.exhaust_pressure = barometric
        self.throttle_flow = 0.0
        self.leak_flow = 0.0
        self.cylinder_flow = 0.0

    def step(
        self,
        dt: float,
        speed: float,
        throttle_area: float,
        leak_area: float,
        purge: float,
        temperature: float,
        ve: float,
    ) -> None:
        """Advance the manifold pressure by one implicit (Rosenbrock) step, stable for any opening.

        `leak_area` [mm2 per litre]; `purge` [g/s] of canister air; `temperature` [K] of the intake air; `ve` [-].
        """
        share = min((self.cylinder_flow / self._peak) ** 2, 1.5)
        upstream = self._barometric - 2.5 * share  # air filter: 2.5 kPa at full flow (common practice)
        self.exhaust_pressure = self._barometric + 22.0 * share  # silencers: 22 kPa at full flow
        leak = leak_area * self._leak_scale
        before = min(self.pressure, upstream)
        throttle = orifice_flow(throttle_area, upstream, before, temperature, ORIFICE_COEFFICIENT)
        self.leak_flow = orifice_flow(leak, self._barometric, before, temperature, LEAK_COEFFICIENT)
        drawn = cylinder_air_flow(ve, before, self._layout.displacement_l, speed, temperature)
        slope = _flow_slope(throttle_area, upstream, before, temperature, ORIFICE_COEFFICIENT) - drawn / before
        stiffness = GAS_CONSTANT * temperature / self._layout.manifold_volume_l
        rise = dt * stiffness * (throttle + self.leak_flow + purge - drawn) / (1.0 - dt * stiffness * slope)
        self.pressure = clip(before + rise, 8.0, upstream)
        self.cylinder_flow = cylinder_air_flow(ve, self.pressure, self._layout.displacement_l, speed, temperature)
        stored = (self.pressure - before) / (dt * stiffness)  # mass balance gives the flow of this step exactly
        self.throttle_flow = max(0.0, self.cylinder_flow + stored - self.leak_flow - purge)
