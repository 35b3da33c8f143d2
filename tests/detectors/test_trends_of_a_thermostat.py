"""A thermostat that tires over months, on the independent warming car: told while each drive by itself still passes."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from obdwatch.detectors import trends, warm_up
from obdwatch.records import Car, Feature, Finding, History, Session, Verdict
from tests.detectors.many_drives import FIRST_DAY, weather
from tests.detectors.warming_car import Trip, WarmingCar, record

CAR = Car("fern", displacement_l=2.0, thermostat_temperature=92.0)
DRIVES = 16


def followed(fall: float) -> list[tuple[Finding, Finding]]:
    """Warm-up and trend findings drive after drive; the thermostat opens `fall` K lower from drive to drive."""
    generator = np.random.default_rng(5)
    outside = weather(DRIVES, generator)
    features: list[Feature] = []
    found = []
    for number in range(DRIVES):
        trip = Trip(style="mixed", minutes=25.0, air=float(outside[number]), seed=number)
        opening = 91.0 - fall * number + float(generator.normal(0.0, 0.3))
        drive = record(WarmingCar(opening=opening), trip)
        at = FIRST_DAY + timedelta(days=12 * number)
        session = Session(f"drive-{number:02d}", at, "fern", 160_000.0 + 500.0 * number)
        drive, history = replace(drive, session=session), History(tuple(features))
        one = warm_up.detect(drive, CAR, history)
        found.append((one, trends.detect_with(drive, CAR, history, (one,))))
        features += [
            Feature(session.id, one.detector, m.name, m.value, m.unit, m.interval, at, session.odometer_km)
            for m in one.measures
        ]
    return found


@pytest.fixture(scope="module")
def tiring() -> list[tuple[Finding, Finding]]:
    return followed(0.5)


def test_the_drift_is_told_with_the_part_before_the_thermostat_is_at_fault(
    tiring: list[tuple[Finding, Finding]],
) -> None:
    first = next(n for n, (_, trend) in enumerate(tiring) if trend.verdict is Verdict.FAULT)
    warm_up_verdict, trend = tiring[first]
    assert (trend.parts[0], trend.urgency) == ("thermostat", "next_service")
    assert warm_up_verdict.verdict is not Verdict.FAULT
    level = next(one for one in trend.measures if one.name == "warm_up/regulating_temperature")
    before = next(one for one in trend.measures if one.name == "first_level")
    assert before.value - level.value == pytest.approx(0.5 * first, rel=0.4)


def test_the_same_drives_with_a_sound_thermostat_tell_nothing() -> None:
    assert all(trend.verdict is not Verdict.FAULT for _, trend in followed(0.0))
