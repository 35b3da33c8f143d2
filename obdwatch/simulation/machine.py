"""The whole virtual car in motion: every part of the physics put together and advanced step by step.

Twenty steps a second carry driver, air, fuel, torque, wheels, sensors and electrics; four a second carry heat, misfire
and the on-board monitors.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from obdwatch.simulation.air_path import AirPath, CamPhasers, Filling
from obdwatch.simulation.combustion import (
    Limits,
    coolant_heat_share,
    friction_torque,
    heating_value,
    indicated_torque,
    mixture_torque,
    pumping_torque,
    relative_filling,
    timing_efficiency,
)
from obdwatch.simulation.cooling import Cooling
from obdwatch.simulation.curves import Chance, clip
from obdwatch.simulation.diagnosis import Diagnosis
from obdwatch.simulation.driver import RADIANS_TO_SPEED, Driver
from obdwatch.simulation.drivetrain import Drivetrain
from obdwatch.simulation.electrics import Electrics
from obdwatch.simulation.engine_control import EngineControl
from obdwatch.simulation.exhaust import SENSOR_LAG, Catalyst, ExhaustBank
from obdwatch.simulation.faults import ActiveFault, effects_of
from obdwatch.simulation.layouts import Layout
from obdwatch.simulation.memory import CarMemory
from obdwatch.simulation.metering import Metering, charge_temperature
from obdwatch.simulation.misfire import Misfire
from obdwatch.simulation.mixture import Mixture, Purge
from obdwatch.simulation.monitors import Seen, monitors_of
from obdwatch.simulation.starting import Starting
from obdwatch.simulation.tolerances import Tolerances, learnt_trims
from obdwatch.simulation.trips import KMH_PER_MS, Trip

STEP = 0.05  # s
SLOW = 5  # steps between the slow parts
KEY_LOAD, RUNNING_LOAD, FAN_LOAD, PUMP_LOAD = 70.0, 260.0, 260.0, 320.0  # W
COMPRESSOR_POWER = 1900.0  # W at the compressor shaft (common practice 1 to 3 kW)
COMPRESSOR_ON, COMPRESSOR_PERIOD = 20.0, 32.0  # s
CRANK_SPEED = 250.0  # 1/min at which the friction law holds while cranking
START_TABLE = 1.5  # s after firing in which the fuel comes from a table
DROOP_FROM = 0.04  # share of the peak fuel flow below which a weak pump still keeps up


class Machine:
    """The state of the car; attributes are read by `reports` and `truth`, nothing outside changes them."""

    def __init__(
        self, layout: Layout, trip: Trip, faults: Sequence[ActiveFault], seed: int, memory: CarMemory | None
    ) -> None:
        self.layout, self.trip, self.faults = layout, trip, tuple(faults)
        self.memory = memory or CarMemory()
        self.seed = seed
        self.car_seed = self.memory.car_seed if self.memory.car_seed is not None else seed
        self.t = 0.0
        self.odometer = self.memory.odometer_km
        self.effects = effects_of(self.faults, layout.bank_cylinders, self.odometer)
        self.chance = Chance(seed, 1)
        self.filling = Filling(layout)
        self.limits = Limits(layout, self.filling)
        self.tolerances = Tolerances.drawn(layout, self.car_seed)
        self._steps = 0
        self._build_engine()
        self._build_rest()

    def _build_engine(self) -> None:
        """Put the engine together."""
        layout, trip, memory = self.layout, self.trip, self.memory
        barometric = self.barometric = trip.weather.pressure
        self.heads = 2 if layout.arrangement == "vee" else 1
        self.phasers = CamPhasers(self.filling, self.heads)
        self.air = AirPath(layout, barometric, self.limits.peak_air)
        self.metering = Metering(
            layout, self.limits.peak_air, self.tolerances.air_flow_gain, barometric, Chance(self.seed, 2)
        )
        self.control = EngineControl(layout, self.limits, self.filling, memory.idle_adaptation, Chance(self.seed, 3))
        learnt = memory.long_trims or learnt_trims(layout, self.tolerances)
        self.mixture = Mixture(learnt, self.limits.peak_air)
        self.purge = Purge(1.0 if trip.refuelled else memory.canister_load)
        chance = Chance(self.seed, 4)
        self.exhaust = [ExhaustBank(layout.displacement_l, layout.banks, chance) for _ in range(layout.banks)]
        self.misfire = Misfire(layout, trip.soak_hours, Chance(self.seed, 5))
        self.heating = heating_value(trip.ethanol)
        self.running = False
        self.indicated = self.friction = self.flywheel = 0.0
        self.residual = 0.05
        self.relative = 0.0
        self.ve = 0.8
        self._bank_air = [0.0] * layout.banks
        self.flap = 0.0
        self.flap_command = 0.0
        self.cam_error = 0.0
        self._cam_targets = (0.0, 0.0)
        self._cams_steady = 0.0

    def _build_rest(self) -> None:
        """Put the rest of the car together."""
        layout, trip, memory = self.layout, self.trip, self.memory
        self.cooling = Cooling(layout, trip, memory, self.effects, Chance(self.seed, 6))
        self.catalyst = Catalyst(layout.displacement_l, trip.weather.ambient, self.cooling.hood)
        self.electrics = Electrics(layout, memory.battery_charge, self.cooling.hood, trip.soak_hours)
        self.electrics.temperature = 0.3 * self.cooling.hood + 0.7 * trip.weather.ambient
        self.train = Drivetrain(layout, self.limits.torque(3000.0), trip.towed_mass, trip.grade)
        self.driver = Driver(layout, trip, self.limits, Chance(self.seed, 7))
        self.starting = Starting(trip)
        self.seen = Seen(soak_hours=trip.soak_hours)
        self.diagnosis = Diagnosis(layout, memory, monitors_of(layout, self.misfire))
        self.fuel_level = memory.fuel_level if memory.fuel_level is not None else trip.fuel_level
        if trip.refuelled:
            self.fuel_level = trip.fuel_level
        self.fuel_used = 0.0  # g
        self.air_used = 0.0
        self.heat_released = self.work_done = 0.0  # J
        self.compressor = 0.0
        self.noise = (0.0, 0.0, 0.0, 0.0)

    @property
    def key_on(self) -> bool:
        """Whether the ignition is on."""
        return self.t < self.trip.key_off_at

    @property
    def engine_speed(self) -> float:
        """True engine speed [1/min]."""
        return self.train.omega * RADIANS_TO_SPEED

    @property
    def vehicle_speed(self) -> float:
        """True vehicle speed [km/h]."""
        return self.train.speed * KMH_PER_MS

    def step(self, frame: Callable[[], Mapping[str, float]]) -> None:
        """Advance the whole car by one step; `frame` gives the values to freeze beside a new code."""
        dt = STEP
        self._steps += 1
        self.t = self._steps * dt
        omega = self.train.omega
        self.driver.step(self.t, dt, self.train, self.running)
        self._breathe(dt)
        self._meter_fuel(dt)
        self._turn(dt)
        self._supply(dt, (self.train.omega - omega) / dt)
        self._sense_exhaust(dt)
        self.odometer += self.train.speed * dt / 1000.0
        if self._steps % SLOW == 0:
            self._slow(SLOW * dt, frame)

    # -- twenty times a second ---------------------------------------------------------------------------------------

    def _breathe(self, dt: float) -> None:
        """Move throttle, cams and flaps, and fill the manifold."""
        speed, effects, air = self.engine_speed, self.effects, self.air
        coolant, intake = self.cooling.sensor, self.cooling.intake_sensor
        charge = charge_temperature(intake, coolant, self.metering.air)
        self.control.step(
            dt, self.driver.pedal if self.key_on else 0.0, speed, self.metering.pressure, self.barometric,
            charge, coolant, self.cooling.oil, self.electrics.alternator_torque + self._compressor_torque(),
            self.compressor > 0.0, self.running, self.ve, self.train.speed > 0.6,
        )  # fmt: skip
        ratio = air.pressure / self.barometric
        self.phasers.command(speed, ratio, self.cooling.oil, self.running)
        self.phasers.step(
            dt, speed, effects.intake_cam_authority, effects.intake_cam_advanced, effects.exhaust_cam_return
        )
        self._move_flap(dt, speed)
        ves = self._efficiencies(speed, self.flap)
        true_charge = charge_temperature(self.cooling.intake_air, self.cooling.coolant, air.cylinder_flow)
        self.ve = sum(ves) / len(ves)
        area = self.control.area(effects.throttle_deposit)
        leak = effects.intake_leak_area + effects.ventilation_leak_area
        air.step(dt, speed, area, leak, self.purge.air, true_charge, self.ve * self.tolerances.filling)
        self._bank_air = self._shares(ves)
        if effects.flap_travel < 1.0:  # the control unit believes in the flaps it commands
            modelled = self._efficiencies(speed, self.flap_command)
            self.ve = sum(modelled) / len(modelled)
        starting = self.control.since_start < START_TABLE
        self.metering.step(dt, speed, air.throttle_flow, air.pressure, charge, self.ve, effects, starting)

    def _move_flap(self, dt: float, speed: float) -> None:
        """Command the intake flaps and let the actuator follow as far as it can."""
        if not self.layout.intake_flaps:
            return
        self.flap_command = 1.0 if self.running and self.filling.wants_long_runner(speed) else 0.0
        wanted = self.flap_command * self.effects.flap_travel
        self.flap += clip(wanted - self.flap, -4.0 * dt, 4.0 * dt)

    def _efficiencies(self, speed: float, flap: float) -> list[float]:
        """Return the volumetric efficiency of each cylinder head."""
        air, phasers = self.air, self.phasers
        return [
            self.filling.efficiency(
                speed, air.pressure, air.exhaust_pressure, phasers.intake[head], phasers.exhaust[head], flap
            )
            for head in range(self.heads)
        ]

    def _shares(self, ves: list[float]) -> list[float]:
        """Return the air each exhaust bank gets [g/s]."""
        flow, banks = self.air.cylinder_flow, self.layout.banks
        if self.heads == 1 or banks == 1:
            return [flow / banks] * banks
        total = sum(ves)
        return [flow * ve / total for ve in ves]

    def _meter_fuel(self, dt: float) -> None:
        """Inject fuel by what the sensors say, and set the ignition."""
        control, mixture, metering = self.control, self.mixture, self.metering
        speed = self.engine_speed
        self.relative = relative_filling(metering.air, speed, self.layout.displacement_l)
        phasers = self.phasers
        ratio = max(0.0, self.air.exhaust_pressure / self.air.pressure - 1.0)
        overlap = max(i + e for i, e in zip(phasers.intake, phasers.exhaust, strict=True))
        self.residual = 0.055 + 0.003 * overlap * ratio * min(1.5, 1000.0 / max(speed, 400.0))
        behind = max(abs(phasers.intake_target - i) for i in phasers.intake)
        beyond = max(abs(phasers.exhaust_target - e) for e in phasers.exhaust)
        self.cam_error += (max(behind, beyond) - self.cam_error) * dt / 0.5
        control.ignite(
            speed, self.relative, min(self.residual, 0.25), self.cooling.intake_sensor, self.cooling.sensor,
            self.cam_error, self.starting.cranking,
        )  # fmt: skip
        mixture.locate(metering.air)
        mixture.closed = self._may_close()
        cut = control.fuel_cut or not self.running
        delivered = self._delivered(mixture.flow)
        mixture.inject(
            metering.air, self._bank_air, control.wished_lambda, delivered, self.purge.fuel, self.trip.ethanol, cut
        )
        learn = self.cooling.sensor > 60.0 and self.purge.duty < 1.0
        mixture.steer(
            dt, self.exhaust, control.wished_lambda, self.layout.upstream_sensor == "wide_range", learn,
            metering.air / self.limits.idle_air,
        )  # fmt: skip

    def _may_close(self) -> bool:
        """Whether the mixture is steered by the oxygen sensors now."""
        control = self.control
        open_loop = control.full_load or control.fuel_cut or not self.running
        fresh = control.since_start < 12.0 + 0.8 * max(0.0, 25.0 - self.cooling.sensor)
        return not (open_loop or fresh) and self.exhaust[0].ready

    def _delivered(self, flow: float) -> list[float]:
        """Return the share of the metered fuel each bank's injectors give at this fuel flow [g/s]."""
        effects = self.effects
        share = flow / (self.limits.peak_air / 14.0)
        pressure = 1.0 - effects.fuel_pressure_droop * max(0.0, share - DROOP_FROM) ** 0.8
        gains = []
        for bank, members in enumerate(self.layout.bank_cylinders):
            lost = sum(effects.injector_loss[cylinder - 1] for cylinder in members) / len(members)
            gains.append(pressure * (1.0 - lost) * self.tolerances.injectors[bank])
        return gains

    def _turn(self, dt: float) -> None:
        """Turn the crank: gas, friction, pumping, accessories, starter; and the wheels behind it."""
        speed, displacement = self.engine_speed, self.layout.displacement_l
        torque = 0.0
        burning = self.running and not self.control.fuel_cut and speed > 40.0
        if burning:
            torque = self._gas_torque(speed) * (1.0 + 0.02 * self.chance.normal())
        self.indicated = torque
        self.friction = friction_torque(speed, self.cooling.oil, displacement) if speed > 1.0 else 0.0
        pumping = pumping_torque(self.air.pressure, self.air.exhaust_pressure, displacement) if speed > 1.0 else 0.0
        drag = self.friction + pumping + self.electrics.alternator_torque + self._compressor_torque()
        self.flywheel = torque - drag
        slope = 0.0
        if self.starting.cranking:
            starter, slope = self.electrics.crank(dt, self.train.omega, self._load(), self.effects)
            compression = 6.5 * displacement * max(0.0, 1.0 - speed / 400.0)
            rough = 1.0 + 0.15 * self.chance.normal()
            film = clip(speed / CRANK_SPEED, 0.3, 1.5) ** 0.5  # oil shears the easier the slower it is sheared
            self.flywheel += starter - compression * rough + self.friction * (1.0 - film)
        self.train.step(dt, self.flywheel, self.driver.brake, self.driver.pedal, self.running, slope)
        fired = self.starting.step(self.t, dt, self)
        if fired:
            self.running = True
            self.control.started(self.cooling.sensor)
            self.seen.start_coolant = self.cooling.sensor
        elif self.running and (speed < 180.0 or not self.key_on) and not self.starting.cranking:
            self.running = False

    def _gas_torque(self, speed: float) -> float:
        """Return the torque of the burning charges [Nm], bank by bank."""
        total = 0.0
        for bank, members in enumerate(self.layout.bank_cylinders):
            missing = sum(self.misfire.missing[cylinder - 1] for cylinder in members) / len(members)
            total += self._bank_air[bank] * mixture_torque(self.mixture.lambdas[bank]) * (1.0 - missing)
        stirred = 1.0 - 1.2 * max(0.0, self.residual - 0.12)
        timing = timing_efficiency(self.control.timing, self.control.best)
        return indicated_torque(total, speed, stirred, timing)

    def _compressor_torque(self) -> float:
        """Return the torque of the air conditioning's compressor [Nm]."""
        return self.compressor / max(self.train.omega, 40.0)

    def _load(self) -> float:
        """Return the electrical load [W]."""
        if not self.key_on:
            return 8.0
        if not self.running:
            return KEY_LOAD
        fan = FAN_LOAD * self.cooling.fan * min(1.0, 0.2 + self.effects.fan_flow)
        pump = 0.0
        if self.layout.coolant_pump == "electric":
            pump = PUMP_LOAD * (self.cooling.pump_flow / self.layout.pump_flow) ** 2
        blower = 110.0 * max(self.trip.heater, float(self.trip.air_conditioning))
        return RUNNING_LOAD + fan + pump + blower + self.trip.electrical_load + 0.02 * self.engine_speed

    def _supply(self, dt: float, rise: float) -> None:
        """Feed the consumers from alternator and battery, and note the noise of this moment."""
        if self.starting.cranking:
            pass  # the starter has settled the voltage already
        elif self.running:
            self.electrics.run(dt, self.engine_speed, rise, self._load(), self.cooling.hood, self.effects)
        else:
            self.electrics.rest(dt, self._load(), self.effects)
        normal = self.chance.normal
        self.noise = (normal(), normal(), normal(), normal())

    def _sense_exhaust(self, dt: float) -> None:
        """Send the burnt gas past the oxygen sensors."""
        effects, banks = self.effects, self.layout.banks
        idle = self.limits.idle_air / banks
        for bank, gas in enumerate(self.exhaust):
            members = self.layout.bank_cylinders[bank]
            missing = sum(self.misfire.missing[cylinder - 1] for cylinder in members) / len(members)
            gas.step(
                dt, self.mixture.lambdas[bank] + 0.9 * missing, self._bank_air[bank], idle, effects.exhaust_leak[bank],
                effects.upstream_sensor_lag[bank], effects.catalyst_ageing[bank], self.catalyst.conversion,
            )  # fmt: skip

    # -- four times a second -----------------------------------------------------------------------------------------

    def _slow(self, dt: float, frame: Callable[[], Mapping[str, float]]) -> None:
        """Advance heat, misfire, purge, wear and the monitors."""
        if any(active.growth for active in self.faults):
            self.effects = effects_of(self.faults, self.layout.bank_cylinders, self.odometer)
        speed, flow = self.engine_speed, self.mixture.flow
        burning = self.running and not self.control.fuel_cut
        missing = sum(self.misfire.missing) / self.layout.cylinders
        power = flow * self.heating
        burnt = power * (1.0 - missing) / max(1.0, self._richness())
        heat = burnt * coolant_heat_share(power, self.layout.displacement_l) if burning else 0.0
        rubbing = self.friction * self.train.omega
        slip = self.electrics.belt_slip
        self.cooling.step(
            dt, heat, rubbing, speed, self.train.speed, self.air.cylinder_flow, self.relative, slip, self.running,
            self.effects,
        )  # fmt: skip
        self.misfire.step(
            dt, speed, self.relative, self.mixture.lambdas, self.residual, self.cooling.coolant,
            self.control.since_start, burning, self.effects,
        )  # fmt: skip
        late = max(0.0, self.control.best - self.control.timing) if burning else 0.0
        self.catalyst.step(
            dt, self.air.cylinder_flow, self.air.cylinder_flow / self.limits.peak_air if burning else 0.0, missing,
            self.vehicle_speed, late,
        )  # fmt: skip
        self._book(dt, power, burnt)
        self._purge_and_cool(dt)
        self._look(dt, frame)

    def _richness(self) -> float:
        """Return fuel over what the air can burn, 1 or more [-]."""
        return max(1.0 / max(value, 0.5) for value in self.mixture.lambdas)

    def _book(self, dt: float, power: float, burnt: float) -> None:
        """Keep the sums of fuel, air, heat and work."""
        used = self.mixture.flow * dt
        self.fuel_used += used
        self.air_used += self.metering.air * dt if self.running else 0.0
        self.fuel_level = max(0.0, self.fuel_level - used / 745.0 / self.layout.tank_l * 100.0)
        self.heat_released += power * dt
        self.work_done += self.indicated * self.train.omega * dt

    def _purge_and_cool(self, dt: float) -> None:
        """Run canister purge and the air conditioning's compressor."""
        allowed = self.mixture.closed and self.cooling.sensor > 60.0 and self.control.since_start > 90.0
        vacuum = self.barometric - self.air.pressure
        self.purge.step(dt, allowed, self.air.cylinder_flow, vacuum, self.layout.displacement_l)
        wanted = self.trip.air_conditioning and self.running and self.control.since_start > 6.0
        on = wanted and self.t % COMPRESSOR_PERIOD < COMPRESSOR_ON and self.driver.pedal < 0.9
        self.compressor = COMPRESSOR_POWER * min(1.0, 0.55 + self.engine_speed / 4000.0) if on else 0.0

    def _look(self, dt: float, frame: Callable[[], Mapping[str, float]]) -> None:
        """Show the monitors what the control unit sees."""
        seen, control = self.seen, self.control
        if not self.key_on or (self.starting.cranking and self.layout.sleeps_while_cranking):
            return
        seen.running, seen.since_start = self.running, control.since_start
        seen.coolant, seen.intake_air = self.cooling.sensor, self.cooling.intake_sensor
        if not self.running:
            seen.start_coolant = self.cooling.sensor
        seen.ambient, seen.speed = self.cooling.ambient_sensor, self.vehicle_speed
        seen.engine_speed = self.engine_speed
        seen.idling, seen.idle_error = control.idling, self.engine_speed - control.idle_target
        seen.air_used, seen.voltage = self.air_used, self.electrics.voltage
        seen.closed_loop, seen.full_load = self.mixture.closed, control.full_load
        seen.purging, seen.catalyst = self.purge.duty > 1.0, self.catalyst.temperature
        seen.trims = [trim.smoothed + trim.long_at(self.mixture.place) for trim in self.mixture.trims]
        seen.sensor_ready = all(gas.ready for gas in self.exhaust)
        lags = self.effects.upstream_sensor_lag
        seen.sensor_times = [
            560.0 * (SENSOR_LAG + lags[bank]) * self.tolerances.sensor_time for bank in range(self.layout.banks)
        ]
        seen.activities = [(gas.activity_up, gas.activity_down) for gas in self.exhaust]
        seen.cruising = self.vehicle_speed > 40.0 and 0.03 < self.driver.pedal < 0.5
        self._look_at_cams()
        if self.layout.air_metering == "both" and self.metering.computed > 1.0:
            ratio = self.metering.air / self.metering.computed
            seen.air_ratio = ratio if seen.air_ratio is None else seen.air_ratio + (ratio - seen.air_ratio) * 0.05
        self.diagnosis.watch(dt, self.t, seen, frame)

    def _look_at_cams(self) -> None:
        """Show the cam positions against their targets."""
        seen, phasers = self.seen, self.phasers
        moved = abs(phasers.intake_target - self._cam_targets[0]) + abs(phasers.exhaust_target - self._cam_targets[1])
        self._cam_targets = (phasers.intake_target, phasers.exhaust_target)
        self._cams_steady = self._cams_steady + SLOW * STEP if moved < 1.5 else 0.0
        seen.cams_ready = self.running and self.control.since_start > 5.0 and self._cams_steady > 0.7
        if self.filling.has_intake:
            seen.intake_errors = [phasers.intake_target - phase for phase in phasers.intake]
        if self.filling.has_exhaust:
            seen.exhaust_errors = [phasers.exhaust_target - phase for phase in phasers.exhaust]

    def learnt(self) -> tuple[tuple[float, ...], ...]:
        """Return the long trims as they stand."""
        return tuple(tuple(trim.long) for trim in self.mixture.trims)
