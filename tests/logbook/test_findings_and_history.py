"""What was found in the drives of a logbook: findings and features come back, and make the next drive's history."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from obdwatch.errors import LogbookError
from obdwatch.logbook.logbook import AnalysisOrigin, Logbook
from obdwatch.records import (
    Finding,
    History,
    Verdict,
)
from tests.logbook.fixtures import DAY, FINDING, add_drive, day, event, feature


def test_findings_come_back_equal_and_in_order(book: Logbook) -> None:
    add_drive(book, "a")
    quiet = Finding("charging", Verdict.NOT_ENOUGH_DATA, drive_to_get="Drive for ten minutes.")
    book.save_analysis("a", (FINDING, quiet), ())
    assert book.findings("a") == (FINDING, quiet)
    book.save_analysis("a", (quiet,), ())
    assert book.findings("a") == (quiet,)
    assert book.findings("nothing") == ()


def test_features_carry_date_and_odometer_of_their_drive(book: Logbook) -> None:
    add_drive(book, "a", DAY, 1000.0)
    given = feature("a", 71.5, interval=(70.0, 73.0), at=DAY, odometer_km=1000.0, healthy=False)
    book.save_analysis("a", (), (given, feature("a", math.nan)))
    assert book.features("a") == (given,)
    book.edit_session("a", odometer_km=1010.0)
    assert book.features("a")[0].odometer_km == 1010.0


def test_an_analysis_of_an_unknown_drive_is_refused(book: Logbook) -> None:
    with pytest.raises(LogbookError, match="has no drive 'a'"):
        book.save_analysis("a", (FINDING,), ())


def test_history_holds_what_came_before(book: Logbook) -> None:
    for name, number, km in (("c", 3, 1300.0), ("a", 1, 1100.0), ("b", 2, 1200.0)):
        add_drive(book, name, day(number), km)
        book.save_analysis(name, (), (feature(name, float(number)),))
    add_drive(book, "other", day(1), 50.0, car_id="other-car")
    book.save_analysis("other", (), (feature("other", 99.0),))
    before = book.add_event(event(at=day(2.5)))
    book.add_event(event(at=day(4)))
    history = book.history_before("c")
    assert [(one.session_id, one.value, one.odometer_km) for one in history.features] == [
        ("a", 1.0, 1100.0), ("b", 2.0, 1200.0),
    ]  # fmt: skip
    assert history.events == (before,)
    assert book.history_before("a") == History()


def test_history_of_an_undated_drive_goes_by_the_odometer(book: Logbook) -> None:
    add_drive(book, "dated", day(1), 1000.0)
    add_drive(book, "undated", None, 2000.0)
    add_drive(book, "later", day(2), 3000.0)
    add_drive(book, "nothing known", None, None)
    for one in book.sessions():
        book.save_analysis(one.id, (), (feature(one.id, 1.0),))
    assert [one.session_id for one in book.history_before("undated").features] == ["dated"]
    assert [one.session_id for one in book.history_before("later").features] == ["dated", "undated"]
    assert book.history_before("nothing known") == History()


def test_what_is_kept_of_earlier_drives_is_read_anew_where_it_changed(book: Logbook) -> None:
    def seen() -> list[tuple[str, float, float | None]]:
        return [(one.session_id, one.value, one.odometer_km) for one in past.before(book.session("c")).features]

    for name, number in (("a", 1), ("b", 2), ("c", 3)):
        add_drive(book, name, day(number), 1000.0 + 100 * number)
    past = book.histories()
    book.save_analysis("b", (), (feature("b", 2.0),), AnalysisOrigin("first"))
    assert seen() == [("b", 2.0, 1200.0)]
    book.save_analysis("a", (), (feature("a", 1.0),))  # nobody says what it was made from
    assert seen() == [("a", 1.0, 1100.0), ("b", 2.0, 1200.0)]
    book.save_analysis("a", (), (feature("a", 1.5),))
    book.save_analysis("b", (), (feature("b", 2.5),), AnalysisOrigin("second"))
    assert seen() == [("a", 1.5, 1100.0), ("b", 2.5, 1200.0)]
    book.edit_session("b", odometer_km=1050.0)  # dates decide what is earlier, the odometer in which order
    assert seen() == [("b", 2.5, 1050.0), ("a", 1.5, 1100.0)]
    book.remove_session("a")
    assert seen() == [("b", 2.5, 1050.0)]


def test_a_history_may_be_asked_for_some_features_only(book: Logbook) -> None:
    for name, number in (("a", 1), ("b", 2)):
        add_drive(book, name, day(number))
    several = [replace(feature("a", 10.0 + number), name=f"number_{number}") for number in range(4)]
    book.save_analysis("a", (), several)
    every = book.history_before("b").features
    assert len(every) == len(several)
    some = book.history_before("b", lambda detector, name: detector == several[0].detector and name in "number_2")
    assert some.features == tuple(one for one in every if one.name == "number_2")
    assert book.history_before("b", lambda _detector, _name: False).features == ()


def test_a_removed_drive_is_no_history(book: Logbook) -> None:
    add_drive(book, "a", day(1))
    book.save_analysis("a", (), (feature("a", 1.0),))
    add_drive(book, "b", day(2))
    book.remove_session("a")
    assert book.history_before("b").features == ()


def test_a_drive_without_a_car_has_no_history(book: Logbook) -> None:
    add_drive(book, "a", car_id=None)
    assert book.history_before("a") == History()
