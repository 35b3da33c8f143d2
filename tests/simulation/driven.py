"""Short drives of the virtual car that several tests look at, each driven once."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from obdwatch.records import BoolArray, FloatArray
from obdwatch.simulation.drives import SimulatedDrive, simulate
from obdwatch.simulation.faults import parse_fault
from obdwatch.simulation.layouts import layout_named
from obdwatch.simulation.trips import (
    Trip,
    Weather,
    compose,
    cruise,
    cycle,
    hold,
    jam,
    overrun,
    pull,
    slow_down,
    standing,
)

COLD = compose("cold", (standing(10), cycle("udds", 0, 440), standing(20)))
HOT = replace(
    compose(
        "hot",
        (
            standing(38),
            cruise(70, 32, 3.5),
            hold(70, 34),
            slow_down(70, 45),
            pull(11),
            overrun(8),
            hold(45, 5),
            pull(14, 2.0),
            slow_down(60, 0),
            standing(18),
        ),
    ),
    soak_hours=0.1,
)
SLOW_TRAFFIC = replace(
    compose("slow_traffic", (jam(300), standing(150))),
    soak_hours=0.05,
    weather=Weather(32.0),
    air_conditioning=True,
    heater=0.0,
)
FREEZING = replace(compose("freezing", (standing(20),)), weather=Weather(-12.0), soak_hours=24.0)
TRIPS: dict[str, Trip] = {trip.name: trip for trip in (COLD, HOT, SLOW_TRAFFIC, FREEZING)}


@cache
def driven(layout: str, trip: str, *faults: str, seed: int = 1) -> SimulatedDrive:
    """Return a drive, driven the first time it is asked for."""
    return simulate(layout_named(layout), TRIPS[trip], [parse_fault(text) for text in faults], seed)


def true(drive: SimulatedDrive, key: str) -> FloatArray:
    return drive.truth.signals[key]


def reported(drive: SimulatedDrive, key: str) -> FloatArray:
    """The recorded signal, held until its next value, on the grid of the truth."""
    signal = drive.drive.signals[key]
    index = np.clip(np.searchsorted(signal.times, drive.truth.times, side="right") - 1, 0, None)
    return signal.values[index]


def idling(drive: SimulatedDrive) -> BoolArray:
    """Hot idle with the engine running for a while."""
    speed, turns = true(drive, "vehicle_speed"), true(drive, "engine_speed")
    return (speed < 1.0) & (turns > 300.0) & (drive.truth.times > 38.0)


def cruising(drive: SimulatedDrive) -> BoolArray:
    speed, opening = true(drive, "vehicle_speed"), true(drive, "throttle_opening")
    return (speed > 60.0) & (speed < 80.0) & (opening < 0.4)


def floored(drive: SimulatedDrive, low: float, high: float) -> BoolArray:
    """Full throttle with a full manifold, between two engine speeds."""
    turns, pressure = true(drive, "engine_speed"), true(drive, "manifold_pressure")
    return (true(drive, "throttle_opening") > 0.97) & (pressure > 90.0) & (turns > low) & (turns < high)


def total_trim(drive: SimulatedDrive, bank: int = 1) -> FloatArray:
    return reported(drive, f"short_term_fuel_trim_bank_{bank}") + reported(drive, f"long_term_fuel_trim_bank_{bank}")


def mean_trim(drive: SimulatedDrive, where: BoolArray, bank: int = 1) -> float:
    """Total trim where the loop is closed and nothing is purged."""
    calm = (reported(drive, "fuel_system_status") == 2.0) & (reported(drive, "commanded_evap_purge") < 1.0)
    return float(np.mean(total_trim(drive, bank)[where & calm]))
