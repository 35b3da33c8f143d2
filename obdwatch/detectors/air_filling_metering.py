"""Whether a car measures the air it breathes, or works it out from manifold pressure: only the former can show a loss.

A car that meters by pressure computes air flow and load with a stored filling; a flap that stays shut or a cam that
stays back does not show in them.
"""

from __future__ import annotations

from obdwatch.detectors.sampled import readings
from obdwatch.records import Car, Drive


def is_metered(drive: Drive, car: Car | None) -> bool:
    """Whether air is measured: by the car's description, else by the signals it has."""
    if car is not None and car.air_metering is not None:
        return car.air_metering != "pressure"
    if readings(drive, "air_flow") is not None:
        return True
    has_load = any(readings(drive, key) is not None for key in ("absolute_load", "calculated_load"))
    return has_load and readings(drive, "intake_manifold_pressure") is None
