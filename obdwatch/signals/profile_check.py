"""Whether a drive contradicts its car's profile: the verdicts lean on the profile, so a wrong one is said."""

from __future__ import annotations

import numpy as np

from obdwatch.records import BoolArray, Car, Drive, FloatArray, Signal
from obdwatch.signals.alignment import align

MAX_AGE = 2.5  # s; the three signals of one round of a slow link
LEAST_SAMPLES = 50  # triples; fewer prove nothing about the engine
LEAST_SPEED = 300.0  # 1/min; below it the engine does not run by itself
STEADY = (
    0.1  # relative change since the reading before; in a transient three readings of one row do not belong together
)
# A car that defines its absolute load as SAE J1979 does reproduces its displacement: nine of ten cars of an open data
# set (Vehicle Energy Dataset, arXiv:1905.02081) lie within 3.1 % by this rule, so the tolerance is five times that. An
# air leak or a dirty sensor does not move the ratio, because both signals come from the same measured air.
TOLERANCE = 0.15
AIR_DENSITY = 1.184  # g/L at 25 degC and 101.325 kPa, as SAE J1979 defines absolute load
STROKES = 120.0  # s/min times two turns per intake stroke


def contradictions(drive: Drive, car: Car) -> tuple[str, ...]:
    """Return a sentence for everything in a profile that the drive's signals contradict; empty where all fits."""
    from obdwatch.signals.profile_contradictions import of_engine

    found = (_displacement(drive, car), _metering(drive, car), *of_engine(drive, car))
    return tuple(sentence for sentence in found if sentence is not None)


def displacement_shown(drive: Drive) -> float | None:
    """Return the displacement [L] that air flow, engine speed and absolute load imply; None with too few samples.

    Absolute load is air per stroke relative to a full cylinder of standard air (SAE J1979, parameter 43), so
    displacement = 120 * air flow / (engine speed * 1.184 * load / 100).
    """
    load = drive.signals.get("absolute_load")
    if load is None or not {"air_flow", "engine_speed"} <= set(drive.signals):
        return None
    flow, speed = align(drive, ("air_flow", "engine_speed"), load.times, MAX_AGE)
    running = (load.values > 0) & (speed >= LEAST_SPEED) & (flow > 0)  # False where one is missing
    usable = running & steady_readings(flow) & steady_readings(speed) & steady_readings(load.values)
    if np.count_nonzero(usable) < LEAST_SAMPLES:
        return None
    return float(np.median(_displacements(flow[usable], speed[usable], load.values[usable])))


def steady_readings(values: FloatArray) -> BoolArray:
    """Mark the values that differ little from the one before; the first never counts."""
    before, after = values[:-1], values[1:]
    return np.concatenate(([False], np.abs(after - before) <= STEADY * np.abs(before)))


def _displacements(flow: FloatArray, speed: FloatArray, load: FloatArray) -> FloatArray:
    return STROKES * flow / (speed * AIR_DENSITY * load / 100)


def _displacement(drive: Drive, car: Car) -> str | None:
    stated, shown = car.displacement_l, displacement_shown(drive)
    if stated is None or shown is None or abs(shown / stated - 1) <= TOLERANCE:
        return None
    return (
        f"The profile says {stated:g} L, but air flow, engine speed and absolute load of this drive belong to an "
        f"engine of about {shown:.1f} L: check displacement_l, or whether this drive is of another car."
    )


def _metering(drive: Drive, car: Car) -> str | None:
    if car.air_metering == "air_flow" and not _has("air_flow", drive) and _has("intake_manifold_pressure", drive):
        return (
            "The profile says that a mass air flow sensor meters the air, but this drive has manifold pressure and no "
            "air flow: check air_metering."
        )
    if car.air_metering == "pressure" and _has("air_flow", drive) and not _has("intake_manifold_pressure", drive):
        return (
            "The profile says that manifold pressure meters the air, but this drive has air flow and no manifold "
            "pressure: check air_metering."
        )
    return None


def _has(key: str, drive: Drive) -> bool:
    signal: Signal | None = drive.signals.get(key)
    return signal is not None and len(signal.times) > 0
