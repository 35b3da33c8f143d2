"""What the pages keep of a car: the same until its logbook changes, whoever changes it and however little."""

from __future__ import annotations

import os
import sqlite3
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboards.garage import MOST_KEPT, Garage
from obdwatch.car_risks import risks_over_drives
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SUFFIX, SessionWriter
from obdwatch.records import Event, EventKind, Urgency
from tests.dashboards.samples import CAR, FAULT, HEALTHY, session


@pytest.fixture
def logbook(tmp_path: Path) -> Logbook:
    made = Logbook(tmp_path / "logbook")
    made.add_car(CAR)
    for day in (10, 11, 12):
        told = replace(session(f"day-{day}", day), odometer_km=170_000.0 + day)
        path = made.sessions_folder / f"{told.id}{SUFFIX}"
        SessionWriter(path, told).close()
        made.add_session(path)
        made.save_analysis(told.id, [HEALTHY], [])
    return made


def state(garage: Garage) -> object:
    known = garage.car(CAR.id)
    assert known is not None
    return garage.state(known, "metric")


def test_state_is_kept_while_nothing_changes(logbook: Logbook) -> None:
    garage = Garage(logbook)
    assert state(garage) is state(garage)


def test_state_is_new_after_a_drive_was_judged_anew(logbook: Logbook) -> None:
    """As many findings as before, but another verdict; from another program."""
    garage = Garage(logbook)
    before = state(garage)
    Logbook(logbook.directory).save_analysis("day-12", [replace(FAULT, urgency=Urgency.SOON)], [])
    assert state(garage) != before


def test_state_is_new_after_an_entry_and_after_the_own_parts_file(logbook: Logbook) -> None:
    garage = Garage(logbook)
    first = state(garage)
    at = datetime(2026, 1, 15, tzinfo=UTC)
    logbook.add_event(Event(CAR.id, at, EventKind.REPAIR, 170_020.0, "thermostat"))
    second = state(garage)
    assert second != first
    (logbook.directory / "parts.toml").write_text('currency = "EUR"\n', "utf-8")
    assert state(garage) is not second


def test_many_clicks_at_once_reckon_each_state_once(logbook: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """More states than are kept, asked for by several threads: each is answered, and nobody reckons beside another."""
    made = []
    monkeypatch.setattr(Garage, "_state", lambda _self, _known, units: made.append(units) or time.sleep(0.02) or units)
    garage = Garage(logbook)
    known = garage.car(CAR.id)
    assert known is not None
    asked = [f"units {number}" for number in range(MOST_KEPT)]
    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(lambda units: garage.state(known, units), asked * 4)) == asked * 4
    assert sorted(made) == asked
    with ThreadPoolExecutor(8) as pool:
        more = [f"units {number}" for number in range(3 * MOST_KEPT)]
        assert list(pool.map(lambda units: garage.state(known, units), more * 2)) == more * 2


def test_findings_of_all_drives_are_those_of_each(logbook: Logbook) -> None:
    logbook.save_analysis("day-11", [FAULT, HEALTHY], [])
    logbook.save_analysis("day-12", [], [])
    every = logbook.findings_of(one.id for one in logbook.sessions())
    assert every == {"day-10": (HEALTHY,), "day-11": (FAULT, HEALTHY), "day-12": ()}
    assert logbook.analysed() == frozenset(one for one, found in every.items() if found)
    assert all(found == logbook.findings(one) for one, found in every.items())
    answered = {one: tuple((each.detector, each.verdict) for each in found) for one, found in every.items() if found}
    answers = logbook.answers(CAR.id)
    assert {one: tuple((each.detector, each.verdict) for each in found) for one, found in answers.items()} == answered


def test_stamp_changes_though_size_and_time_of_the_file_do_not(logbook: Logbook) -> None:
    """A coarse clock of a memory card gives two changes one time; SQLite's own counter tells them apart."""
    path = logbook.directory / "logbook.sqlite3"
    before, times = logbook.stamp(), path.stat()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE session SET modified = modified + 1")
    connection.close()
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert path.stat().st_mtime_ns == times.st_mtime_ns
    assert logbook.stamp() != before


def test_many_drives_are_thinned_for_the_picture_and_the_newest_stays(logbook: Logbook) -> None:
    every = risks_over_drives(logbook, CAR.id)
    thinned = risks_over_drives(logbook, CAR.id, most=2)
    assert [one.id for one, _ in every] == ["day-10", "day-11", "day-12"]
    assert thinned == (every[0], every[-1])
