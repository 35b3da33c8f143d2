"""Histories of invented cars, drive after drive: numbers that only scatter, and numbers that wear."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from obdwatch.detectors.trends import detect_with
from obdwatch.detectors.trends_table import Harm, Rule
from obdwatch.records import Drive, Event, Feature, Finding, FloatArray, History, Measure, Session, Verdict

FIRST_DAY = datetime(2025, 4, 1, 7, 0, tzinfo=UTC)
KM_BETWEEN = 500.0
DAYS_BETWEEN = 12.0


def rule(harm: Harm = Harm.BOTH, lower: float | None = -6.0, upper: float | None = 6.0, name: str = "n*") -> Rule:
    return Rule("probe", name, harm, lower, upper, parts=("thermostat",), origin="test")


@dataclass(frozen=True)
class Drives:
    """What a car's drives measured: `values` [drives, numbers], `outside` [drives] or None, spacing of the drives."""

    values: FloatArray
    outside: FloatArray | None = None
    km_between: float | None = KM_BETWEEN
    days_between: float | None = DAYS_BETWEEN
    names: Callable[[int], str] = lambda number: f"n{number}"

    def session(self, drive: int) -> Session:
        at = FIRST_DAY + timedelta(days=drive * self.days_between) if self.days_between is not None else None
        km = 160_000.0 + drive * self.km_between if self.km_between is not None else None
        return Session(f"drive-{drive:03d}", at, "fern", km)

    def finding(self, drive: int) -> Finding:
        found = [Measure(self.names(n), float(value), "degC") for n, value in enumerate(self.values[drive])]
        if self.outside is not None:
            found.append(Measure("outside_air", float(self.outside[drive]), "degC"))
        return Finding("probe", Verdict.HEALTHY, measures=tuple(found))

    def features(self, drive: int) -> list[Feature]:
        session = self.session(drive)
        return [
            Feature(session.id, "probe", m.name, m.value, m.unit, m.interval, session.started_at, session.odometer_km)
            for m in self.finding(drive).measures
        ]


def verdicts(
    drives: Drives, table: Sequence[Rule], events: tuple[Event, ...] = (), first: int = 0
) -> Iterator[tuple[int, Finding]]:
    """Judge a car after every one of its drives."""
    features: list[Feature] = []
    for number in range(len(drives.values)):
        if number >= first:
            session = drives.session(number)
            known = tuple(e for e in events if session.started_at is None or e.at < session.started_at)
            history = History(tuple(features), known)
            yield number, detect_with(Drive(session, {}), None, history, (drives.finding(number),), table)
        features += drives.features(number)


def last(drives: Drives, table: Sequence[Rule], events: tuple[Event, ...] = ()) -> Finding:
    """Judge a car after its last drive."""
    return next(verdicts(drives, table, events, len(drives.values) - 1))[1]


def weather(drives: int, generator: np.random.Generator, first_day: float = 0.0) -> FloatArray:
    """Outside temperature [degC] through the seasons: 10 K about 10 degC over a year, 5 K from day to day."""
    days = first_day + DAYS_BETWEEN * np.arange(drives)
    return np.asarray(10.0 + 10.0 * np.sin(2.0 * np.pi * days / 365.25) + generator.normal(0.0, 5.0, drives))


def alike(drives: int, numbers: int, correlation: float, generator: np.random.Generator) -> FloatArray:
    """Scatter of deviation 1 in which each drive resembles the one before (first order)."""
    values = generator.normal(size=(drives, numbers))
    for n in range(1, drives):
        values[n] = correlation * values[n - 1] + np.sqrt(1.0 - correlation**2) * values[n]
    return values
