"""Drives for comparisons: the cars of the detectors' tests, judged, as records of a comparison."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from obdwatch.comparing.drive_record import record_of
from obdwatch.comparing.driven import driven_of
from obdwatch.comparing.proof_records import DriveRecord
from obdwatch.detectors import cranking, fuel_trims, misfire, warm_up
from obdwatch.records import Car, Drive, Finding, History, Measure, Session, Verdict
from tests.detectors import misfiring_car, starting_car, trimmed_car, warming_car

DAY = datetime(2026, 1, 1, 7, 0, tzinfo=UTC)
CAR = Car("fern", displacement_l=2.0, cylinders=4)
Detector = Callable[[Drive, Car | None, History], Finding]


def judged(drive: Drive, detect: Detector, day: int, car: Car | None = CAR) -> DriveRecord:
    session = replace(drive.session, id=f"drive-{day}", started_at=DAY + timedelta(days=day), car_id="fern")
    drive = replace(drive, session=session)
    return record_of(session, (detect(drive, car, History()),), driven_of(drive))


def warming(leak: float, day: int, **trip: float) -> DriveRecord:
    """A warm-up; `leak` is how far a thermostat never shuts (0 sound)."""
    car = warming_car.WarmingCar(opening=90.0, leak=leak)
    return judged(warming_car.record(car, warming_car.Trip(seed=day, **trip)), warm_up.detect, day)  # type: ignore[arg-type]


def trimmed(hole: float, day: int) -> DriveRecord:
    """A drive of an engine that breathes false air through a hole [mm]."""
    car = trimmed_car.TrimmedCar(hole=hole)
    return judged(trimmed_car.record(car, seed=day), fuel_trims.detect, day, trimmed_car.profile(car))


def misfiring(chance: misfiring_car.Chance, day: int, minutes: float = 30.0) -> DriveRecord:
    drive, _ = misfiring_car.record(chance, trip=misfiring_car.Trip(minutes=minutes, seed=day))
    return judged(drive, misfire.detect, day, misfiring_car.INLINE_FOUR)


def starting(day: int, **car: float) -> DriveRecord:
    drive = starting_car.record(starting_car.StartingCar(seed=day, **car))  # type: ignore[arg-type]
    return judged(drive, cranking.detect, day)


def made(day: int, verdict: Verdict, measures: tuple[Measure, ...] = (), **conditions: float) -> DriveRecord:
    """A drive of which only the given numbers of the warm-up are known."""
    finding = Finding("warm_up", verdict, measures=measures, parts=("thermostat",) if verdict is Verdict.FAULT else ())
    return DriveRecord(Session(f"drive-{day}", DAY + timedelta(days=day), "fern"), (finding,), conditions)
