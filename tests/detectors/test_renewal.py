"""A repair starts the numbers it touches anew, in whatever place it was done, and leaves the others alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from obdwatch.analysis import DETECTORS, analyse_drive
from obdwatch.car_profiles import PART_IDS
from obdwatch.detectors import (
    air_filling_judgement,
    charging_past,
    cooling_levels,
    cranking_past,
    fuel_trims_past,
    ignition_timing,
    misfire_past,
)
from obdwatch.detectors.renewal import detectors_of, parts_behind, renewals, since_renewal
from obdwatch.records import Car, Event, EventKind, Feature, Finding, History, Session, Verdict
from tests.detectors.warming_car import Trip, WarmingCar, record

DAY = datetime(2026, 1, 1, tzinfo=UTC)


def feature(detector: str, name: str, day: int | None, km: float | None = None) -> Feature:
    at = DAY + timedelta(days=day) if day is not None else None
    return Feature(f"s{day}", detector, name, 1.0, "", None, at, km)


def repair(part: str, day: int, km: float | None = None) -> Event:
    return Event("fern", DAY + timedelta(days=day), EventKind.REPAIR, km, part)


def test_every_part_of_the_table_exists_and_every_row_says_why() -> None:
    for row in renewals():
        assert row.origin, row
        assert set(row.parts) <= set(PART_IDS), row


def test_every_detector_has_its_place_in_the_table() -> None:
    assert {question.name for question in DETECTORS} <= {row.detector for row in renewals()}


@pytest.mark.parametrize(
    ("detector", "parts"),
    [
        ("air_filling", air_filling_judgement.PARTS),
        ("charging", charging_past.REPAIRS),
        ("cooling", cooling_levels.PARTS),
        ("cranking", cranking_past.REPAIRS),
        ("fuel_trims", fuel_trims_past.PARTS),
        ("ignition_timing", ignition_timing.PARTS),
        ("misfire", misfire_past.REPAIRS),
    ],
)
def test_what_a_detector_takes_for_a_new_start_the_table_does_too(detector: str, parts: tuple[str, ...]) -> None:
    assert set(parts) <= set(parts_behind(detector, "anything"))


@pytest.mark.parametrize("part", ["ignition_coil", "ignition_coil:3"])
def test_a_coil_in_any_place_starts_the_misfire_counts_anew_and_not_the_thermostat(part: str) -> None:
    features = (feature("misfire", "misfire_percent", 1), feature("warm_up", "regulating_temperature", 1))
    kept = since_renewal(History((*features, feature("misfire", "misfire_percent", 5)), (repair(part, 3),)))
    assert [(one.detector, one.session_id) for one in kept.features] == [("warm_up", "s1"), ("misfire", "s5")]
    assert len(kept.events) == 1


def test_without_dates_the_odometer_tells_and_without_both_it_is_taken_as_before() -> None:
    features = (
        feature("cranking", "crank_speed", None, 99_000.0),
        feature("cranking", "crank_speed", None, 101_000.0),
        feature("cranking", "crank_speed", None),
    )
    kept = since_renewal(History(features, (repair("battery", 3, 100_000.0),)))
    assert [one.odometer_km for one in kept.features] == [101_000.0]


def test_plugs_do_not_make_the_throttle_forget_its_deposits() -> None:
    past = (feature("idle_quality", "relative_opening_21", 1), feature("idle_quality", "roughness", 1))
    kept = since_renewal(History(past, (repair("spark_plugs", 3),)))
    assert [one.name for one in kept.features] == ["relative_opening_21"]


def test_only_a_repair_starts_anew() -> None:
    history = History((feature("warm_up", "regulating_temperature", 1),),
                      (replace(repair("thermostat", 3), kind=EventKind.INSPECTION),))  # fmt: skip
    assert since_renewal(history) is history


def test_a_part_knows_its_detectors() -> None:
    assert {"warm_up", "cooling"} <= detectors_of("thermostat")
    assert "misfire" in detectors_of("ignition_coil:3")
    assert "warm_up" not in detectors_of("ignition_coil")


def warm_up_of(findings: tuple[Finding, ...]) -> Finding:
    return next(one for one in findings if one.detector == "warm_up")


def test_a_new_thermostat_of_another_opening_is_not_judged_by_the_old_one() -> None:
    """The old one held 92 degC, the new one holds 85: a fault against the car's past, none after the repair."""
    car, past = Car("fern", displacement_l=2.0), []
    for day in range(6):
        trip = Trip(style=("mixed", "motorway")[day % 2], minutes=25.0, air=4.0 * day, seed=day)
        found = analyse_drive(record(WarmingCar(opening=92.0), trip), car).findings
        past += [
            Feature(f"s{day}", one.detector, m.name, m.value, m.unit, m.interval, DAY + timedelta(days=day))
            for one in found
            for m in one.measures
        ]
    session = Session("new", DAY + timedelta(days=30), "fern")
    drive = replace(record(WarmingCar(opening=79.5), Trip(minutes=25.0, air=10.0, seed=41)), session=session)
    old = warm_up_of(analyse_drive(drive, car, History(tuple(past))).findings)
    new = warm_up_of(analyse_drive(drive, car, History(tuple(past), (repair("thermostat", 20),))).findings)
    assert old.verdict is Verdict.FAULT
    assert new.verdict is not Verdict.FAULT
