"""The virtual car as the outside sees it: look at it at any time, and it is where the physics has brought it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from obdwatch.decoding.vehicle_information import IN_USE_COUNTERS, SPARK_COUNTERS
from obdwatch.records import CodeKind, MonitorResult
from obdwatch.simulation.faults import ActiveFault
from obdwatch.simulation.identity import (
    ENGINE,
    TRANSMISSION,
    averages_after,
    engine_information,
    monitor_results,
    transmission_information,
)
from obdwatch.simulation.layouts import Layout
from obdwatch.simulation.machine import STEP, Machine
from obdwatch.simulation.memory import CarMemory
from obdwatch.simulation.reports import engine_values, transmission_values
from obdwatch.simulation.snapshot import CarSnapshot, EcuSnapshot
from obdwatch.simulation.trips import Trip

LOWEST_SUPPLY = 6.5  # V below which a control unit resets
REFRESH = 0.5  # s for which slow things (codes, monitor results) are not built anew
TRANSMISSION_READINESS: Mapping[str, tuple[bool, bool]] = {"components": (True, True)}
COUNTERS = 20  # in-use counters the control unit reports (SAE J1979 item 08, the older length)


class VirtualCar:
    """A car on a trip, with its faults; the same arguments give the same car.

    `memory` is what an earlier trip left (`finish`), None for a car in ordinary use. Raises InputError for a fault
    whose cylinder or bank the layout does not have.
    """

    def __init__(
        self,
        layout: Layout,
        trip: Trip,
        faults: Sequence[ActiveFault] = (),
        seed: int = 0,
        memory: CarMemory | None = None,
    ) -> None:
        self.layout, self.trip = layout, trip
        self._machine = Machine(layout, trip, faults, seed, memory)
        self._slow_until = -1.0
        self._monitors: tuple[MonitorResult, ...] = ()
        self._codes: Mapping[CodeKind, tuple[str, ...]] = {}
        self._information = engine_information(layout, self._machine.car_seed, self.in_use_counters())

    @property
    def information(self) -> Mapping[str, str | tuple[int, ...]]:
        """What the engine's control unit says of itself (service 09)."""
        return self._information

    @property
    def machine(self) -> Machine:
        """The physics itself, for those who record the truth."""
        return self._machine

    def advance(self, t: float) -> None:
        """Bring the car to `t` [s] in whole steps; a `t` already passed changes nothing."""
        machine = self._machine
        while machine.t + STEP <= t + 1e-9:
            machine.step(self._frame)

    def snapshot(self, t: float) -> CarSnapshot:
        """Return the car at `t` [s] since key-on; `t` must not go back by more than a step."""
        self.advance(t)
        machine = self._machine
        ignition = machine.key_on
        return CarSnapshot(
            t=t,
            ignition_on=ignition,
            awake=self.awake,
            engine_running=machine.running,
            supply_voltage=machine.electrics.voltage - 0.04 + 0.02 * machine.noise[3],
            ecus=(self._engine_unit(), self._transmission_unit()) if ignition else (),
        )

    @property
    def awake(self) -> bool:
        """Whether the control units answer."""
        machine = self._machine
        asleep = machine.starting.cranking and self.layout.sleeps_while_cranking
        return machine.key_on and not asleep and machine.electrics.voltage > LOWEST_SUPPLY

    def erase_codes(self, t: float) -> None:
        """Erase what service 04 erases, at `t` [s]."""
        self.advance(t)
        self._machine.diagnosis.erase()
        self._machine.misfire.forget()
        self._machine.memory = replace(self._machine.memory, misfire_averages=(), misfire_last=(), monitor_values={})
        self._slow_until = -1.0

    def finish(self) -> CarMemory:
        """Drive the trip to its end and return what the car remembers for the next one."""
        self.advance(self.trip.duration)
        machine = self._machine
        codes, ready = machine.diagnosis.end()
        diagnosis = machine.diagnosis
        return CarMemory(
            odometer_km=machine.odometer,
            battery_charge=machine.electrics.charge,
            long_trims=machine.learnt(),
            idle_adaptation=machine.control.adaptation,
            canister_load=min(1.0, machine.purge.load + 0.1),
            fuel_level=machine.fuel_level,
            codes=codes,
            freeze_frame=diagnosis.freeze_frame if codes else None,
            misfire_averages=averages_after(self._averages(), machine.misfire.counts),
            misfire_last=tuple(machine.misfire.counts),
            monitor_values=diagnosis.monitor_values(),
            ready=ready,
            warm_ups_since_erase=diagnosis.warm_ups,
            distance_since_erase=diagnosis.distance,
            minutes_since_erase=diagnosis.minutes,
            distance_with_lamp=diagnosis.lamp_distance,
            minutes_with_lamp=diagnosis.lamp_minutes,
            engine_temperature=machine.cooling.coolant,
            in_use=diagnosis.in_use(),
            car_seed=machine.car_seed,
        )

    def monitor_results(self) -> tuple[MonitorResult, ...]:
        """Return all results of service 06 as they stand."""
        machine = self._machine
        counts = machine.misfire.counts
        if not machine.control.since_start and machine.memory.misfire_last:
            counts = list(machine.memory.misfire_last)  # until the engine runs, the last drive's
        values = machine.diagnosis.monitor_values()
        return monitor_results(self.layout, machine.t, values, counts, self._averages())

    def _averages(self) -> tuple[float, ...]:
        return self._machine.memory.misfire_averages or (0.0,) * self.layout.cylinders

    def in_use_counters(self) -> tuple[int, ...]:
        """Return the in-use counters of service 09 in their order."""
        counters = self._machine.diagnosis.in_use()
        return tuple(counters[name] for name in IN_USE_COUNTERS[SPARK_COUNTERS][:COUNTERS])

    def _frame(self) -> Mapping[str, float]:
        """Return what a freeze frame keeps."""
        values = engine_values(self._machine)
        return {key: value for key, value in values.items() if key in FREEZE_FRAME_KEYS}

    def _refresh(self) -> None:
        """Build codes and monitor results anew where they may have changed."""
        if self._machine.t < self._slow_until:
            return
        self._slow_until = self._machine.t + REFRESH
        self._monitors = self.monitor_results()
        self._codes = self._machine.diagnosis.codes()

    def _engine_unit(self) -> EcuSnapshot:
        """Return the engine's control unit."""
        self._refresh()
        diagnosis = self._machine.diagnosis
        return EcuSnapshot(
            ecu=ENGINE,
            values=engine_values(self._machine),
            codes=self._codes,
            lamp_on=diagnosis.lamp_on,
            monitor_support=diagnosis.readiness(),
            cycle_monitors=diagnosis.readiness_this_cycle(),
            monitors=self._monitors,
            freeze_frame=diagnosis.freeze_frame,
            information=self._information,
        )

    def _transmission_unit(self) -> EcuSnapshot:
        """Return the transmission's control unit."""
        return EcuSnapshot(
            ecu=TRANSMISSION,
            values=transmission_values(self._machine),
            codes={},
            lamp_on=False,
            monitor_support=TRANSMISSION_READINESS,
            information=transmission_information(self.layout),
        )


# What regulations ask a freeze frame to hold, and a little more (40 CFR 86.010-18(k)(4)(iii), from memory).
FREEZE_FRAME_KEYS = frozenset(
    {
        "fuel_system_status", "fuel_system_status_2", "calculated_load", "coolant_temperature",
        "short_term_fuel_trim_bank_1", "long_term_fuel_trim_bank_1", "short_term_fuel_trim_bank_2",
        "long_term_fuel_trim_bank_2", "intake_manifold_pressure", "engine_speed", "vehicle_speed", "timing_advance",
        "intake_air_temperature", "air_flow", "throttle_position", "run_time", "absolute_load",
        "control_module_voltage", "ambient_air_temperature", "barometric_pressure",
    }
)  # fmt: skip
