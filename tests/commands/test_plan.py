"""`obdwatch plan` as a user types it: limits, trips, one part only, the sheet, and what it refuses."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from obdwatch.cli import run
from obdwatch.commands.plan_options import Calendar
from obdwatch.logbook.logbook import Logbook
from obdwatch.records import Car, Event, EventKind

NOW = datetime.now(UTC).replace(microsecond=0)


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A six-cylinder with 167,000 km, driven 8,000 km in the last half year."""
    folder = tmp_path / "logbook"
    logbook = Logbook(folder)
    logbook.add_car(Car("fern", "Fern", fuel="petrol", cylinders=6, layout="inline", coolant_pump="electric"))
    for days, km in ((180, 159_000.0), (0, 167_000.0)):
        logbook.add_event(Event("fern", NOW - timedelta(days=days), EventKind.ODOMETER, km))
    return folder


def said(capsys: pytest.CaptureFixture[str], book: Path, *options: str) -> str:
    """Run the command, which must succeed, and return what it prints."""
    assert run(["plan", "--logbook", str(book), *options]) == 0
    return capsys.readouterr().out


def refused(capsys: pytest.CaptureFixture[str], book: Path, *options: str) -> str:
    """Run the command, which must be refused with one line, and return the line."""
    assert run(["plan", "--logbook", str(book), *options]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    (line,) = shown.err.strip().splitlines()
    return line


def test_a_plan_says_what_when_why_and_what_other_ways_cost(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    text = said(capsys, book, "--units", "us")
    for wanted in (
        "Car Fern.",
        "The next 10,000 miles",
        "Visit 1, now:",
        "Left alone:",
        "Expected to cost",
        "the same jobs one by one:",
        "everything now:",
        "Reckoned with:",
        "licensed technician",
    ):
        assert wanted in text
    assert " km" not in text.replace("parts.toml", "")


def test_one_json_document_holds_the_whole_plan(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    document = json.loads(said(capsys, book, "--json", "--visits", "4", "--budget", "500", "--rate", "80"))
    plan = document["plan"]
    assert plan["proven"] is True
    assert all(visit["cost"] <= 500.0 + 1e-6 for visit in plan["visits"])
    assert document["wishes"]["visits_at"] == [0.0, 2500.0, 5000.0, 7500.0]
    done = [job for visit in plan["visits"] for job in visit["jobs"]]
    assert sorted([*done, *(left["part"] for left in plan["left_alone"])]) == sorted(
        r["part"] for r in document["risks"]
    )


def test_distances_are_in_the_units_of_the_screen(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    metric = json.loads(said(capsys, book, "--json", "--visit-at", "now", "--visit-at", "8046.72"))
    american = json.loads(said(capsys, book, "--json", "--visit-at", "0", "--visit-at", "5000", "--units", "us"))
    assert metric["wishes"]["visits_at"] == pytest.approx([0.0, 5000.0])
    assert american["wishes"]["visits_at"] == [0.0, 5000.0]


def test_a_day_is_turned_into_a_distance_by_what_the_log_shows(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    day = (NOW.astimezone() + timedelta(days=90)).date()
    document = json.loads(said(capsys, book, "--json", "--trip", f"1000@{day}", "--trip-risk", "30"))
    (trip,) = document["wishes"]["trips"]
    assert trip["at_miles"] == pytest.approx(4000.0 / 1.609344, rel=0.02)  # half of what half a year brought
    assert trip["length_miles"] == pytest.approx(1000.0 / 1.609344)
    assert trip["most_risk"] == pytest.approx(0.3)
    assert "(about " in said(capsys, book, "--budget", "130", "--hours", "2")


def test_what_is_decided_is_done_now_and_what_is_refused_is_not(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    options = ("--json", "--do", "radiator fan", "--refuse", "battery")
    plan = json.loads(said(capsys, book, *options))["plan"]
    assert "radiator_fan" in plan["visits"][0]["jobs"]
    assert "battery" in [left["part"] for left in plan["left_alone"]]


def test_only_one_part_says_what_follows(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    text = said(capsys, book, "--only", "thermostat")
    assert text.startswith("Only the thermostat, now:")
    assert "more than the plan" in text
    only = json.loads(said(capsys, book, "--only", "thermostat", "--json"))["only"]
    assert only["part"] == "thermostat"
    assert only["more_than_plan"] > 0.0


def test_the_sheet_comes_as_text_and_as_a_page(capsys: pytest.CaptureFixture[str], book: Path, tmp_path: Path) -> None:
    text = said(capsys, book, "--sheet", "1")
    assert text.startswith("Job sheet of Fern: visit 1, now")
    assert "come from the maker's manual" in text
    page = tmp_path / "sheet.html"
    assert said(capsys, book, "--sheet", "1", "--out", str(page)) == f"Written: {page}\n"
    assert page.read_text("utf-8").startswith("<!doctype html>")
    plain = tmp_path / "sheet.txt"
    said(capsys, book, "--sheet", "1", "--out", str(plain))
    assert plain.read_text("utf-8") == text
    assert "exists already" in refused(capsys, book, "--sheet", "1", "--out", str(page))


@pytest.mark.parametrize(
    ("options", "hint"),
    [
        (("--car", "nobody"), "no car 'nobody'"),
        (("--do", "thermostt"), "did you mean 'thermostat'?"),
        (("--only", "flux"), "this car has no part 'flux'"),
        (("--budget", "-3"), "not a number of zero or more"),
        (("--visits", "9"), "9 is not in the range"),
        (("--visit-at", "soon"), "a distance from now, a day like"),
        (("--visit-at", "99999"), "visits must lie between now and"),
        (("--visit-at", "2001-01-01"), "is in the past"),
        (("--trip", "1500"), "write LENGTH@WHEN"),
        (("--trip", "far@now"), "the length of the trip before the @"),
        (("--trip", "2000@now", "--budget", "20"), "raise the budget per visit from 20"),
        (("--sheet", "7"), "the plan has no visit 7"),
        (("--out", "sheet.html"), "--out goes with --sheet"),
        (("--sheet", "1", "--only", "battery"), "either --only or --sheet"),
        (("--sheet", "1", "--out", "sheet.doc"), "ends in .html"),
    ],
)
def test_what_it_cannot_do_it_says_in_one_line(
    capsys: pytest.CaptureFixture[str], book: Path, options: tuple[str, ...], hint: str
) -> None:
    assert hint in refused(capsys, book, *options)


def test_without_a_car_or_with_several_it_asks_which(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    folder = tmp_path / "book"
    assert "'obdwatch car add' adds one" in refused(capsys, folder)
    for name in ("ash", "fern"):
        Logbook(folder).add_car(Car(name))
    assert "there are ash, fern" in refused(capsys, folder)


def test_a_day_needs_to_know_how_far_the_car_is_driven(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    folder = tmp_path / "book"
    Logbook(folder).add_car(Car("fern"))
    day = str(datetime.now().astimezone().date() + timedelta(days=30))
    assert "--per-year" in refused(capsys, folder, "--visit-at", day)
    assert said(capsys, folder, "--visit-at", day, "--per-year", "15000")


def test_a_calendar_reads_distances_as_they_are_typed() -> None:
    calendar = Calendar(date(2026, 3, 1), None, "metric")
    assert calendar.miles_from_now("--visit-at", "1,609.344") == pytest.approx(1000.0)
    assert calendar.miles_from_now("--visit-at", " NOW ") == 0.0
