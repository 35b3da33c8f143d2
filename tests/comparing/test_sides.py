"""Which repair is meant and which drives lie on its sides."""

from __future__ import annotations

from datetime import timedelta

import pytest

from obdwatch.comparing.sides import MOST_AFTER, MOST_BEFORE, picked, repair_meant, split
from obdwatch.comparing.wording import out_of_sight
from obdwatch.errors import InputError
from obdwatch.records import Event, EventKind, Session
from tests.comparing.drives import DAY


def drive(day: float | None, km: float | None = None) -> Session:
    return Session(f"d{day}-{km}", None if day is None else DAY + timedelta(days=day), "fern", km)


def repair(part: str, day: float, number: int, km: float | None = None) -> Event:
    return Event("fern", DAY + timedelta(days=day), EventKind.REPAIR, km, part, id=number)


LOG = (repair("thermostat", 10, 1), repair("ignition_coil:3", 30, 2), repair("spark_plugs", 30.2, 3))


def test_without_a_word_the_last_visit_is_meant_with_all_its_parts() -> None:
    assert repair_meant(None, LOG).parts == ("ignition_coil:3", "spark_plugs")
    assert repair_meant(None, ()).at is None


@pytest.mark.parametrize("text", ["1", "thermostat"])
def test_a_number_or_a_part_finds_an_earlier_repair(text: str) -> None:
    assert repair_meant(text, LOG).at == LOG[0].at


@pytest.mark.parametrize("text", ["ignition_coil", "ignition_coil:3"])
def test_a_part_is_found_in_its_place(text: str) -> None:
    assert repair_meant(text, LOG).parts == ("ignition_coil:3",)


def test_a_date_will_do() -> None:
    meant = repair_meant("2026-02-01T00:00:00+00:00", ())
    assert meant.at is not None
    assert meant.at.isoformat() == "2026-02-01T00:00:00+00:00"


@pytest.mark.parametrize(("text", "hint"), [("termostat", "thermostat"), ("9", "9"), ("soon", "date")])
def test_what_cannot_be_meant_is_refused_with_a_hint(text: str, hint: str) -> None:
    with pytest.raises(InputError, match=hint):
        repair_meant(text, LOG)


def test_drives_are_put_on_sides_by_date_or_else_by_odometer() -> None:
    meant = repair_meant("1", (repair("thermostat", 10, 1, 100_000.0),))
    sides = split([drive(9), drive(11), drive(None, 99_000.0), drive(None, 100_500.0), drive(None)], meant)
    assert [len(side) for side in (sides.before, sides.after, sides.undated)] == [2, 2, 1]


def test_another_repair_of_the_same_numbers_ends_the_side() -> None:
    events = (repair("coolant_pump", 7, 7), repair("thermostat", 10, 1), repair("battery", 12, 8),
              repair("thermostat", 20, 9))  # fmt: skip
    meant = repair_meant("1", events)
    sides = picked([drive(float(day) + 0.5) for day in range(25)], meant, events)
    starts = [(s.started_at - DAY).days for side in (sides.before, sides.after) for s in side if s.started_at]
    assert starts == [7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17]


def test_the_drives_nearest_to_the_repair_are_taken() -> None:
    sides = picked([drive(float(day) + 0.5) for day in range(60)], repair_meant("2", LOG), LOG)
    assert (len(sides.before), len(sides.after)) == (MOST_BEFORE, MOST_AFTER)
    assert sides.before[-1].started_at == DAY + timedelta(days=29.5)
    assert sides.after[0].started_at == DAY + timedelta(days=30.5)


@pytest.mark.parametrize("typed", ["spark plugs", "Spark-Plugs", "ignition coil:3"])
def test_a_part_is_found_by_its_name_as_everywhere_else(typed: str) -> None:
    assert repair_meant(typed, LOG).parts == (typed.lower().replace(" ", "_").replace("-", "_"),)


def test_a_part_of_the_users_own_catalogue_can_be_named() -> None:
    log = (repair("cabin_filter", 10, 1, 100_000.0), repair("battery", 20, 2, 101_000.0))
    assert repair_meant("cabin filter", log).odometer_km == 100_000.0


def test_three_parts_of_one_repair_are_listed_as_in_a_sentence() -> None:
    assert "(battery, drive belt and ignition coil 3)" in out_of_sight(["battery", "drive_belt", "ignition_coil:3"])
