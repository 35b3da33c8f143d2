"""Simulated drives judged once and kept on disk, for benchmarks that look at the same verdicts again and again.

`OBDWATCH_BENCHMARK_CACHE=FOLDER` says where they are kept; a drive is kept under everything it was made from, the
sources of simulation and detectors included, so that a stale verdict is never read.
"""

from __future__ import annotations

import hashlib
import json
import os
import pickle
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import cache, lru_cache
from pathlib import Path

from obdwatch.analysis import analyse_drive, features_of
from obdwatch.logbook.packing import finding_of, finding_text
from obdwatch.records import Car, CodeKind, Finding, History
from obdwatch.simulation.layouts import LAYOUTS, Layout
from obdwatch.simulation.memory import CarMemory
from obdwatch.simulation.trips import trip_named
from obdwatch.sources import digest_of
from tests.benchmarks.accuracy_cars import ADAPTERS, KnownCar, Wear, driven_on
from tests.benchmarks.simulated_drives import simulated

SOURCES = ("decoding", "simulation", "signals", "physics", "detectors")


@dataclass(frozen=True, slots=True)
class Past:
    """A car of a layout with a few sound drives behind it, recorded and judged; stories of one car share it."""

    layout: str
    car_seed: int
    trips: tuple[str, ...] = ()
    odometer_km: float = 148_000.0


@dataclass(frozen=True, slots=True)
class Story:
    """A car with its past, and further trips with the wears it has by then; all of them are recorded and judged."""

    past: Past
    seed: int
    trips: tuple[str, ...]
    adapter: str
    wears: tuple[Wear, ...] = ()


@dataclass(frozen=True, slots=True)
class JudgedDrive:
    """What was said of one drive, and the codes it read as (memory, code)."""

    trip: str
    odometer_km: float
    findings: tuple[Finding, ...]
    codes: tuple[tuple[str, str], ...]


def layout_named(name: str) -> Layout:
    """Return a layout of the virtual car by its name."""
    return next(each for each in LAYOUTS if each.name == name)


def profile_of(story: Story) -> Car:
    """Return the honest profile of a story's car."""
    return layout_named(story.past.layout).car_record()


def judged(story: Story) -> tuple[JudgedDrive, ...]:
    """Return the verdicts of every drive of a story, those of its past first, from disk where they are there."""
    path = _folder() / f"{_key(story)}.json"
    if path.is_file():
        return _read(path)
    drives = _drive(story)
    texts = [
        {
            "trip": one.trip,
            "odometer_km": one.odometer_km,
            "findings": [finding_text(finding) for finding in one.findings],
            "codes": one.codes,
        }
        for one in drives
    ]
    scratch = path.with_suffix(f".{os.getpid()}")
    scratch.write_text(json.dumps(texts), encoding="utf-8")
    scratch.replace(path)
    return drives


def all_judged(stories: list[Story], workers: int = 2) -> list[tuple[JudgedDrive, ...]]:
    """Return the verdicts of many stories, in their order."""
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(judged, stories))


@lru_cache(maxsize=64)
def _grown(past: Past) -> tuple[KnownCar, tuple[JudgedDrive, ...]]:
    """Return a car after its past, and what was said of it."""
    path = _folder() / f"{_key(past)}.pickle"
    if path.is_file():
        kept: tuple[KnownCar, tuple[JudgedDrive, ...]] = pickle.loads(path.read_bytes())
        return kept
    memory = CarMemory(odometer_km=past.odometer_km, car_seed=past.car_seed)
    car, drives = KnownCar(layout_named(past.layout), past.car_seed, memory), []
    for number, trip in enumerate(past.trips):
        adapter = tuple(ADAPTERS)[(past.car_seed + number) % len(ADAPTERS)]
        car, one = _one(car, trip, adapter, past.car_seed * 100 + number, ())
        drives.append(one)
    scratch = path.with_suffix(f".{os.getpid()}")
    scratch.write_bytes(pickle.dumps((car, tuple(drives))))
    scratch.replace(path)
    return car, tuple(drives)


def _drive(story: Story) -> tuple[JudgedDrive, ...]:
    car, before = _grown(story.past)
    drives = [*before]
    for number, trip in enumerate(story.trips):
        car, one = _one(car, trip, story.adapter, story.seed * 100 + number, story.wears)
        drives.append(one)
    return tuple(drives)


def _one(car: KnownCar, trip: str, adapter: str, seed: int, wears: tuple[Wear, ...]) -> tuple[KnownCar, JudgedDrive]:
    faults = tuple(wear.active() for wear in wears)
    done, profile, memory = simulated(car.layout, trip_named(trip), faults, seed, ADAPTERS[adapter], car.memory, car.at)
    recorded = replace(done, codes_read=frozenset(CodeKind))  # a recording asks for all of them at its end
    analysis = analyse_drive(recorded, profile, History(car.features))
    codes = tuple(sorted({(str(reading.kind), reading.code) for reading in recorded.codes}))
    judgement = JudgedDrive(trip, car.memory.odometer_km, analysis.findings, codes)
    after = replace(car, memory=memory, features=(*car.features, *features_of(analysis)))
    return driven_on(after), judgement


def _read(path: Path) -> tuple[JudgedDrive, ...]:
    return tuple(
        JudgedDrive(
            row["trip"],
            row["odometer_km"],
            tuple(finding_of(text) for text in row["findings"]),
            tuple((kind, code) for kind, code in row["codes"]),
        )
        for row in json.loads(path.read_text("utf-8"))
    )


def _folder() -> Path:
    default = Path(tempfile.gettempdir()) / "obdwatch-judged-drives"
    folder = Path(os.environ.get("OBDWATCH_BENCHMARK_CACHE", default))
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _key(story: Story | Past) -> str:
    made_from = json.dumps([_sources(), asdict(story)], sort_keys=True)
    return hashlib.sha256(made_from.encode()).hexdigest()[:24]


@cache
def _sources() -> str:
    frozen = os.environ.get("OBDWATCH_BENCHMARK_SOURCES")  # a name for sources that are known not to matter
    if frozen:
        return frozen
    return digest_of(SOURCES)
