"""Session files and records for the logbook's tests."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Car, Event, EventKind, Feature, Finding, Measure, Session, Span, Urgency, Verdict

DAY = datetime(2026, 3, 1, 7, 10, tzinfo=UTC)
CAR = Car(
    "family-car", "The green one", "petrol", 2.5, 6, "inline", ((1, 2, 3), (4, 5, 6)), (1, 5, 3, 6, 2, 4),
    "naturally_aspirated", "air_flow", ("intake", "exhaust"), True, "electric", 92.0, "coil_per_cylinder", "iridium",
    "automatic", "us", {"thermostat": 120000.0, "battery": None},
)  # fmt: skip


FINDING = Finding(
    "warm_up", Verdict.FAULT, "stuck_open", Urgency.NEXT_SERVICE, 0.93, "Warms up too slowly", ("because",),
    ("thermostat", "coolant_temperature_sensor"),
    (Measure("plateau", 71.5, "degC", (70.0, 73.0), (88.0, 96.0)), Measure("loss", 0.1, "kW/K")),
    (Span(10.0, 600.0, "here"), Span(700.0, 800.0)), "", ("Never open a hot cooling system.",),
)  # fmt: skip


def feature(session_id: str, value: float, **rest: object) -> Feature:
    return Feature(session_id, "warm_up", "plateau", value, "degC", **rest)  # type: ignore[arg-type]


def day(number: float) -> datetime:
    return DAY + timedelta(days=number)


def session_file(
    folder: Path,
    session_id: str,
    started_at: datetime | None = DAY,
    car_id: str | None = "family-car",
    odometer_km: float | None = None,
) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{session_id}.obdw"
    session = Session(
        session_id,
        started_at,
        car_id,
        odometer_km,
        8.5,
        "an adapter",
        "a protocol",
        {0x7E8: (5, 12)},
        note="as recorded",
    )
    with SessionWriter(path, session) as writer:
        writer.samples("engine_speed", [0.0, 1.0], [800.0, 810.0])
    return path


def add_drive(
    book: Logbook, session_id: str, at: datetime | None = DAY, odometer_km: float | None = None,
    car_id: str | None = "family-car",
) -> Session:  # fmt: skip
    return book.add_session(session_file(book.sessions_folder, session_id, at, car_id, odometer_km))


def event(kind: EventKind = EventKind.NOTE, at: datetime = DAY, **rest: object) -> Event:
    needed: dict[str, object] = {
        EventKind.REPAIR: {"part": "thermostat"},
        EventKind.INSPECTION: {"part": "drive_belt", "answer": "cracked"},
        EventKind.ODOMETER: {"odometer_km": 163800.0},
        EventKind.NOTE: {"note": "smelt of coolant"},
    }.get(kind, {})  # type: ignore[assignment]
    return Event("family-car", at, kind, **(needed | rest))  # type: ignore[arg-type]
