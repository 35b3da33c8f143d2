"""A stand-in for the logbook, with drives made from simple physics; for tests of the dashboard only.

The shapes are exact (an exponential warm-up, straight ramps), so that a test can say what must be seen where.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from obdwatch.errors import LogbookError, SessionFileError
from obdwatch.records import (
    Car,
    CodeKind,
    CodeReading,
    Drive,
    Event,
    EventKind,
    Feature,
    Finding,
    FloatArray,
    FreezeFrame,
    History,
    Mark,
    MarkKind,
    Measure,
    Readiness,
    Session,
    Signal,
    Span,
    Urgency,
    Verdict,
)

MINUTE = 60.0
CAR = Car(id="blue", name="The old blue estate", units="metric")


def signal(key: str, unit: str, times: FloatArray, values: FloatArray) -> Signal:
    return Signal(key, unit, times, values)


def times(length: float, interval: float, gaps: Sequence[tuple[float, float]] = ()) -> FloatArray:
    """Regular times [s] with the given pieces missing."""
    grid = np.arange(0.0, length, interval)
    for start, end in gaps:
        grid = grid[(grid <= start) | (grid >= end)]
    return grid


def speed_at(t: FloatArray) -> FloatArray:
    """Town and country by turns [km/h]."""
    return np.clip(55 + 45 * np.sin(t / 97.0) + 12 * np.sin(t / 13.0), 0, 130)


def warm_up(t: FloatArray, settles: float, time_constant: float = 380.0, cold: float = 8.0) -> FloatArray:
    """Coolant of a car that settles at `settles` [degC]."""
    return cold + (settles - cold) * (1 - np.exp(-t / time_constant))


def signals_of_a_drive(length: float, gaps: Sequence[tuple[float, float]] = ()) -> dict[str, Signal]:
    fast, slow = times(length, 0.4, gaps), times(length, 2.0, gaps)
    speed = speed_at(fast)
    noise = np.random.default_rng(7)
    rpm = np.clip(750 + speed * 24 + noise.normal(0, 35, fast.size), 650, 6500)
    load = np.clip(20 + 28 * np.gradient(speed) + noise.normal(0, 3, fast.size) + speed / 4, 8, 98)
    return {
        s.key: s
        for s in (
            signal("engine_speed", "1/min", fast, rpm),
            signal("vehicle_speed", "km/h", fast, np.round(speed)),
            signal("calculated_load", "%", fast, load),
            signal("air_flow", "g/s", fast, rpm * load / 9000),
            signal("short_term_fuel_trim_bank_1", "%", fast, noise.normal(1, 2.2, fast.size)),
            signal("long_term_fuel_trim_bank_1", "%", slow, np.round(2 + slow / length, 1)),
            signal("coolant_temperature", "degC", slow, np.round(warm_up(slow, 74.0))),
            signal("intake_air_temperature", "degC", slow, np.round(9 + 6 * slow / length)),
            signal("ambient_air_temperature", "degC", slow, np.full(slow.size, 6.0)),
            signal("control_module_voltage", "V", slow, 14.1 + 0.1 * np.sin(slow / 70)),
            signal("timing_advance", "deg BTDC", fast, np.clip(12 + load / 5, -5, 40)),
        )
    }


FAULT = Finding(
    detector="warm_up",
    verdict=Verdict.FAULT,
    signature="opens_early",
    urgency=Urgency.NEXT_SERVICE,
    confidence=0.91,
    headline="The thermostat lets the engine run too cold",
    reasons=(
        "After 22 minutes the coolant settled at 74 °C, where this thermostat should hold 88 °C.",
        "At speed it fell by another 4 °C, which an engine with a closed thermostat does not do.",
    ),
    parts=("thermostat", "coolant_temperature_sensor"),
    measures=(
        Measure("settled_coolant_temperature", 74.2, "degC", (73.6, 74.8), (84.0, 92.0)),
        Measure("heat_lost_while_cold", 1.84, "kW", None, (0.6, 1.1)),
    ),
    spans=(Span(1320.0, 1680.0, "coolant stays cold"),),
    cautions=("Let the engine cool before opening the cooling system: hot coolant scalds.",),
)
HEALTHY = Finding("charging", Verdict.HEALTHY, headline="Charging holds 14.1 V", confidence=0.97)
UNSURE = Finding(
    "cooling",
    Verdict.NOT_ENOUGH_DATA,
    headline="Cooling at a standstill was not seen",
    drive_to_get="after a drive of 20 minutes, let the warm engine idle for 5 minutes where that is allowed.",
)


def session(session_id: str, day: int = 20, **more: object) -> Session:
    return Session(
        id=session_id,
        started_at=datetime(2026, 1, day, 7, 12, tzinfo=UTC),
        car_id=CAR.id,
        odometer_km=171_930.0,
        adapter="ELM327 v1.5",
        protocol="CAN 11 bit, 500 kbit/s",
        **more,  # type: ignore[arg-type]
    )


def usual_drive(session_id: str = "cold-start") -> Drive:
    length = 31 * MINUTE
    return Drive(
        session(session_id),
        signals_of_a_drive(length, gaps=((700.0, 760.0),)),
        codes=(CodeReading(2.0, CodeKind.STORED, "P0128"), CodeReading(2.0, CodeKind.PERMANENT, "P0128")),
        marks=(
            Mark(4.0, MarkKind.ENGINE_START),
            Mark(700.0, MarkKind.LINK_LOST, "adapter does not answer", 60.0),
            Mark(length - 3, MarkKind.ENGINE_STOP),
            Mark(length, MarkKind.END),
        ),
        problems=("12 of 41,230 replies were damaged on the way and were left out.",),
    )


READINESS = Readiness(
    t=3.0,
    ecu=0x7E8,
    lamp_on=True,
    code_count=2,
    compression_ignition=False,
    monitors={"misfire": (True, True), "catalyst": (True, False), "egr": (False, False)},
)


def drive_with_codes(session_id: str = "codes") -> Drive:
    """A lean code with a misfire code, a frame of the first, and a memory of permanent codes that nobody read."""
    frame = FreezeFrame(
        t=5.0,
        ecu=0x7E8,
        frame=0,
        code="P0171",
        values={"engine_speed": 780.0, "vehicle_speed": 0.0, "coolant_temperature": 88.0, "fuel_system_status": 2.0},
    )
    return Drive(
        session(session_id, 14),
        signals_of_a_drive(10 * MINUTE),
        codes=(
            CodeReading(2.0, CodeKind.PENDING, "P0300"),
            CodeReading(2.0, CodeKind.STORED, "P0171"),
            CodeReading(2.0, CodeKind.PENDING, "P0171"),
        ),
        freeze_frames=(frame,),
        readiness=(READINESS,),
        codes_read=frozenset({CodeKind.STORED, CodeKind.PENDING}),
    )


def big_drive(session_id: str = "four-hours", signals: int = 6, samples: int = 1_000_000) -> Drive:
    """`signals` signals of `samples` samples each over four hours, with one single-sample spike in each."""
    t = np.linspace(0.0, 4 * 3600.0, samples)
    keys = (
        ("engine_speed", "1/min"), ("vehicle_speed", "km/h"), ("coolant_temperature", "degC"),
        ("calculated_load", "%"), ("air_flow", "g/s"), ("short_term_fuel_trim_bank_1", "%"),
    )[:signals]  # fmt: skip
    noise = np.random.default_rng(3)
    made = {}
    for number, (key, unit) in enumerate(keys):
        values = 50 + 20 * np.sin(t / (200 + 70 * number)) + noise.normal(0, 2, t.size)
        values[t.size // 3] = 400.0
        made[key] = Signal(key, unit, t, values)
    return Drive(session(session_id, 19), made)


@dataclass
class FakeLogbook:
    """Sessions in memory; `broken` are ids whose file cannot be read, `missing` have no file."""

    folder: Path
    drives: dict[str, Drive] = field(default_factory=dict)
    found: dict[str, tuple[Finding, ...]] = field(default_factory=dict)
    known_cars: tuple[Car, ...] = (CAR,)
    broken: frozenset[str] = frozenset()
    missing: frozenset[str] = frozenset()
    loads: int = 0
    features: tuple[Feature, ...] = ()
    log: tuple[Event, ...] = ()

    def add(self, drive: Drive, *findings: Finding) -> None:
        self.drives[drive.session.id] = drive
        self.found[drive.session.id] = findings
        if drive.session.id not in self.missing:
            self._file(drive.session.id).write_text(drive.session.id, "utf-8")

    def _file(self, session_id: str) -> Path:
        return self.folder / f"{list(self.drives).index(session_id)}.obdw"

    @property
    def directory(self) -> Path:
        return self.folder

    def sessions(self, car_id: str | None = None) -> tuple[Session, ...]:
        every = (drive.session for drive in self.drives.values())
        return tuple(one for one in every if car_id in (None, one.car_id))

    def car(self, car_id: str) -> Car | None:
        return next((car for car in self.known_cars if car.id == car_id), None)

    def cars(self) -> tuple[Car, ...]:
        return self.known_cars

    def path_of(self, session_id: str) -> Path:
        return self._file(session_id)

    def findings(self, session_id: str) -> tuple[Finding, ...]:
        return self.found[session_id]

    def analysed(self) -> frozenset[str]:
        return frozenset(session_id for session_id, found in self.found.items() if found)

    def findings_of(self, session_ids: Iterable[str]) -> dict[str, tuple[Finding, ...]]:
        return {session_id: self.findings(session_id) for session_id in session_ids}

    def answers(self, car_id: str) -> dict[str, tuple[Finding, ...]]:
        return {one.id: self.findings(one.id) for one in self.sessions() if one.car_id == car_id}

    def stamp(self) -> Hashable:
        return tuple(self.found.items()), self.log, self.features, repr(self.known_cars)

    def events(self, car_id: str | None = None) -> tuple[Event, ...]:
        return tuple(event for event in self.log if car_id in (None, event.car_id))

    def history_before(self, name: str, _wanted: Callable[[str, str], bool] | None = None) -> History:
        return History(tuple(one for one in self.features if one.session_id != name), self.events())

    @property
    def sessions_folder(self) -> Path:
        return self.folder

    def add_session(self, path: Path) -> Session:
        raise LogbookError("this stand-in cannot be changed; use a real logbook")

    def edit_session(
        self,
        name: str,
        car_id: str | None = None,
        odometer_km: float | None = None,
        soak_hours: float | None = None,
        note: str | None = None,
    ) -> Session:
        raise LogbookError("this stand-in cannot be changed; use a real logbook")

    def remove_session(self, name: str) -> Session:
        raise LogbookError("this stand-in cannot be changed; use a real logbook")

    def restore_session(self, session_id: str) -> Session:
        raise LogbookError("this stand-in cannot be changed; use a real logbook")

    def removed_sessions(self) -> tuple[str, ...]:
        return ()

    def load(self, path: Path) -> Drive:
        """What `load_drive` does with a real file."""
        self.loads += 1
        session_id = path.read_text("utf-8")
        if session_id in self.broken:
            raise SessionFileError(path, "is damaged from byte 4,096 on; restore it from a copy")
        return self.drives[session_id]


def aged(book: FakeLogbook, latest: Session) -> None:
    """Give the car of `latest` a past: 15 drives with a falling charging voltage, an alternator, 15 good drives.

    Its catalyst gets worse all the time.
    """
    assert latest.started_at is not None
    assert latest.odometer_km is not None
    features, log = [], []
    for n in range(30):
        at = latest.started_at - timedelta(days=20 * (30 - n))
        odometer = latest.odometer_km - 450.0 * (30 - n)
        volts = 14.1 - 0.04 * n if n < 15 else 14.3 + 0.02 * (-1) ** n
        through = 0.08 + 0.003 * n + 0.004 * (-1) ** n
        for detector, name, value, unit in (
            ("charging", "charging_voltage", volts, "V"),
            ("catalyst", "survives_bank_1", through, "ratio"),
        ):
            features.append(Feature(f"old-{n}", detector, name, value, unit, at=at, odometer_km=odometer))
        if n == 15:
            log.append(Event(CAR.id, at - timedelta(days=3), EventKind.REPAIR, odometer - 60.0, "alternator"))
    book.features, book.log = tuple(features), tuple(log)


def states(drive: Drive) -> Mapping[str, int]:
    """How many samples each signal has."""
    return {key: s.times.size for key, s in drive.signals.items()}
