"""Session files of several drives of invented cars, small enough for a test that judges many."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SUFFIX, SessionWriter
from obdwatch.records import Car, Session, Signal
from tests.detectors.warming_car import Trip, WarmingCar, record

FIRST = datetime(2026, 1, 5, 7, 0, tzinfo=UTC)


def add_drives(book: Logbook, car_id: str, count: int, first: int = 0) -> list[str]:
    """Put `count` cold starts of a car into the logbook, a week apart; return their ids, oldest first."""
    if book.car(car_id) is None:
        book.save_car(Car(car_id, cylinders=4, displacement_l=2.0, thermostat_temperature=88.0))
    ids = []
    for number in range(first, first + count):
        session_id = f"{car_id}-{number:02d}"
        drive = record(WarmingCar(), Trip(minutes=18.0, air=2.0 + number % 5))
        at = FIRST + timedelta(days=7 * number)
        session = replace(
            drive.session, id=session_id, started_at=at, car_id=car_id, odometer_km=160_000.0 + 300 * number
        )
        write(book.sessions_folder / f"{session_id}{SUFFIX}", session, drive.signals)
        ids.append(book.add_session(book.sessions_folder / f"{session_id}{SUFFIX}").id)
    return ids


def write(path: Path, session: Session, signals: Mapping[str, Signal]) -> None:
    with SessionWriter(path, session) as writer:
        for signal in signals.values():
            writer.samples(signal.key, signal.times, signal.values)
