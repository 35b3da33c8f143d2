"""The demo: an invented car, recorded through the real capture path, judged, played back and handed on.

Only the clock is injected, so that half-hour drives pass in seconds; the link, the framing, the session file and the
detectors are those that a real car meets.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from obdwatch.adapters.elm327.adapter import Elm327Adapter
from obdwatch.adapters.virtual.bus import Bus
from obdwatch.adapters.virtual.car_bus import CarBus
from obdwatch.adapters.virtual.interpreter import ElmInterpreter
from obdwatch.adapters.virtual.link_faults import LinkFaults, parse_link_fault
from obdwatch.adapters.virtual.loopback import LoopbackStream
from obdwatch.adapters.virtual.recorded_bus import RecordedBus
from obdwatch.adapters.virtual.timing import AdapterTiming
from obdwatch.analysis import analyse_stored
from obdwatch.clock import InjectedClock
from obdwatch.errors import ObdwatchError
from obdwatch.recording.capture import CaptureOptions, capture
from obdwatch.recording.session_file import read_session
from obdwatch.records import Finding, MarkKind, Verdict
from obdwatch.signals.alignment import span
from obdwatch.signals.drives import load_drive
from obdwatch.simulation.car import VirtualCar
from obdwatch.simulation.faults import parse_fault
from obdwatch.simulation.layouts import layout_named
from obdwatch.simulation.trips import trip_named, waiting

if TYPE_CHECKING:
    from obdwatch.logbook.logbook import Logbook

CAR_ID = "old-fern"
CAR_NAME = "Old Fern"
LAYOUT = "inline_six"
TRIP = "commute"
KEY_ON = 15  # s; the driver connects the adapter, then starts, so that the start is recorded too
REQUEST_TIME = 0.1  # s; a cheap wireless adapter
REPLAYED_SECONDS = 60.0  # of the second drive, recorded once more from its own recording
AGREEMENT_AGE = 30.0  # s; a replayed value is one that was recorded not longer before


@dataclass(frozen=True, slots=True)
class DemoDrive:
    """A drive of the story: what is wrong with the car, what happens to the link, and what must be found."""

    started_at: datetime
    odometer_km: float
    seed: int
    faults: tuple[str, ...]
    link_faults: tuple[str, ...]
    expected: Verdict
    part: str
    note: str


DRIVES = (
    DemoDrive(
        datetime(2026, 1, 12, 6, 40, tzinfo=UTC), 163_800.0, 1, (), ("link_loss@600:8",), Verdict.HEALTHY, "",
        "to work, cold start; the adapter is bumped loose for a moment",
    ),
    DemoDrive(
        datetime(2026, 3, 2, 6, 40, tzinfo=UTC), 166_900.0, 2, ("thermostat_stuck_open=0.8",), (), Verdict.FAULT,
        "thermostat", "to work, cold start; the heater stays lukewarm",
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Step:
    """One thing the demo did: `text` for the user, what it is about, and whether it came out right."""

    text: str
    right: bool = True
    session_id: str | None = None
    findings: tuple[Finding, ...] = ()


def run_demo(logbook: Logbook) -> Iterator[Step]:
    """Play the demo into a logbook, a step at a time. Raises ObdwatchError when something cannot work at all."""
    car = replace(layout_named(LAYOUT).car_record(CAR_ID), name=CAR_NAME)
    logbook.save_car(car)
    paths = []
    for drive in DRIVES:
        path = _record(logbook, drive)
        paths.append(path)
        yield _recorded(path, drive)
        yield _judged(logbook, path, drive)
    yield _replayed(paths[-1])
    yield _handed_on(paths[-1])


def _record(logbook: Logbook, drive: DemoDrive) -> Path:
    trip = waiting(trip_named(TRIP), KEY_ON)
    virtual = VirtualCar(layout_named(LAYOUT), trip, tuple(parse_fault(text) for text in drive.faults), drive.seed)
    options = CaptureOptions(CAR_ID, drive.odometer_km, trip.soak_hours, drive.note, seconds=trip.duration)
    link = LinkFaults([parse_link_fault(text) for text in drive.link_faults], seed=drive.seed)
    path = _captured(CarBus(virtual), drive.started_at, logbook.sessions_folder, options, link)
    logbook.add_session(path)
    return path


def _captured(
    bus: Bus, started_at: datetime, folder: Path, options: CaptureOptions, link: LinkFaults | None = None
) -> Path:
    clock = InjectedClock(started_at)
    interpreter = ElmInterpreter(bus, clock, link, AdapterTiming(request_time=REQUEST_TIME))
    adapter = Elm327Adapter(LoopbackStream(interpreter, clock), clock)
    return capture(adapter, clock, folder, options, _never)


def _never() -> bool:
    return False


def _recorded(path: Path, drive: DemoDrive) -> Step:
    found = load_drive(path)
    start, end = span(found) or (0.0, 0.0)
    values = sum(len(signal.times) for signal in found.signals.values())
    lost = sum(mark.kind is MarkKind.LINK_LOST for mark in found.marks)
    back = sum(mark.kind is MarkKind.RECONNECT for mark in found.marks)
    text = (
        f"Recorded {(end - start) / 60:.0f} minutes at {drive.odometer_km:,.0f} km ({drive.note}): "
        f"{len(found.signals)} signals, {values:,} values, link lost {lost} time(s) and found again {back} time(s)."
    )
    expected = len(drive.link_faults)
    return Step(text, values > 0 and lost == back == expected, found.session.id)


def _judged(logbook: Logbook, path: Path, drive: DemoDrive) -> Step:
    analysis = analyse_stored(logbook, load_drive(path).session.id)
    warm_up = next(finding for finding in analysis.findings if finding.detector == "warm_up")
    right = warm_up.verdict is drive.expected and "".join(warm_up.parts[:1]) == drive.part
    return Step("Judged by what was recorded alone:", right, analysis.session.id, analysis.findings)


def _replayed(path: Path) -> Step:
    """Record once more, this time from the recording, and compare every value."""
    options = CaptureOptions(CAR_ID, seconds=REPLAYED_SECONDS)
    again = _captured(RecordedBus(read_session(path)), DRIVES[-1].started_at, path.parent / "replayed", options)
    try:
        total, same = _agreement(path, again)
    finally:
        again.unlink()
        again.parent.rmdir()
    text = f"Played the recording back as an adapter and recorded that: {same:,} of {total:,} values are the same."
    return Step(text, total > 0 and same == total)


def _agreement(first: Path, second: Path) -> tuple[int, int]:
    """Count the values of the second recording, and those that the first had shortly before."""
    original, copy = load_drive(first), load_drive(second)
    total = same = 0
    for key, signal in copy.signals.items():
        source = original.signals.get(key)
        total += len(signal.times)
        if source is None:
            continue
        for t, value in zip(signal.times, signal.values, strict=True):
            near = (source.times >= t - AGREEMENT_AGE) & (source.times <= t + AGREEMENT_AGE)
            same += bool(np.any(source.values[near] == value))
    return total, same


def _handed_on(path: Path) -> Step:
    """Export a redacted copy and look for the identification number in it."""
    from obdwatch.exporting import export_session

    number = next((unit.vin for unit in load_drive(path).vehicle if unit.vin), None)
    if number is None:
        raise ObdwatchError("the demo car gave no identification number to redact")
    target = path.parent / "handed-on.obdw"
    try:
        export_session(path, "obdw", target, None, redacted=True)
        leaked = number.encode() in target.read_bytes()
        kept = len(load_drive(target).signals) == len(load_drive(path).signals)
    finally:
        target.unlink(missing_ok=True)
    text = "Made a copy to hand on, without the identification number and everything else that tells whose car it is."
    return Step(text, kept and not leaked)
