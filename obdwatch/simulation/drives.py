"""A simulated drive as analysis would load it, without adapter or session file, and the truth beside it.

Sampling imitates an adapter: every signal at its own times and rate, replies lost, gaps, values in the steps of SAE
J1979, nothing while the control units sleep.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np

from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.decoding.vehicle_information import IN_USE_COUNTERS, SPARK_COUNTERS, vin_fits
from obdwatch.records import (
    Car,
    CodeKind,
    CodeReading,
    Drive,
    FloatArray,
    Mark,
    MarkKind,
    MonitorResult,
    Parameter,
    PollClass,
    Readiness,
    Session,
    Signal,
    VehicleInformation,
)
from obdwatch.simulation.car import VirtualCar
from obdwatch.simulation.faults import ActiveFault
from obdwatch.simulation.identity import ENGINE, TRANSMISSION
from obdwatch.simulation.layouts import Layout
from obdwatch.simulation.machine import STEP
from obdwatch.simulation.memory import CarMemory
from obdwatch.simulation.reports import engine_values, transmission_values
from obdwatch.simulation.trips import Trip
from obdwatch.simulation.truth import Truth, true_values

TRUTH_EVERY = 2  # steps: 0.1 s
CRANKING_KEYS = frozenset({"engine_speed", "control_module_voltage"})
REPEATED_MONITORS = frozenset({0x35, 0x36, *range(0xA1, 0xAE)})  # asked every half minute, the rest at start and end
MONITOR_PERIOD = 30.0
DEFAULT_START = datetime(2026, 1, 5, 7, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Sampling:
    """How an adapter would have asked: mean seconds between values by poll class, and what goes wrong.

    `lost` is the share of replies that never come, `gaps` the number of longer silences, `gap_seconds` their length.
    `cranking` [s] is the period of the two cranking signals from key-on until the engine runs.
    """

    fast: float = 0.25
    medium: float = 1.0
    slow: float = 2.0
    rare: float = 30.0
    cranking: float = 0.08
    jitter: float = 0.15
    lost: float = 0.005
    gaps: int = 1
    gap_seconds: float = 4.0

    def period(self, parameter: Parameter) -> float:
        """Return the mean time between two values of a parameter [s]."""
        periods = {
            PollClass.FAST: self.fast,
            PollClass.MEDIUM: self.medium,
            PollClass.SLOW: self.slow,
            PollClass.RARE: self.rare,
        }
        return periods.get(parameter.poll_class, 1e9)


@dataclass(frozen=True, slots=True)
class SimulatedDrive:
    """The drive as recorded, the honest profile of the car, the truth, and the state for a next trip."""

    drive: Drive
    car: Car
    truth: Truth
    memory: CarMemory


@dataclass(slots=True)
class _Log:
    """Rows collected while the car drives; `awake` tells which rows an adapter could have seen."""

    times: list[float] = field(default_factory=list)
    rows: list[list[float]] = field(default_factory=list)
    second_rows: list[list[float]] = field(default_factory=list)
    awake: list[bool] = field(default_factory=list)
    truth_times: list[float] = field(default_factory=list)
    truth_rows: list[list[float]] = field(default_factory=list)
    monitors: list[MonitorResult] = field(default_factory=list)
    started: float | None = None
    stopped: float | None = None


def simulate(
    layout: Layout,
    trip: Trip,
    faults: Sequence[ActiveFault] = (),
    seed: int = 0,
    sampling: Sampling | None = None,
    memory: CarMemory | None = None,
    started_at: datetime = DEFAULT_START,
) -> SimulatedDrive:
    """Drive a trip and return what an adapter would have recorded of it, with the truth.

    The same arguments give the same drive. Raises InputError for a fault that the layout cannot have.
    """
    car = VirtualCar(layout, trip, faults, seed, memory)
    log, keys, second_keys, truth_keys = _drive(car)
    sampling = sampling or Sampling()
    generator = np.random.default_rng([seed, 7])
    times = np.array(log.times)
    gaps = _gaps(generator, sampling, times[-1])
    ask = _Asking(generator, sampling, times, np.array(log.awake), gaps, log.started or times[-1])
    signals = {key: _signal(ask, key, column, ENGINE) for key, column in zip(keys, np.array(log.rows).T, strict=True)}
    for key, column in zip(second_keys, np.array(log.second_rows).T, strict=True):
        signals[f"{key}@7E9"] = _signal(ask, key, column, TRANSMISSION)
    signals = {key: signal for key, signal in signals.items() if len(signal.times)}
    end = max(0.0, trip.key_off_at - 2.0)
    session = Session(
        id=f"simulated-{layout.name}-{trip.name}-{seed}",
        started_at=started_at,
        car_id=layout.car_record().id,
        odometer_km=car.machine.memory.odometer_km,
        soak_hours=trip.soak_hours,
        adapter="simulated",
        protocol="ISO 15765-4, 11 bit, 500 kbit/s",
        supported={ENGINE: _pids(keys), TRANSMISSION: _pids(second_keys)},
        tool_version="",
    )
    drive = Drive(
        session=session,
        signals=signals,
        codes=_codes(car, end),
        monitors=tuple(log.monitors),
        freeze_frames=(car.machine.diagnosis.freeze_frame,) if car.machine.diagnosis.freeze_frame else (),
        readiness=_readiness(car, end),
        vehicle=(_vehicle(car),),
        marks=_marks(log, gaps),
    )
    return SimulatedDrive(drive, layout.car_record(), _truth(car, log, truth_keys), car.finish())


def _drive(car: VirtualCar) -> tuple[_Log, tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Drive the whole trip and collect what was to be seen, and the truth."""
    log, machine = _Log(), car.machine
    keys = tuple(engine_values(machine))
    second_keys = tuple(transmission_values(machine))
    truth_keys = tuple(true_values(machine))
    steps = int(car.trip.key_off_at / STEP)
    next_monitors = 2.0
    for step in range(1, steps):
        car.advance(step * STEP)
        _note_engine(log, machine.running, machine.t)
        before_start = log.started is None or machine.t < log.started + 2.0
        if before_start or step % TRUTH_EVERY == 0:
            log.times.append(machine.t)
            log.rows.append(list(engine_values(machine).values()))
            log.second_rows.append(list(transmission_values(machine).values()))
            log.awake.append(car.awake)
        if step % TRUTH_EVERY == 0:
            log.truth_times.append(machine.t)
            log.truth_rows.append(list(true_values(machine).values()))
        if machine.t >= next_monitors and car.awake:
            first, last = not log.monitors, machine.t + MONITOR_PERIOD >= car.trip.key_off_at
            wanted = car.monitor_results()
            log.monitors += [result for result in wanted if first or last or result.monitor in REPEATED_MONITORS]
            next_monitors = machine.t + (MONITOR_PERIOD if not last else 1e9)
    return log, keys, second_keys, truth_keys


def _note_engine(log: _Log, running: bool, t: float) -> None:
    """Note when the engine first ran and when it last stopped."""
    if running and log.started is None:
        log.started = t
    if running:
        log.stopped = None
    elif log.started is not None and log.stopped is None:
        log.stopped = t


@dataclass(frozen=True, slots=True)
class _Asking:
    """Everything that decides at which times a signal was seen."""

    generator: np.random.Generator
    sampling: Sampling
    times: FloatArray
    awake: FloatArray
    gaps: FloatArray
    started: float

    def moments(self, key: str, parameter: Parameter) -> FloatArray:
        """Return the times at which a parameter's value arrived."""
        period = self.sampling.period(parameter)
        end = self.times[-1]
        asked = [self._steady(period, self.started + 1.0, end)]
        if key in CRANKING_KEYS:
            asked.insert(0, self._steady(self.sampling.cranking, 0.1, self.started + 1.0))
        else:
            asked.insert(0, np.array([0.2 + 1.5 * self.generator.random()]))  # once, on connecting
        moments = np.concatenate(asked)
        kept = self.generator.random(len(moments)) >= self.sampling.lost
        for start, stop in self.gaps:
            kept &= (moments < start) | (moments > stop)
        return np.asarray(moments[kept], dtype=np.float64)

    def _steady(self, period: float, start: float, end: float) -> FloatArray:
        """Return times about `period` apart between two times, with jitter."""
        count = int(max(0.0, end - start) / period) + 1
        steps = period * (1.0 + self.sampling.jitter * self.generator.uniform(-1.0, 1.0, count))
        moments = start + self.generator.random() * min(period, 5.0) + np.concatenate([[0.0], np.cumsum(steps)[:-1]])
        return np.asarray(moments[moments < end], dtype=np.float64)


def _signal(ask: _Asking, key: str, column: FloatArray, ecu: int) -> Signal:
    """Sample and quantise one column of the log."""
    parameter = PARAMETER_BY_KEY[key]
    moments = ask.moments(key, parameter)
    index = np.searchsorted(ask.times, moments, side="right") - 1
    seen = (index >= 0) & (ask.awake[np.maximum(index, 0)] > 0)
    values = quantise(parameter, column[index[seen]])
    present = np.ones(len(values), dtype=bool)
    if parameter.absent_raw is not None:
        present = values != parameter.absent_raw * parameter.scale + parameter.offset
    return Signal(key, parameter.unit, moments[seen][present], values[present], ecu)


def quantise(parameter: Parameter, values: FloatArray) -> FloatArray:
    """Return values in the steps and limits in which SAE J1979 carries them."""
    low, high = 0, (1 << parameter.bits) - 1
    if parameter.signed:
        low, high = -(1 << (parameter.bits - 1)), (1 << (parameter.bits - 1)) - 1
    raw = np.clip(np.rint((values - parameter.offset) / parameter.scale), low, high)
    return np.asarray(raw * parameter.scale + parameter.offset, dtype=np.float64)


def _gaps(generator: np.random.Generator, sampling: Sampling, end: float) -> FloatArray:
    """Return (start, stop) of longer silences, none within the first minute."""
    starts = np.sort(generator.uniform(60.0, max(end - 10.0, 61.0), sampling.gaps))
    lengths = sampling.gap_seconds * generator.uniform(0.5, 1.5, sampling.gaps)
    return np.stack([starts, starts + lengths], axis=1) if sampling.gaps else np.empty((0, 2))


def _pids(keys: Sequence[str]) -> tuple[int, ...]:
    """Return the parameter ids that carry these keys."""
    return tuple(sorted({PARAMETER_BY_KEY[key].pid for key in keys}))


def _codes(car: VirtualCar, t: float) -> tuple[CodeReading, ...]:
    """Return the trouble codes as read at the end."""
    codes = car.machine.diagnosis.codes()
    return tuple(CodeReading(t, kind, code, ENGINE) for kind in CodeKind for code in codes[kind])


def _readiness(car: VirtualCar, t: float) -> tuple[Readiness, ...]:
    """Return parameters 01 and 41 as read at the end."""
    diagnosis = car.machine.diagnosis
    stored = len(diagnosis.codes()[CodeKind.STORED])
    since = Readiness(t, ENGINE, diagnosis.lamp_on, stored, False, diagnosis.readiness())
    return since, Readiness(t, ENGINE, None, None, False, diagnosis.readiness_this_cycle(), this_cycle=True)


def _vehicle(car: VirtualCar) -> VehicleInformation:
    """Return what the engine's control unit says of itself."""
    texts = car.information
    vin, counters = str(texts["vin"]), car.in_use_counters()
    names = IN_USE_COUNTERS[SPARK_COUNTERS]
    return VehicleInformation(
        ecu=ENGINE,
        vin=vin,
        vin_check=vin_fits(vin),
        calibration_ids=(str(texts["calibration_id"]),),
        calibration_verification=(str(texts["calibration_verification"]),),
        ecu_name=str(texts["ecu_name"]),
        in_use_counters=dict(zip(names, counters, strict=False)),
    )


def _marks(log: _Log, gaps: FloatArray) -> tuple[Mark, ...]:
    """Return what a recorder would have marked."""
    marks = [Mark(float(start), MarkKind.GAP, "no reply", float(stop - start)) for start, stop in gaps]
    if log.started is not None:
        marks.append(Mark(log.started, MarkKind.ENGINE_START))
    if log.stopped is not None:
        marks.append(Mark(log.stopped, MarkKind.ENGINE_STOP))
    asleep = [t for t, awake in zip(log.times, log.awake, strict=True) if not awake]
    if asleep:
        marks.append(Mark(asleep[0], MarkKind.ASLEEP, "control units do not answer", asleep[-1] - asleep[0]))
    marks.append(Mark(log.times[-1], MarkKind.END))
    return tuple(sorted(marks, key=lambda mark: mark.t))


def _truth(car: VirtualCar, log: _Log, keys: Sequence[str]) -> Truth:
    """Return the truth on its own grid."""
    machine = car.machine
    columns = np.array(log.truth_rows).T
    severities = {active.label(): active.severity_at(machine.odometer) for active in machine.faults}
    parts = {
        active.fault.part
        for active in machine.faults
        if active.fault.part and active.severity_at(machine.odometer) > 0.0
    }
    return Truth(
        times=np.array(log.truth_times),
        signals=dict(zip(keys, columns, strict=True)),
        severities=severities,
        faulty_parts=tuple(sorted(parts)),
    )
