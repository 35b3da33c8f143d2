"""Whether a drive contradicts its car's profile: the verdicts lean on the profile, so a wrong one is said."""

from __future__ import annotations

import numpy as np

from obdwatch.records import Car, Drive, FloatArray, Signal
from obdwatch.signals.alignment import align

MAX_AGE = 2.5  # s; the three signals of one round of a slow link
LEAST_SAMPLES = 50  # triples; fewer prove nothing about the engine
LEAST_LOAD = 20.0  # %; below it the steps of the reading are coarse and flow pulsates (common practice)
LEAST_SPEED = 1000.0  # 1/min; above idle
# A car that defines its absolute load as SAE J1979 does reproduces its displacement within a few per cent: nine of ten
# cars of an open data set lie within 4 % (Vehicle Energy Dataset, arXiv:1905.02081). An air leak or a dirty sensor
# does not move the ratio, because both signals come from the same air flow.
TOLERANCE = 0.15
AIR_DENSITY = 1.184  # g/L at 25 degC and 101.325 kPa, as SAE J1979 defines absolute load
STROKES = 120.0  # s/min times two turns per intake stroke


def contradictions(drive: Drive, car: Car) -> tuple[str, ...]:
    """Return a sentence for everything in a profile that the drive's signals contradict; empty where all fits."""
    found = (_displacement(drive, car), _metering(drive, car))
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
    usable = (load.values >= LEAST_LOAD) & (speed >= LEAST_SPEED) & (flow > 0)  # False where one is missing
    if np.count_nonzero(usable) < LEAST_SAMPLES:
        return None
    return float(np.median(_displacements(flow[usable], speed[usable], load.values[usable])))


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
            "The profile says that an air-mass sensor meters the air, but this drive has manifold pressure and no air "
            "flow: check air_metering."
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
