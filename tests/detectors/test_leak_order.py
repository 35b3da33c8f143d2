"""Two leaks that look alike: the order follows how long each part has been in the car, and nothing else moves."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from obdwatch.detectors.fuel_trims import detect
from obdwatch.detectors.leak_order import AGED, leaks_by_age
from obdwatch.records import Car, Drive, Event, EventKind, History, Session, Verdict
from tests.detectors.trimmed_car import TrimmedCar, profile, record

LEAKS = ("intake_leak", "crankcase_ventilation")
DAY = datetime(2026, 3, 1, tzinfo=UTC)


def at(odometer_km: float | None) -> Drive:
    return Drive(Session("a", DAY, "fern", odometer_km), {})


def renewed(part: str, odometer_km: float) -> History:
    return History((), (Event("fern", DAY, EventKind.REPAIR, odometer_km, part),))


@pytest.mark.parametrize(("odometer_km", "first"), [(None, 0), (60_000.0, 0), (AGED, 1), (190_000.0, 1)])
def test_the_ventilation_comes_first_in_an_old_car_only(odometer_km: float | None, first: int) -> None:
    parts = leaks_by_age((*LEAKS, "exhaust_leak"), at(odometer_km), None, History())
    assert parts[0] == LEAKS[first]
    assert set(parts[:2]) == set(LEAKS)
    assert parts[2] == "exhaust_leak"


def test_a_ventilation_renewed_lately_comes_second_and_renewed_hoses_too() -> None:
    drive = at(190_000.0)
    assert leaks_by_age(LEAKS, drive, None, renewed("crankcase_ventilation", 180_000.0)) == LEAKS
    assert leaks_by_age(LEAKS, at(90_000.0), None, renewed("intake_leak", 80_000.0)) == LEAKS[::-1]
    told = Car("fern", part_new_at_km={"crankcase_ventilation": 150_000.0})
    assert leaks_by_age(LEAKS, drive, told, History()) == LEAKS


def test_other_parts_keep_their_places() -> None:
    assert leaks_by_age(("exhaust_leak", *LEAKS), at(190_000.0), None, History()) == ("exhaust_leak", *LEAKS[::-1])
    assert leaks_by_age(("exhaust_leak", "intake_leak"), at(190_000.0), None, History()) == (
        "exhaust_leak",
        "intake_leak",
    )


def test_the_trims_of_an_old_car_name_the_ventilation_and_keep_the_hoses_second() -> None:
    car = TrimmedCar(hole=2.2)
    drive = record(car, seed=3)
    old = replace(drive, session=replace(drive.session, odometer_km=170_000.0))
    finding = detect(old, profile(car), History())
    assert finding.verdict is Verdict.FAULT
    assert finding.signature == "unmetered_air"
    assert finding.parts[:2] == LEAKS[::-1]
