"""Simulated drives kept on disk, so that new detectors can be judged on the same drives in a minute.

`OBDWATCH_BENCHMARK_CACHE=FOLDER` says where (a drive takes about 2 MB); without it every drive is simulated anew. A
drive is kept under everything it was made from, the sources of the simulation included, and holds nothing that a
detector has said.
"""

from __future__ import annotations

import hashlib
import json
import os
import pickle
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path

import numpy as np

from obdwatch.records import Car, Drive
from obdwatch.simulation.drives import Sampling, simulate
from obdwatch.simulation.faults import ActiveFault
from obdwatch.simulation.layouts import Layout
from obdwatch.simulation.memory import CarMemory
from obdwatch.simulation.trips import Trip
from obdwatch.sources import digest_of

SOURCES = ("decoding", "simulation")
CACHE = "OBDWATCH_BENCHMARK_CACHE"

Simulated = tuple[Drive, Car, CarMemory]
"""The recorded drive, the car's profile, and what the car remembers afterwards."""


def simulated(
    layout: Layout,
    trip: Trip,
    faults: Sequence[ActiveFault],
    seed: int,
    sampling: Sampling,
    memory: CarMemory,
    at: datetime,
) -> Simulated:
    """Return a drive as `obdwatch.simulation.drives.simulate` makes it, from disk where it is there."""
    path = None
    if CACHE in os.environ:
        path = _folder() / f"{_key(layout.name, trip, faults, seed, sampling, memory, at)}.drive"
        if path.is_file():
            kept: Simulated = pickle.loads(zlib.decompress(path.read_bytes()))
            return kept
    simulation = simulate(layout, trip, tuple(faults), seed, sampling, memory, at)
    done = simulation.drive, simulation.car, simulation.memory
    if path is not None:
        scratch = path.with_suffix(f".{os.getpid()}")
        scratch.write_bytes(zlib.compress(pickle.dumps(done, protocol=5), level=1))
        scratch.replace(path)
    return done


def _folder() -> Path:
    folder = Path(os.environ[CACHE]) / "simulated"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _key(*made_from: object) -> str:
    text = json.dumps([digest_of(SOURCES), *map(_plain, made_from)], sort_keys=True, default=_plain)
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def _plain(value: object) -> object:
    """Return a value in what JSON can hold, the same in every process."""
    match value:
        case np.ndarray():
            return hashlib.sha256(value.tobytes()).hexdigest()
        case frozenset() | set():
            return sorted(map(str, value))
        case datetime():
            return value.isoformat()
        case Mapping():
            return dict(value)
        case tuple() | list():
            return [_plain(each) for each in value]
        case str() | int() | float() | None:
            return value
        case ActiveFault():
            return [value.fault.name, value.severity, value.place, value.from_km, value.growth]
    return asdict(value)  # type: ignore[call-overload]  # what is left is a record
