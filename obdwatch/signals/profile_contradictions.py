"""Contradictions between a profile and what a drive shows: fuel, cylinders, banks, cams, boost, odometer."""

from __future__ import annotations

from collections.abc import Iterator

from obdwatch.records import Car, Drive
from obdwatch.signals.car_seen import CarSeen, told_of

ALCOHOL = frozenset({"petrol", "e10"})
"""Fuels between which a pump makes the difference and no car does."""

ODOMETER_SLACK_KM = 30.0
"""The reading may have been typed before or after the drive, and rounded."""


def of_engine(drive: Drive, car: Car) -> Iterator[str | None]:
    """Yield a sentence for everything of the engine that does not fit, None where it does."""
    seen = told_of(drive)
    yield _fuel(seen, car)
    yield _cylinders(seen, car)
    yield _banks(seen, car)
    yield _cams(seen, car)
    yield _induction(seen, car)
    yield _odometer(drive)


def _fuel(seen: CarSeen, car: Car) -> str | None:
    if car.fuel is None or seen.fuel is None or car.fuel == seen.fuel or {car.fuel, seen.fuel} <= ALCOHOL:
        return None
    if {car.fuel, seen.fuel} <= {*ALCOHOL, "e85"}:
        return (
            f"The profile says {car.fuel}, but the car reports {seen.fuel} in the tank: the mixture is judged by it; "
            "check fuel, and log a refuel with what was filled in."
        )
    return f"The profile says {car.fuel}, but the car reports {seen.fuel}: check fuel, or whether this is another car."


def _cylinders(seen: CarSeen, car: Car) -> str | None:
    if car.cylinders is None or seen.cylinders is None or car.cylinders == seen.cylinders:
        return None
    return (
        f"The profile says {car.cylinders} cylinders, but the car counts the misfires of {seen.cylinders}: check "
        "cylinders, or whether this drive is of another car."
    )


def _banks(seen: CarSeen, car: Car) -> str | None:
    one = car.bank_cylinders is not None and len(car.bank_cylinders) == 1
    if seen.banks != 2 or not one:
        return None
    return "The profile has one bank, but the car has trims or sensors of a second one: check bank_cylinders."


def _cams(seen: CarSeen, car: Car) -> str | None:
    if not seen.cams_reported or car.cam_timing is None or car.cam_timing:
        return None
    return "The profile says that no cam is adjusted, but the car tests its cam timing: check cam_timing."


def _induction(seen: CarSeen, car: Car) -> str | None:
    if seen.induction != "turbo" or car.induction != "naturally_aspirated":
        return None
    return "The profile says naturally aspirated, but the manifold pressure shows boost: check induction."


def _odometer(drive: Drive) -> str | None:
    stated, signal = drive.session.odometer_km, drive.signals.get("odometer")
    if stated is None or signal is None or not len(signal.values):
        return None
    first, last = float(signal.values[0]), float(signal.values[-1])
    if first - ODOMETER_SLACK_KM <= stated <= last + ODOMETER_SLACK_KM:
        return None
    return (
        f"This drive is noted at {stated:,.0f} km, but the car's own odometer says {first:,.0f} km: correct the drive, "
        "or check whether the reading was in miles."
    )
