"""The file of the demo's story, and recording from it: wrong entries are named, and the same story records the same."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from obdwatch.errors import InputError
from obdwatch.recording.session_file import read_session
from obdwatch.records import MarkKind
from obdwatch.simulation.memory import CodeMemory
from obdwatch.story import FILE, FOLDER, read_story
from obdwatch.story_recording import (
    faults_at,
    first_memory,
    memory_before,
    record_drive,
    trip_of,
    virtual_car,
)

WHOLE = (FOLDER / FILE).read_text("utf-8")
MILE = 1.609344  # km


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("miles = 101_800", "kilometres = 101_800", r"drive 1: 'kilometres' is not known; there may be .*miles"),
        ("miles = 101_800", "", r"drive 1: 'miles' must be a number of miles"),
        ("at = 2026-02-09T06:40:00Z", "at = 2026-02-09T06:40:00", r"drive 1: 'at' needs a zone"),
        ("at = 2026-02-09T06:40:00Z", "at = 'Monday'", r"drive 1: 'at' must be a date and time"),
        ('kind = "refuel"', 'kind = "tank"', r"event 2: kind 'tank' is none of repair, "),
        ("severity = [0.05, 0.42]", "severity = [0.05]", r"wear 1: 'severity' must be two numbers"),
        ("cylinders = 6", "cylinders = 5", r"bank_cylinders .* does not match cylinders = 5"),
        ("seed = 101", "seed = true", r"drive 1: 'seed' must be a whole number"),
        ("[car]", "[car", r"is no TOML"),
    ],
)
def test_a_wrong_entry_is_named(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in WHOLE
    path = tmp_path / FILE
    path.write_text(WHOLE.replace(old, new, 1), "utf-8")
    with pytest.raises(InputError, match=message) as raised:
        read_story(path)
    assert str(path) in str(raised.value)
    assert "\n" not in str(raised.value)


def test_a_missing_story_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"is not there .*; run obdwatch from a whole checkout"):
        read_story(tmp_path / FILE)


def test_a_coil_that_is_swapped_is_worn_in_its_new_place_only() -> None:
    story = read_story()
    before, after, repaired = (faults_at(story, miles * MILE) for miles in (104_839, 104_900, 105_100))
    assert [(one.fault.name, one.place) for one in before] == [("ignition_coil", 4)]
    assert [(one.fault.name, one.place) for one in after] == [("ignition_coil", 2)]
    assert after[0].severity == pytest.approx(before[0].severity, abs=0.02)  # the same coil
    assert repaired == ()


def test_wear_grows_evenly_between_its_ends() -> None:
    story = read_story()
    (coil, *_) = story.wears
    at = [coil.from_km + share * (coil.until_km - coil.from_km) for share in (0.0, 0.5, 1.0)]
    severities = [faults_at(story, km)[0].severity for km in at]
    assert severities == pytest.approx([0.05, (0.05 + 0.42) / 2.0, 0.42])


def test_a_condition_that_is_not_known_is_refused() -> None:
    drive = replace(read_story().drives[0], conditions={"snow": 1.0})
    with pytest.raises(InputError, match=r"condition 'snow' is not known; there are air_conditioning, "):
        trip_of(drive)


def test_an_adapter_that_is_not_known_is_refused(tmp_path: Path) -> None:
    story = read_story()
    drive = replace(story.drives[2], adapter="telepathic")
    with pytest.raises(InputError, match=r"adapter 'telepathic' is none of wireless, wired"):
        record_drive(virtual_car(story, drive, first_memory(story)), story, drive, tmp_path)


def test_the_weather_of_a_drive_is_that_of_the_story() -> None:
    trip = trip_of(read_story().drives[0])
    assert (trip.weather.ambient, trip.soak_hours) == (-3.0, 12.0)


def test_erasing_leaves_only_the_permanent_code_for_the_next_drive() -> None:
    story = read_story()
    before, after = story.drives[5], story.drives[6]
    kept = replace(
        first_memory(story),
        odometer_km=before.odometer_km + 20.0,
        codes=(CodeMemory("P0302", pending=True, confirmed=True, permanent=True),),
    )
    memory = memory_before(story, after, kept)
    assert memory.odometer_km == after.odometer_km
    assert [(one.code, one.confirmed, one.permanent) for one in memory.codes] == [("P0302", False, True)]


def test_the_same_story_records_the_same(tmp_path: Path) -> None:
    story = read_story()
    drive = replace(story.drives[0], link_faults=("link_loss@25:3",))
    found = []
    for name in ("first", "second"):
        virtual = virtual_car(story, drive, first_memory(story))
        virtual.trip = replace(virtual.trip, key_off_at=35.0)
        found.append(read_session(record_drive(virtual, story, drive, tmp_path / name)))
    first, second = found
    assert first.session == second.session
    assert (first.request, first.payload, first.status) == (second.request, second.payload, second.status)
    assert first.t.tolist() == second.t.tolist()
    assert len(first.t) > 50
    assert any(mark.kind is MarkKind.LINK_LOST for mark in first.marks)
