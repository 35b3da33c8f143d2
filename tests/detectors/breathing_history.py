"""Earlier drives of a car for the detectors of filling, cams and advance: what they measured, kept as features."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from obdwatch.records import Car, Drive, Feature, Finding, History, Verdict
from tests.detectors.breathing_car import BreathingCar, drive

Detect = Callable[[Drive, Car | None, History], Finding]
DAY = datetime(2024, 1, 1, tzinfo=UTC)


def remembered(finding: Finding, day: int) -> tuple[Feature, ...]:
    """What a logbook keeps of a finding."""
    healthy = finding.verdict is Verdict.HEALTHY
    return tuple(
        Feature(f"day {day}", finding.detector, one.name, one.value, one.unit, one.interval, DAY + timedelta(days=day),
                healthy=healthy)
        for one in (*finding.measures, *finding.learnt)
    )  # fmt: skip


def past(detect: Detect, car: BreathingCar, profile: Car | None, days: int = 5, monitors: bool = False) -> History:
    """Drives on days of different weather."""
    features: tuple[Feature, ...] = ()
    for day in range(days):
        today = replace(car, seed=100 + day, intake_air=10.0 + 8.0 * day, outside=99.5 + 0.8 * day)
        features += remembered(detect(drive(today, monitors=monitors), profile, History(features)), day)
    return History(features)
