"""When parts were last new: the log beats the profile, the profile beats "unknown", and places count by themselves."""

from __future__ import annotations

import doctest
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

import obdwatch.detectors.renewal
import obdwatch.part_ages
from obdwatch.part_ages import AgeSource, part_ages, places_of, repairs, with_ages
from obdwatch.records import Car, Event, EventKind

DAY = datetime(2026, 1, 1, tzinfo=UTC)
CAR = Car("fern", cylinders=4, part_new_at_km={"thermostat": 90_000.0, "battery": None})


def repair(part: str, day: int, km: float | None = None, number: int | None = None) -> Event:
    return Event("fern", DAY + timedelta(days=day), EventKind.REPAIR, km, part, id=number)


def test_the_log_beats_the_profile_and_the_profile_beats_unknown() -> None:
    before = part_ages(CAR, ())
    assert (before["thermostat"].source, before["thermostat"].new_at_km) == (AgeSource.PROFILE, 90_000.0)
    assert before["battery"].source is AgeSource.UNKNOWN
    after = part_ages(CAR, [repair("thermostat", 3, 164_000.0, 7)])["thermostat"]
    assert (after.source, after.new_at_km, after.event_id) == (AgeSource.LOG, 164_000.0, 7)


def test_unknown_is_the_cars_own_distance() -> None:
    ages = part_ages(CAR, ())
    assert ages["battery"].distance(165_000.0) == 165_000.0
    assert ages["thermostat"].distance(165_000.0) == 75_000.0
    assert ages["thermostat"].distance(None) is None


def test_the_newest_of_several_repairs_counts() -> None:
    events = [repair("battery", 40, 150_000.0), repair("battery", 3, 120_000.0)]
    assert part_ages(CAR, events)["battery"].new_at_km == 150_000.0


def test_one_coil_of_four_leaves_the_set_as_old_as_it_was() -> None:
    ages = part_ages(CAR, [repair("ignition_coil:3", 3, 160_000.0)])
    assert ages["ignition_coil:3"].new_at_km == 160_000.0
    assert ages["ignition_coil"].source is AgeSource.UNKNOWN
    assert "place 3 of 4" in ages["ignition_coil"].remark


def test_an_engine_in_line_has_one_head_however_many_exhaust_banks_it_has() -> None:
    """Common practice: one head, valve cover and pair of cam solenoids in line, two on a V; sensors by exhaust bank."""
    six = Car("fern", cylinders=6, layout="inline", bank_cylinders=((1, 2, 3), (4, 5, 6)))
    vee, unsaid = replace(six, layout="vee"), replace(six, layout=None)
    for part in ("valve_cover_gasket", "head_gasket", "cam_timing_solenoid_intake", "cam_timing_solenoid_exhaust"):
        assert [places_of(part, car) for car in (six, vee, unsaid, None)] == [1, 2, None, None]
    assert [places_of("oxygen_sensor_upstream", car) for car in (six, vee)] == [2, 2]
    done = [repair("valve_cover_gasket:1", 3, 160_000.0)]
    assert part_ages(six, done)["valve_cover_gasket"].new_at_km == 160_000.0
    assert part_ages(vee, done)["valve_cover_gasket"].source is AgeSource.UNKNOWN


def test_a_set_renewed_piece_by_piece_is_as_old_as_its_oldest_piece() -> None:
    events = [repair(f"ignition_coil:{place}", place, 150_000.0 + 1000.0 * place) for place in (1, 2, 3, 4)]
    age = part_ages(CAR, events)["ignition_coil"]
    assert (age.part, age.source, age.new_at_km) == ("ignition_coil", AgeSource.LOG, 151_000.0)


def test_a_new_set_renews_every_place() -> None:
    events = [repair("ignition_coil:3", 3, 150_000.0), repair("ignition_coil", 9, 160_000.0)]
    ages = part_ages(CAR, events)
    assert ages["ignition_coil"].new_at_km == ages["ignition_coil:3"].new_at_km == 160_000.0


def test_a_repair_without_odometer_gets_one_from_readings_around_it() -> None:
    readings = [(DAY, 100_000.0), (DAY + timedelta(days=10), 101_000.0)]
    age = part_ages(CAR, [repair("battery", 5)], readings=readings)["battery"]
    assert age.new_at_km == pytest.approx(100_500.0)
    assert age.estimated


def test_a_repair_without_any_odometer_says_what_is_missing() -> None:
    age = part_ages(CAR, [repair("battery", 5)])["battery"]
    assert (age.source, age.new_at_km) == (AgeSource.LOG, None)
    assert "odometer" in age.remark


def test_a_profile_that_knows_better_is_said() -> None:
    age = part_ages(CAR, [repair("thermostat", 5, 80_000.0)])["thermostat"]
    assert age.new_at_km == 80_000.0
    assert "90,000 km" in age.remark


def test_the_car_with_ages_keeps_what_the_log_does_not_touch() -> None:
    car = with_ages(CAR, [repair("alternator", 5, 161_000.0)])
    assert car.part_new_at_km == {"thermostat": 90_000.0, "battery": None, "alternator": 161_000.0}
    assert CAR.part_new_at_km.get("alternator") is None


def test_a_part_of_the_users_own_catalogue_has_a_clock_too() -> None:
    assert with_ages(CAR, [repair("cabin_filter", 5, 161_000.0)]).part_new_at_km["cabin_filter"] == 161_000.0


def test_repairs_of_a_part_include_its_places() -> None:
    events = [repair("ignition_coil:2", 5), repair("battery", 3), Event("fern", DAY, EventKind.NOTE, note="x")]
    assert [event.part for event in repairs(events, {"ignition_coil"})] == ["ignition_coil:2"]
    assert [event.part for event in repairs(events)] == ["battery", "ignition_coil:2"]


def test_the_worked_examples_are_right() -> None:
    assert doctest.testmod(obdwatch.part_ages).failed == 0
    assert doctest.testmod(obdwatch.detectors.renewal).failed == 0
