"""Reads the twelve open drives of one healthy turbo-diesel: each row of a table updates one signal only, in turn."""

from __future__ import annotations

import csv
import gzip
from pathlib import Path

import numpy as np

from obdwatch.records import Drive, Session, Signal

KEYS = {
    "Engine Coolant": ("coolant_temperature", "degC"),
    "Intake Manifold": ("intake_manifold_pressure", "kPa"),
    "Engine RPM": ("engine_speed", "1/min"),
    "Vehicle Speed": ("vehicle_speed", "km/h"),
    "Intake Air": ("intake_air_temperature", "degC"),
    "Air Flow": ("air_flow", "g/s"),
    "Absolute Throttle": ("throttle_position", "%"),
    "Ambient Air": ("ambient_air_temperature", "degC"),
}
ROUND = 10  # signals asked in turn


def _seconds(clock: str) -> float:
    hours, minutes, seconds = clock.split(":")
    return int(hours) * 3600 + int(minutes) * 60 + float(seconds)


def read_drive(path: Path) -> Drive:
    """One file as a drive: every tenth value of a column, and every change, is a fresh reading."""
    with gzip.open(path, "rt", encoding="utf-8") as file:
        header, *rows = csv.reader(file)
    times = np.array([_seconds(row[0]) for row in rows])
    times -= times[0]
    signals = {}
    for column, title in enumerate(header):
        match = next((key for name, key in KEYS.items() if title.startswith(name)), None)
        if match is None:
            continue
        values = np.array([float(row[column]) if row[column] else np.nan for row in rows])
        given = np.flatnonzero(np.isfinite(values))
        changed = given[np.r_[True, np.diff(values[given]) != 0.0]]
        fresh = np.union1d(given[::ROUND], changed)
        signals[match[0]] = Signal(match[0], match[1], times[fresh], values[fresh])
    return Drive(Session(path.name, None), signals)
