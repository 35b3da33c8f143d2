"""Cars, drives and entries of a logbook: kept, found, corrected, taken out and put back."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from obdwatch.errors import InputError, LogbookError, ProfileError, SessionFileError
from obdwatch.logbook.logbook import Logbook, default_directory
from obdwatch.records import (
    Car,
    Event,
    EventKind,
    Session,
)
from tests.logbook.fixtures import CAR, DAY, FINDING, add_drive, day, event, feature, session_file

# Cars


def test_a_car_comes_back_as_it_was_described(book: Logbook) -> None:
    assert book.car("family-car") == CAR
    assert book.cars() == (CAR,)
    assert Logbook(book.directory).cars() == (CAR,)


def test_a_car_of_which_only_the_name_is_known(book: Logbook) -> None:
    book.add_car(Car("other"))
    assert book.car("other") == Car("other")


def test_an_unknown_car_is_none(book: Logbook) -> None:
    assert book.car("nobody") is None


def test_a_second_car_with_the_same_id_is_refused(book: Logbook) -> None:
    with pytest.raises(LogbookError, match="there is a car 'family-car' already"):
        book.add_car(Car("family-car"))
    assert book.car("family-car") == CAR


def test_a_car_can_be_changed(book: Logbook) -> None:
    book.save_car(replace(CAR, name="The blue one"))
    assert book.cars() == (replace(CAR, name="The blue one"),)


def test_a_contradictory_car_never_gets_in(book: Logbook) -> None:
    for keep in (book.add_car, book.save_car):
        with pytest.raises(ProfileError, match="bank_cylinders"):
            keep(Car("new", cylinders=4, bank_cylinders=((1, 2, 3), (4, 5, 6))))
    assert len(book.cars()) == 1


def test_a_car_with_entries_is_not_lost_by_a_slip(book: Logbook) -> None:
    book.add_event(event())
    with pytest.raises(LogbookError, match="'family-car' has 1 log entries"):
        book.remove_car("family-car")
    assert book.remove_car("family-car", with_events=True) == CAR
    assert (book.cars(), book.events()) == ((), ())


def test_removing_nobody_names_who_is_there(book: Logbook) -> None:
    with pytest.raises(LogbookError, match="no car 'nobody'; the logbook has family-car"):
        book.remove_car("nobody")


# The log


@pytest.mark.parametrize("kind", EventKind)
def test_every_kind_of_entry_is_kept(book: Logbook, kind: EventKind) -> None:
    added = book.add_event(event(kind, odometer_km=163800.0, note="a word"))
    assert book.events("family-car") == (added,)
    assert replace(added, id=None) == event(kind, odometer_km=163800.0, note="a word")


def test_entries_are_listed_by_date_and_in_utc(book: Logbook) -> None:
    from datetime import timezone

    late = book.add_event(event(at=day(3)))
    early = book.add_event(event(at=datetime(2026, 3, 1, 9, 0, tzinfo=timezone(timedelta(hours=5)))))
    assert [one.id for one in book.events()] == [early.id, late.id]
    assert book.events()[0].at == datetime(2026, 3, 1, 4, 0, tzinfo=UTC)
    assert book.events("other") == ()


def test_an_entry_can_be_changed_and_taken_out_and_put_back(book: Logbook) -> None:
    added = book.add_event(event())
    book.edit_event(replace(added, note="smelt of oil"))
    assert [one.note for one in book.events()] == ["smelt of oil"]
    assert added.id is not None
    removed = book.remove_event(added.id)
    assert book.events() == ()
    assert book.add_event(removed).note == "smelt of oil"


def test_an_entry_that_is_not_there_is_said(book: Logbook) -> None:
    for act in (lambda: book.remove_event(7), lambda: book.edit_event(replace(event(), id=7))):
        with pytest.raises(LogbookError, match="the log has no entry 7"):
            act()


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (event(EventKind.REPAIR, part=None), "'repair' needs its part"),
        (event(EventKind.INSPECTION, answer=""), "'inspection' needs its answer"),
        (event(EventKind.ODOMETER, odometer_km=None), "'odometer' needs its odometer_km"),
        (event(EventKind.NOTE, note=""), "'note' needs its note"),
        (event(odometer_km=-1.0), "odometer_km is -1.0"),
        (event(odometer_km=math.nan), "odometer_km is nan"),
        (event(EventKind.REPAIR, part="the thermostat"), "part 'the thermostat' cannot be used"),
        (event(at=datetime(2026, 3, 1)), "needs its time zone"),  # noqa: DTZ001
    ],
)
def test_an_entry_that_says_too_little_is_refused(book: Logbook, wrong: Event, message: str) -> None:
    with pytest.raises(InputError, match=message):
        book.add_event(wrong)
    assert book.events() == ()


def test_one_cylinder_of_a_part_may_be_named(book: Logbook) -> None:
    assert book.add_event(event(EventKind.REPAIR, part="ignition_coil:3")).part == "ignition_coil:3"


def test_an_entry_for_an_unknown_car_is_refused(book: Logbook) -> None:
    with pytest.raises(LogbookError, match="there is no car 'nobody'"):
        book.add_event(replace(event(), car_id="nobody"))


# Odometer


def test_odometers_that_fit_are_silent(book: Logbook) -> None:
    add_drive(book, "a", day(0), 1000.0)
    add_drive(book, "b", day(1), 1800.0)
    book.add_event(event(EventKind.ODOMETER, day(1.1), odometer_km=1799.5))  # rounded
    assert book.odometer_warnings("family-car") == ()


def test_an_odometer_that_goes_back_names_both_readings(book: Logbook) -> None:
    add_drive(book, "a", day(0), 5000.0)
    book.add_event(event(EventKind.REFUEL, day(2), odometer_km=4000.0))
    add_drive(book, "b", day(3), 5100.0)
    (warning,) = book.odometer_warnings("family-car")
    assert "log entry 1 (refuel) has 4,000 km on 2026-03-03" in warning
    assert "5,000 km of the drive a on 2026-03-01" in warning


def test_an_odometer_that_leaps_is_said(book: Logbook) -> None:
    add_drive(book, "a", day(0), 5000.0)
    add_drive(book, "b", day(1), 8000.0)
    assert "gained 3,000 km" in book.odometer_warnings("family-car")[0]


# Sessions


def test_a_drive_is_indexed_where_it_lies(book: Logbook, tmp_path: Path) -> None:
    path = session_file(tmp_path / "elsewhere", "2026-03-01T0710-abcd", odometer_km=163800.0)
    session = book.add_session(path)
    assert session == Session(
        "2026-03-01T0710-abcd", DAY, "family-car", 163800.0, 8.5, "an adapter", "a protocol", {0x7E8: (5, 12)},
        note="as recorded",
    )  # fmt: skip
    assert book.sessions() == (session,)
    assert book.path_of(session.id) == path
    assert Logbook(book.directory).session(session.id) == session


def test_drives_are_listed_in_order_and_filtered(book: Logbook) -> None:
    add_drive(book, "b", day(2), 2000.0)
    add_drive(book, "a", day(1), 1000.0)
    add_drive(book, "x", None, None)
    add_drive(book, "other", day(1.5), 9000.0, car_id="other-car")
    assert [s.id for s in book.sessions()] == ["x", "a", "other", "b"]
    assert [s.id for s in book.sessions("family-car")] == ["x", "a", "b"]
    assert [s.id for s in book.sessions(since=day(1.2))] == ["other", "b"]
    assert [s.id for s in book.sessions(since=day(1), until=day(2))] == ["a", "other"]
    assert [s.id for s in book.sessions("family-car", odometer_km=(500, 1500))] == ["a"]


def test_a_drive_is_found_by_an_unambiguous_beginning(book: Logbook) -> None:
    add_drive(book, "2026-03-01T0710-aaaa")
    add_drive(book, "2026-03-01T0710-aabb")
    assert book.session("2026-03-01T0710-aab").id == "2026-03-01T0710-aabb"
    with pytest.raises(LogbookError, match="may be several drives: 2026-03-01T0710-aaaa, 2026-03-01T0710-aabb"):
        book.session("2026-03")
    for name in ("", "nothing", "%", "2026_03"):
        with pytest.raises(LogbookError, match="has no drive"):
            book.path_of(name)


def test_a_file_is_its_own_name(book: Logbook, tmp_path: Path) -> None:
    path = session_file(tmp_path, "loose")
    assert book.path_of(path) == path
    assert book.path_of(str(path)) == path


def test_what_is_no_session_is_not_indexed(book: Logbook, tmp_path: Path) -> None:
    (tmp_path / "x.obdw").write_text("no session", "utf-8")
    with pytest.raises(SessionFileError, match=r"x\.obdw"):
        book.add_session(tmp_path / "x.obdw")
    assert book.sessions() == ()


def test_the_same_drive_twice_is_refused_and_moved_is_followed(book: Logbook, tmp_path: Path) -> None:
    first = session_file(tmp_path / "one", "a")
    book.add_session(first)
    second = tmp_path / "two.obdw"
    shutil.copy(first, second)
    with pytest.raises(LogbookError, match=r"the drive a is in the logbook already, as .*one"):
        book.add_session(second)
    first.unlink()
    book.add_session(second)
    assert book.path_of("a") == second


def test_corrections_stand_above_the_file_and_leave_it_alone(book: Logbook) -> None:
    add_drive(book, "a", car_id=None)
    data = book.path_of("a").read_bytes()
    session = book.edit_session("a", car_id="family-car", odometer_km=1234.0)
    assert (session.car_id, session.odometer_km, session.note) == ("family-car", 1234.0, "as recorded")
    session = book.edit_session("a", note="cold start")
    assert (session.car_id, session.odometer_km, session.note) == ("family-car", 1234.0, "cold start")
    assert [one.id for one in book.sessions("family-car")] == ["a"]
    assert book.path_of("a").read_bytes() == data


def test_wrong_corrections_are_refused(book: Logbook) -> None:
    add_drive(book, "a")
    with pytest.raises(LogbookError, match="no car 'nobody'"):
        book.edit_session("a", car_id="nobody")
    with pytest.raises(LogbookError, match="odometer_km is -5"):
        book.edit_session("a", odometer_km=-5)


def test_a_removed_drive_can_be_put_back_with_all_that_was_known(book: Logbook) -> None:
    add_drive(book, "a")
    path = book.path_of("a")
    book.edit_session("a", note="cold start")
    book.save_analysis("a", (FINDING,), (feature("a", 1.0),))
    book.remove_session("a")
    assert book.sessions() == ()
    assert book.removed_sessions() == ("a",)
    assert not path.exists()
    assert [one.name for one in (book.directory / "removed").iterdir()] == ["a.obdw"]
    assert book.rescan().added == ()
    assert book.restore_session("a").note == "cold start"
    assert book.findings("a") == (FINDING,)
    assert path.exists()
    assert book.removed_sessions() == ()
    with pytest.raises(LogbookError, match="no drive 'a' was removed"):
        book.restore_session("a")


def test_a_removed_drive_of_the_users_own_folder_stays_where_it_is(book: Logbook, tmp_path: Path) -> None:
    path = session_file(tmp_path / "mine", "a")
    book.add_session(path)
    book.remove_session("a")
    assert path.exists()
    assert book.restore_session("a").id == "a"


def test_two_removed_drives_of_one_name_both_stay(book: Logbook) -> None:
    for note in ("first", "second"):
        add_drive(book, "a")
        book.edit_session("a", note=note)
        book.remove_session("a")
    assert sorted(one.name for one in (book.directory / "removed").iterdir()) == ["a-2.obdw", "a.obdw"]


def test_a_drive_that_is_still_recorded_is_not_moved(book: Logbook) -> None:
    from obdwatch.recording.session_file import SessionWriter

    path = book.sessions_folder / "a.obdw"
    with SessionWriter(path, Session("a", DAY)) as writer:
        writer.sample("engine_speed", 0.0, 800.0)
        writer.commit()
        book.add_session(path)
        with pytest.raises(LogbookError, match="is still being recorded"):
            book.remove_session("a")
        assert [one.id for one in book.sessions()] == ["a"]


# The index


def test_a_rescan_finds_new_files_and_drops_missing_ones(book: Logbook) -> None:
    add_drive(book, "gone")
    book.path_of("gone").unlink()
    session_file(book.sessions_folder, "new")
    session_file(book.sessions_folder / "2026", "deeper")
    (book.sessions_folder / "bad.obdw").write_text("no session", "utf-8")
    report = book.rescan()
    assert (sorted(report.added), report.gone) == (["deeper", "new"], ("gone",))
    assert len(report.problems) == 1
    assert "bad.obdw" in report.problems[0]
    assert book.rescan().added == ()


def test_a_rebuild_keeps_what_only_the_keeper_knows(book: Logbook, tmp_path: Path) -> None:
    add_drive(book, "a")
    book.add_session(session_file(tmp_path / "mine", "b"))
    book.edit_session("a", note="cold start")
    entry = book.add_event(event())
    book.save_analysis("a", (FINDING,), (feature("a", 1.0),))
    assert sorted(book.rebuild().added) == ["a", "b"]
    assert book.session("a").note == "cold start"
    assert (book.cars(), book.events()) == ((CAR,), (entry,))
    assert (book.findings("a"), book.features("a")) == ((), ())


def test_drives_are_found_again_when_the_database_is_lost(book: Logbook) -> None:
    add_drive(book, "a")
    (book.directory / "logbook.sqlite3").unlink()
    assert [one.id for one in Logbook(book.directory).sessions()] == ["a"]


def test_the_folder_can_be_moved(book: Logbook, tmp_path: Path) -> None:
    add_drive(book, "a")
    shutil.move(book.directory, tmp_path / "moved")
    moved = Logbook(tmp_path / "moved")
    assert moved.path_of("a") == tmp_path / "moved" / "sessions" / "a.obdw"


# The keeper's data


def test_user_data_can_be_carried_to_another_logbook(book: Logbook, tmp_path: Path) -> None:
    add_drive(book, "a")
    book.edit_session("a", odometer_km=5.0)
    for kind in EventKind:
        book.add_event(event(kind))
    text = book.export_user_data()
    other = Logbook(tmp_path / "other")
    new = other.import_user_data(text)
    assert (len(new.cars), len(new.events)) == (1, len(EventKind))
    assert other.cars() == (CAR,)
    assert [replace(one, id=None) for one in other.events()] == [replace(one, id=None) for one in book.events()]
    other.add_session(book.path_of("a"))
    assert other.session("a").odometer_km == 5.0
    again = other.import_user_data(text)
    assert (again.cars, again.events) == ((), ())
    assert other.export_user_data() == text


def test_a_differing_car_is_replaced_only_when_asked(book: Logbook, tmp_path: Path) -> None:
    text = book.export_user_data()
    other = Logbook(tmp_path / "other")
    other.add_car(Car("family-car", "mine"))
    with pytest.raises(LogbookError, match="'family-car' is here with other contents"):
        other.import_user_data(text)
    assert other.car("family-car") == Car("family-car", "mine")
    other.import_user_data(text, replace_cars=True)
    assert other.car("family-car") == CAR


@pytest.mark.parametrize(
    "text",
    [
        "", "[]", "{}", '{"obdwatch_logbook": 99}', '{"obdwatch_logbook": 1, "cars": 5}',
        '{"obdwatch_logbook": 1, "cars": [{"id": "a", "cylinders": -3}]}',
        '{"obdwatch_logbook": 1, "events": [{"car_id": "a"}]}',
        '{"obdwatch_logbook": 1, "events": [{"car_id": "a", "at": "2026-03-01T00:00:00+00:00", "kind": "party"}]}',
        '{"obdwatch_logbook": 1, "events": [{"car_id": 5, "at": "2026-03-01T00:00:00+00:00", "kind": "note"}]}',
        '{"obdwatch_logbook": 1, "session_edits": [{"odometer_km": "x"}]}',
    ],
)  # fmt: skip
def test_damaged_user_data_changes_nothing(book: Logbook, text: str) -> None:
    with pytest.raises(LogbookError) as caught:
        book.import_user_data(text)
    assert "\n" not in str(caught.value)
    assert (book.cars(), book.events()) == ((CAR,), ())


def test_the_default_place_is_the_users_own() -> None:
    assert default_directory().name == "obdwatch"
    assert default_directory().is_absolute()
