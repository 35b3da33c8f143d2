"""Records the drives of the story: the virtual car, as worn as the story says, through the real capture path.

Only the clock is injected, so that half an hour passes in seconds; adapter, link, framing, poll plan, recorder and
session file are those that a real car meets. The same story gives the same recordings.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import datetime
from pathlib import Path

from obdwatch.adapters.elm327.adapter import Elm327Adapter
from obdwatch.adapters.virtual.bus import Bus
from obdwatch.adapters.virtual.car_bus import CarBus
from obdwatch.adapters.virtual.interpreter import ElmInterpreter
from obdwatch.adapters.virtual.link_faults import LinkFaults, parse_link_fault
from obdwatch.adapters.virtual.loopback import LoopbackStream
from obdwatch.adapters.virtual.timing import AdapterTiming
from obdwatch.clock import InjectedClock
from obdwatch.errors import InputError
from obdwatch.recording.capture import CaptureOptions, capture
from obdwatch.records import EventKind
from obdwatch.simulation.car import VirtualCar
from obdwatch.simulation.faults import ActiveFault, parse_fault
from obdwatch.simulation.layouts import layout_named
from obdwatch.simulation.memory import CarMemory, CodeMemory
from obdwatch.simulation.trips import Trip, Weather, trip_named, waiting
from obdwatch.story import Story, StoryDrive

KEY_ON = 15  # s; the driver connects the adapter, then starts, so that the start is recorded too
REQUEST_TIME = {"wireless": 0.3, "wired": 0.1}  # s; slow keeps the files small, fast sees the starter turn
WEATHER = frozenset(field.name for field in fields(Weather))
CONDITIONS = WEATHER | frozenset(
    {
        "soak_hours", "driver", "air_conditioning", "heater", "electrical_load", "towed_mass", "grade", "ethanol",
        "refuelled", "fuel_level",
    }
)  # fmt: skip


def record_story(story: Story, folder: Path) -> Iterator[Path]:
    """Record every drive that has a file into a folder and yield the closed files; what is there is replaced."""
    memory = first_memory(story)
    for drive in story.drives:
        if drive.live:
            continue
        memory = memory_before(story, drive, memory)
        target = folder / drive.file_name
        target.unlink(missing_ok=True)
        virtual = virtual_car(story, drive, memory)
        yield record_drive(virtual, story, drive, folder)
        memory = virtual.finish()


def first_memory(story: Story) -> CarMemory:
    """Return what the car remembers before the first drive: nothing but which car it is."""
    return CarMemory(car_seed=story.car_seed)


def record_live(story: Story, drive: StoryDrive, folder: Path) -> Path:
    """Record a live drive into a folder and return the closed file."""
    codes = tuple(CodeMemory(code, pending=True, confirmed=True, permanent=True) for code in drive.codes)
    memory = replace(first_memory(story), odometer_km=drive.odometer_km, codes=codes)
    return record_drive(virtual_car(story, drive, memory), story, drive, folder)


def memory_before(story: Story, drive: StoryDrive, memory: CarMemory) -> CarMemory:
    """Return what the car remembers at the start of a drive, from what it remembered after the one before.

    In between it was driven without a recording: the odometer has moved on, the engine is cold again, and where codes
    were erased, a short drive home has followed.
    """
    known_until = memory.odometer_km if drive is not story.drives[0] else drive.odometer_km
    for event in story.events:
        if event.kind is EventKind.CODE_ERASE and known_until < (event.odometer_km or 0.0) <= drive.odometer_km:
            memory = _after_erasing(story, event.odometer_km or 0.0, memory)
    return replace(memory, odometer_km=drive.odometer_km, engine_temperature=None, fuel_level=None)


def _after_erasing(story: Story, odometer_km: float, memory: CarMemory) -> CarMemory:
    """Erase the codes with the engine just started, drive home, and return what the car remembers then."""
    home = VirtualCar(
        layout_named(story.virtual_car),
        trip_named("hot_restart"),
        faults_at(story, odometer_km),
        round(odometer_km),
        replace(memory, odometer_km=odometer_km, engine_temperature=None),
    )
    home.erase_codes(home.trip.crank_at - 1.0)
    return home.finish()


def virtual_car(story: Story, drive: StoryDrive, memory: CarMemory) -> VirtualCar:
    """Return the car of the story at the start of a drive. Raises InputError where the story asks for what is not."""
    layout = layout_named(story.virtual_car)
    return VirtualCar(layout, trip_of(drive), faults_at(story, drive.odometer_km), drive.seed, memory)


def faults_at(story: Story, odometer_km: float) -> tuple[ActiveFault, ...]:
    """Return the faults of the car at an odometer reading [km], each as worn as it is there."""
    faults = []
    for wear in story.wears:
        if not wear.from_km <= odometer_km <= wear.until_km:
            continue
        first, last = wear.severity
        share = (odometer_km - wear.from_km) / max(wear.until_km - wear.from_km, 1.0)
        faults.append(replace(parse_fault(wear.fault), severity=first + (last - first) * share))
    return tuple(faults)


def trip_of(drive: StoryDrive) -> Trip:
    """Return the trip of a drive under its conditions, with time to connect. Raises InputError for a strange one."""
    if strange := set(drive.conditions) - CONDITIONS:
        raise InputError(
            f"drive {drive.id}: condition '{min(strange)}' is not known; there are {', '.join(sorted(CONDITIONS))}"
        )
    trip = waiting(trip_named(drive.trip), KEY_ON)
    weather = {key: value for key, value in drive.conditions.items() if key in WEATHER}
    others = {key: value for key, value in drive.conditions.items() if key not in WEATHER}
    return replace(trip, weather=replace(trip.weather, **weather), **others)


def record_drive(virtual: VirtualCar, story: Story, drive: StoryDrive, folder: Path) -> Path:
    """Record one drive of the virtual car from key-on to key-off and return the closed file."""
    options = CaptureOptions(
        car_id=story.car.id,
        odometer_km=drive.odometer_km,
        soak_hours=virtual.trip.soak_hours,
        note=drive.note,
        file=folder / drive.file_name,
        seconds=virtual.trip.duration,
    )
    link = LinkFaults([parse_link_fault(text) for text in drive.link_faults], seed=drive.seed)
    if drive.adapter not in REQUEST_TIME:
        raise InputError(f"drive {drive.id}: adapter '{drive.adapter}' is none of {', '.join(REQUEST_TIME)}")
    return captured(CarBus(virtual), drive.at, folder, options, REQUEST_TIME[drive.adapter], link)


def captured(
    bus: Bus,
    started_at: datetime,
    folder: Path,
    options: CaptureOptions,
    request_time: float,
    link: LinkFaults | None = None,
) -> Path:
    """Record from a bus through the virtual adapter with the clock injected, and return the closed file."""
    clock = InjectedClock(started_at)
    interpreter = ElmInterpreter(bus, clock, link, AdapterTiming(request_time=request_time))
    adapter = Elm327Adapter(LoopbackStream(interpreter, clock), clock)
    return capture(adapter, clock, folder, options, _never)


def _never() -> bool:
    return False
