"""What a drive holds on its oxygen sensors: one pair per bank, the fuel cuts on overrun, and the steady warm cruise.

Shared by the detectors of the sensors before the catalyst and of the catalyst itself. A reading that no fitted sensor
gives (a value that never moves from the end of its scale) is not taken for a sensor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.sampled import once, spacing
from obdwatch.records import BoolArray, Drive, FloatArray, Signal
from obdwatch.signals.alignment import IntArray, grid, hold, places
from obdwatch.signals.masks import CLOSED_LOOP, OPEN_LOOP_DRIVING, STATUS_AGE, steady, warm

STEP = 0.5
"""Grid on which states of the drive are told [s]: half the usual interval of the fuel system status."""

CRUISE_SPEED = (1200.0, 3500.0)
"""Engine speeds of a cruise [1/min]: the 2,500 at which a workshop reads the sensor, and what a long gear makes of it
on a motorway or in town (common practice)."""

CRUISE_VEHICLE_SPEED = 30.0
"""Slowest cruise [km/h] (common practice)."""

AFTER_CUT = 5.0
"""Time after a fuel cut that is not yet a steady cruise for the sensor before the catalyst [s] (common practice)."""

LEAN_RATIO, BACK_RATIO = 1.3, 1.1
"""Equivalence ratio that only a cut engine reaches: petrol no longer burns there (Heywood, from memory), and the one
that says that it is fed again: a tenth off is as far as trims let the mixture stray (common practice)."""

LEAN_VOLTAGE, BACK_VOLTAGE = 0.2, 0.45
"""Voltage of a switching sensor that is clearly lean, and its threshold to rich [V] (common practice)."""

CUT_LOAD = 35.0
"""Highest calculated load of a fuel cut [%]; open loop above it is enrichment (common practice)."""

CUT_ENGINE_SPEED = 900.0
"""Lowest engine speed [1/min] at which a cut may still be going on: fuel comes back above idle (common practice)."""

WIDEST_BRACKET = 4.0
"""Longest time between two readings of the fuel system status that still places the end of a cut [s]."""

LOAD_RISE, SOON = 3.0, 1.5
"""Rise of calculated load [%], and within how long [s], that shows the driver pulling again: an engine that only idles
again need not show it (common practice)."""

STUCK_SCALE = (0.005, 1.27)
"""A sensor voltage [V] that never leaves these ends of the scale comes from no sensor (SAE J1979: 0 to 1.275 V)."""


@dataclass(frozen=True, slots=True)
class Bank:
    """The sensors of one bank; `lean` and `back` tell of each front reading whether it says so."""

    number: int
    wide_range: bool
    front: Signal
    rear: Signal | None

    def lean(self) -> BoolArray:
        """Front readings that only a fuel cut, or a sensor that is wrong, can give."""
        return self.front.values >= LEAN_RATIO if self.wide_range else self.front.values < LEAN_VOLTAGE

    def back(self) -> BoolArray:
        """Front readings that say that the engine gets fuel."""
        return self.front.values <= BACK_RATIO if self.wide_range else self.front.values >= BACK_VOLTAGE


@dataclass(frozen=True, slots=True)
class Cuts:
    """Fuel cuts on overrun, one per row: begin and end each lie between two readings [s]."""

    begin_after: FloatArray
    begin_before: FloatArray
    end_after: FloatArray
    end_before: FloatArray

    def __len__(self) -> int:
        return len(self.begin_after)


@dataclass(frozen=True, slots=True)
class States:
    """The drive on a grid of `STEP`: where it was steady warm cruise in closed loop, and since when no fuel cut [s];
    `driving` is all warm driving that is known to be in closed loop, steady or not.
    """

    at: FloatArray
    cruise: BoolArray
    since_cut: FloatArray
    driving: BoolArray

    def take(self, signal: Signal, settled: float) -> BoolArray:
        """Which readings of a signal fall into the cruise, at least `settled` [s] after a fuel cut."""
        if not len(self.at):
            return np.zeros(len(signal.times), dtype=np.bool_)
        at, times = self.at, signal.times
        index, within = once(times, "on the grid", lambda: _on_grid(times, at), beside=at)
        taken: BoolArray = within & (self.cruise & (self.since_cut >= settled))[index]
        return taken


def _on_grid(times: FloatArray, at: FloatArray) -> tuple[IntArray, BoolArray]:
    """Return the point of the grid `at` up to each time, the first where there is none, and whether it is near."""
    index = places(at, times) - 1
    first = np.maximum(index, 0)
    return first, (index >= 0) & (times - at[first] <= STEP)


def banks(drive: Drive) -> tuple[Bank, ...]:
    """Return the banks whose front sensor the drive recorded, by number."""
    found = []
    for number in (1, 2, 3, 4):
        place = f"bank_{number}_sensor_1"
        wide = _fullest(
            _ratio(drive, f"oxygen_sensor_equivalence_ratio_{place}"),
            _ratio(drive, f"oxygen_sensor_equivalence_ratio_by_current_{place}"),
            _ratio(drive, f"exhaust_equivalence_ratio_{place}"),
        )
        front = wide or _voltage(drive, f"oxygen_sensor_voltage_{place}")
        if front is not None:
            rear = _voltage(drive, f"oxygen_sensor_voltage_bank_{number}_sensor_2")
            found.append(Bank(number, wide is not None, front, rear))
    return tuple(found)


def rear_sensor(drive: Drive, bank: int) -> Signal | None:
    """Return the sensor behind the catalyst of a bank, None where there is none that can be one."""
    return _voltage(drive, f"oxygen_sensor_voltage_bank_{bank}_sensor_2")


def fuel_cuts(drive: Drive) -> Cuts:
    """Return the fuel cuts that the fuel system status shows: open loop for driving, at low load, engine turning."""
    return once(drive, "fuel cuts", lambda: _fuel_cuts(drive))


def _fuel_cuts(drive: Drive) -> Cuts:
    empty = np.empty(0)
    status = _finite(drive, "fuel_system_status")
    if status is None or len(status.times) < 3:
        return Cuts(empty, empty, empty, empty)
    cut = status.values == OPEN_LOOP_DRIVING
    age = max(3.0, 2.0 * spacing(status))
    cut &= ~(hold(drive.signals.get("calculated_load"), status.times, age) > CUT_LOAD)
    cut &= ~(hold(drive.signals.get("engine_speed"), status.times, age) < CUT_ENGINE_SPEED)
    first = np.flatnonzero(cut[1:] & ~cut[:-1]) + 1
    last = np.flatnonzero(cut[:-1] & ~cut[1:])
    first, last = (first[: len(last)], last) if not cut[0] else (first[: max(0, len(last) - 1)], last[1:])
    times = status.times
    known = (times[first] - times[first - 1] <= WIDEST_BRACKET) & (times[last + 1] - times[last] <= WIDEST_BRACKET)
    # Enrichment also counts as open loop: fuel must come back to closed loop, not to full load.
    known &= np.isin(status.values[last + 1], CLOSED_LOOP)
    first, last = first[known], last[known]
    return Cuts(times[first - 1], times[first], times[last], times[last + 1])


def pulled(drive: Drive, cuts: Cuts) -> Cuts:
    """Return the cuts after which the load rose at once: there fuel surely came back when the status said so."""
    load = _finite(drive, "calculated_load")
    if load is None or not len(cuts):
        return Cuts(*(np.empty(0) for _ in range(4)))
    during = hold(load, cuts.end_after, WIDEST_BRACKET)
    rose = np.zeros(len(cuts), dtype=np.bool_)
    for row, (end, resumed) in enumerate(zip(cuts.end_after, cuts.end_before, strict=True)):
        first, last = np.searchsorted(load.times, (end, resumed + SOON), side="right")
        rose[row] = last > first and load.values[first:last].max() > during[row] + LOAD_RISE
    return Cuts(cuts.begin_after[rose], cuts.begin_before[rose], cuts.end_after[rose], cuts.end_before[rose])


def states(drive: Drive) -> States:
    """Tell, on a grid, where the drive was a steady warm cruise in closed loop and how long no fuel cut had been."""
    return once(drive, "oxygen sensor states", lambda: _states(drive))


def _states(drive: Drive) -> States:
    at = grid(drive, STEP)
    if not len(at):
        nowhere = np.zeros(0, dtype=np.bool_)
        return States(at, nowhere, at, nowhere)
    speed = hold(drive.signals.get("engine_speed"), at, 3.0)
    cruise = (speed >= CRUISE_SPEED[0]) & (speed <= CRUISE_SPEED[1])
    moving = hold(drive.signals.get("vehicle_speed"), at, 3.0) >= CRUISE_VEHICLE_SPEED
    if "vehicle_speed" in drive.signals:
        cruise &= moving
    status = drive.signals.get("fuel_system_status")
    state = hold(status, at, STATUS_AGE)
    closed = np.isin(state, CLOSED_LOOP)
    if status is not None and len(status.times):
        cruise &= closed
    hot = warm(drive, at)
    cruise &= hot & steady(drive, at)
    open_loop = np.where(state == OPEN_LOOP_DRIVING, at, -np.inf)
    return States(at, cruise, at - np.maximum.accumulate(open_loop), closed & moving & hot)


def _finite(drive: Drive, key: str) -> Signal | None:
    signal = drive.signals.get(key)
    if signal is None or len(signal.times) == 0:
        return None
    good = np.isfinite(signal.times) & np.isfinite(signal.values)
    good[1:] &= signal.times[1:] > signal.times[:-1]
    if not good.any():
        return None
    return signal if good.all() else Signal(key, signal.unit, signal.times[good], signal.values[good], signal.ecu)


def _ratio(drive: Drive, key: str) -> Signal | None:
    signal = _finite(drive, key)
    if signal is None or len(signal.times) < 3:
        return None
    span = float(np.ptp(signal.values))
    # Always at one value, or always at the end of the scale: reported, but not measured.
    return None if span == 0.0 or signal.values.min() >= 1.9 or signal.values.max() <= 0.05 else signal


def _voltage(drive: Drive, key: str) -> Signal | None:
    signal = _finite(drive, key)
    if signal is None or len(signal.times) < 3:
        return None
    low, high = STUCK_SCALE
    return None if signal.values.max() <= low or signal.values.min() >= high else signal


def _fullest(*signals: Signal | None) -> Signal | None:
    there = [signal for signal in signals if signal is not None]
    return max(there, key=lambda one: len(one.times)) if there else None
