"""The control unit's hand on the engine: idle, torque demand, throttle, ignition, fuel cut and wished mixture.

It knows only what its sensors say and what its tables hold of a sound engine; what a fault does to the rest is not
its knowledge.
"""

from __future__ import annotations

import math

from obdwatch.simulation.air_path import GAS_CONSTANT, ORIFICE_COEFFICIENT, Filling, orifice_flow
from obdwatch.simulation.combustion import (
    Limits,
    best_timing,
    friction_torque,
    indicated_torque,
    knock_limit,
    pumping_torque,
    timing_efficiency,
)
from obdwatch.simulation.curves import Chance, clip
from obdwatch.simulation.layouts import Layout

IDLE_SPARK = 13.0  # deg; room above for quick torque
CRANK_SPARK = 8.0
CUT_ABOVE = 750.0  # 1/min over idle at which released pedal cuts the fuel
RESUME_AT = 400.0  # 1/min over idle
FULL_LOAD_LAMBDA = 0.88  # common practice 0.85 to 0.91
WIDE_OPEN = 0.94  # share of the torque demand from which the throttle simply opens
DITHER = 0.016  # forced swing of lambda with a wide-range sensor, to work the catalyst (common practice 1 to 3 %)
DITHER_PERIOD = 1.3  # s
THROTTLE_LAG = 0.06  # s
LEAST_PRESSURE = 19.0  # kPa kept in the manifold on overrun, so that no oil is drawn past the rings (common practice)


class EngineControl:
    """Decides throttle, timing, fuel cut and wished lambda twenty times a second."""

    __slots__ = (
        "_chance",
        "_cut_wait",
        "_filling",
        "_full_load_time",
        "_integral",
        "_knock",
        "_last_speed",
        "_layout",
        "_limits",
        "_start_coolant",
        "_stop_area",
        "best",
        "fuel_cut",
        "full_load",
        "idle_target",
        "idling",
        "since_start",
        "throttle",
        "throttle_target",
        "timing",
        "wished_lambda",
    )

    def __init__(self, layout: Layout, limits: Limits, filling: Filling, adaptation: float, chance: Chance) -> None:
        self._layout, self._limits, self._filling, self._chance = layout, limits, filling, chance
        hot_idle = limits.idle_air / orifice_flow(1.0, 101.3, 33.0, 300.0, ORIFICE_COEFFICIENT)
        self._stop_area = layout.idle_stop_share * hot_idle
        self._integral = adaptation
        self._last_speed = 0.0
        self._cut_wait = 0.0
        self._full_load_time = 0.0
        self._knock = 0.0
        self._start_coolant = 20.0
        self.throttle = 0.06
        self.throttle_target = 0.06
        self.timing = 0.0
        self.best = 20.0
        self.fuel_cut = False
        self.full_load = False
        self.idling = True
        self.idle_target = layout.idle_speed
        self.wished_lambda = 1.0
        self.since_start = 0.0

    @property
    def adaptation(self) -> float:
        """What the idle control has learnt [Nm], kept over key-off."""
        return self._integral

    def area(self, deposit: float) -> float:
        """Return the free area of the throttle at its real opening [m2]; deposits narrow a nearly closed one."""
        opening = self._layout.throttle_area * (1.0 - math.cos(self.throttle * math.pi / 2.0))
        narrowed = 1.0 - 0.75 * deposit * math.exp(-self.throttle / 0.12)
        return (self._stop_area + opening) * narrowed

    def started(self, coolant: float) -> None:
        """Note that the engine fired, at this coolant temperature."""
        self._start_coolant = coolant
        self.since_start = 0.0
        self.fuel_cut = False

    def step(
        self, dt: float, pedal: float, speed: float, pressure: float, barometric: float, air: float, coolant: float,
        oil: float, load_torque: float, accessory_load: bool, running: bool, ve: float, rolling: bool,
    ) -> None:  # fmt: skip
        """Set the throttle for the next `dt` [s] from what the sensors say."""
        if not running:
            self.since_start = 0.0
            self.fuel_cut = False
            self.wished_lambda = 1.0
            self._move_throttle(dt, 0.045 + 0.0006 * max(0.0, 20.0 - coolant))
            return
        self.since_start += dt
        self._set_idle_target(coolant, accessory_load)
        demand = self._torque_demand(dt, pedal, speed, rolling)
        if pedal > WIDE_OPEN:
            self._move_throttle(dt, 1.0)
        else:
            loss = friction_torque(speed, oil, self._layout.displacement_l) + load_torque
            loss += pumping_torque(min(pressure, barometric), barometric, self._layout.displacement_l)
            self._move_throttle(dt, self._opening(demand + loss, speed, barometric, air, ve))
        self._decide_cut(dt, pedal, speed, coolant)
        self._wish_mixture(dt, pedal, speed, coolant)

    def _set_idle_target(self, coolant: float, accessory_load: bool) -> None:
        """Idle faster while cold, just after the start, and with the compressor on."""
        cold = clip((65.0 - coolant) / 65.0, 0.0, 1.4) * 430.0
        fresh = 160.0 * math.exp(-self.since_start / 9.0)
        self.idle_target = self._layout.idle_speed + cold + fresh + (60.0 if accessory_load else 0.0)

    def _torque_demand(self, dt: float, pedal: float, speed: float, rolling: bool) -> float:
        """Return the torque wished at the flywheel [Nm]: the driver's, or what holds idle speed."""
        over = speed - self.idle_target
        trend = (speed - self._last_speed) / dt
        self._last_speed = speed
        self.idling = pedal < 0.01 and over < 260.0
        share = self._limits.torque(self.idle_target) / 150.0  # loop gain follows the size of the engine
        if self.idling and self.since_start > 1.0 and (not rolling or over < 0.0):
            self._integral = clip(self._integral - share * 0.035 * over * dt, -30.0 * share, 45.0 * share)
        ahead = over + 0.15 * clip(trend, -1200.0, 600.0)  # the manifold answers late, so look ahead
        hold = self._integral - share * 0.075 * clip(ahead, -350.0, 400.0)
        return hold if pedal < 0.01 else max(hold, 0.0) + pedal * self._limits.torque(speed)

    def _opening(self, torque: float, speed: float, barometric: float, air: float, ve: float) -> float:
        """Return the throttle opening [-] that lets in the air for a gas torque, by the tables of a sound engine."""
        speed = max(speed, 0.9 * self.idle_target)  # below idle the air must not fall with the speed
        per_air = indicated_torque(1.0, speed, 1.0, timing_efficiency(self.timing, self.best))
        wanted = max(torque, 2.0) / per_air
        full = self._layout.displacement_l * speed / (120.0 * GAS_CONSTANT * air)
        pressure = clip(wanted / (full * max(ve, 0.2)), LEAST_PRESSURE, barometric)
        wanted = max(wanted, LEAST_PRESSURE * full * ve)
        if pressure > 0.955 * barometric:
            return 1.0
        area = wanted / orifice_flow(1.0, barometric, pressure, air, ORIFICE_COEFFICIENT) - self._stop_area
        cosine = 1.0 - area / self._layout.throttle_area
        return math.acos(clip(cosine, 0.0, 1.0)) * 2.0 / math.pi

    def _move_throttle(self, dt: float, target: float) -> None:
        """Drive the throttle plate towards its target."""
        self.throttle_target = target
        self.throttle += (target - self.throttle) * min(1.0, dt / (THROTTLE_LAG + 0.5 * dt))

    def _decide_cut(self, dt: float, pedal: float, speed: float, coolant: float) -> None:
        """Cut the fuel on overrun, and at the red line."""
        idle = self.idle_target
        if self.fuel_cut:
            self.fuel_cut = speed > idle + RESUME_AT and pedal < 0.02
            return
        wants = pedal < 0.01 and speed > idle + CUT_ABOVE and coolant > 20.0 and self.since_start > 20.0
        self._cut_wait = self._cut_wait + dt if wants else 0.0
        self.fuel_cut = self._cut_wait > 0.5 or speed > self._layout.redline + 150.0

    def _wish_mixture(self, dt: float, pedal: float, speed: float, coolant: float) -> None:
        """Wish a rich mixture while cold and at full load, stoichiometric else."""
        self._full_load_time = self._full_load_time + dt if pedal > 0.82 and speed > 1300.0 else 0.0
        self.full_load = self._full_load_time > 0.4
        if self.full_load:
            self.wished_lambda = FULL_LOAD_LAMBDA
            return
        cold = clip((35.0 - self._start_coolant) / 60.0, 0.0, 1.0)
        after_start = (0.06 + 0.20 * cold) * math.exp(-self.since_start / (7.0 + 25.0 * cold))
        warming = 0.0016 * max(0.0, 25.0 - coolant)
        swing = DITHER if self.since_start % DITHER_PERIOD < 0.5 * DITHER_PERIOD else -DITHER
        forced = swing if self._layout.upstream_sensor == "wide_range" and coolant > 50.0 else 0.0
        self.wished_lambda = max(0.70, 1.0 - after_start - warming + forced)

    def ignite(
        self, speed: float, filling: float, residual: float, intake_air: float, coolant: float, cam_error: float,
        cranking: bool,
    ) -> None:  # fmt: skip
        """Set the ignition timing [deg]; `cam_error` [deg] is how far a cam stands from its target."""
        self.best = best_timing(speed, filling, residual)
        if cranking:
            self.timing = CRANK_SPARK
            return
        limit = knock_limit(speed, filling, intake_air, coolant, self._layout.compression_ratio)
        wanted = min(self.best, limit) - self._protect(filling, cam_error) - self._knock_control(filling, limit)
        if self.idling:
            quick = clip(0.06 * (self.idle_target - speed), -9.0, 9.0)
            wanted = min(self.best, IDLE_SPARK - self._heating_retard() + quick)
        elif self.since_start < 45.0:
            wanted -= 0.6 * self._heating_retard()
        if self.fuel_cut:
            wanted = min(wanted, 15.0)
        self.timing += clip(wanted - self.timing, -6.0, 4.0)

    def _heating_retard(self) -> float:
        """Return how much later a cold engine fires to heat its catalyst [deg]."""
        cold = clip((50.0 - self._start_coolant) / 25.0, 0.0, 1.0)
        return 13.0 * cold * clip((40.0 - self.since_start) / 10.0, 0.0, 1.0)

    def _protect(self, filling: float, cam_error: float) -> float:
        """Return timing held back under load while a cam is not where it should be [deg] (common practice)."""
        return 0.22 * max(0.0, cam_error - 3.0) * clip((filling - 0.35) / 0.3, 0.0, 1.0)

    def _knock_control(self, filling: float, limit: float) -> float:
        """Return what knock control takes back [deg]: a step now and then near the limit, given back slowly."""
        near = filling > 0.62 and self.best > limit - 2.0
        knocks = near and self._chance.uniform() < 0.012
        self._knock = min(self._knock + 1.5, 6.0) if knocks else max(0.0, self._knock - 0.02)
        return self._knock
