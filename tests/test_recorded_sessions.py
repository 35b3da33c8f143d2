"""The recorded sessions that ship with the project: each is described, whole, and says what its story says.

What was found in them is that of the demo played once for all tests, with the history of the drives before each.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from obdwatch.decoding.vehicle_information import vin_fits
from obdwatch.logbook.logbook import Logbook
from obdwatch.parts.inspection import read_questions
from obdwatch.recording.session_file import SUFFIX, SessionContents, read_session
from obdwatch.records import EventKind, Finding, MarkKind, Verdict
from obdwatch.signals.drives import load_drive
from obdwatch.story import FOLDER, StoryDrive, read_story
from tests.conftest import ToldStory

SESSIONS = sorted(FOLDER.glob(f"*{SUFFIX}"))
LARGEST = 15 * 1024 * 1024  # bytes, of all together
KM_PER_MILE = 1.609344  # exact (NIST Special Publication 811)
STORY = read_story()
RECORDED = tuple(drive for drive in STORY.drives if not drive.live)

Said = Mapping[str, Mapping[str, Finding]]
Codes = Mapping[str, set[tuple[str, str]]]


@pytest.fixture(scope="session")
def said(told_story: ToldStory) -> Said:
    """What every detector said of every drive, by date and detector."""
    with Logbook(told_story.folder) as logbook:
        return {
            f"{drive.at:%Y-%m-%d}": {finding.detector: finding for finding in logbook.findings(drive.id)}
            for drive in STORY.drives
        }


@pytest.fixture(scope="session")
def codes(told_story: ToldStory) -> Codes:
    """The trouble codes each drive read, as (memory, code), by date."""
    drives = {drive.id: f"{drive.at:%Y-%m-%d}" for drive in STORY.drives}
    return {
        drives[step["session_id"]]: {(one["kind"], one["code"]) for one in step["codes"]}
        for step in told_story.document["steps"]
        if step["session_id"]
    }


@cache
def contents(path: Path) -> SessionContents:
    return read_session(path)


def measure(finding: Finding, name: str) -> float:
    return next(one.value for one in finding.measures if one.name == name)


# The files


def test_the_sessions_are_those_of_the_story_and_stay_small() -> None:
    assert [path.name for path in SESSIONS] == [drive.file_name for drive in RECORDED]
    assert sum(path.stat().st_size for path in FOLDER.iterdir() if path.is_file()) <= LARGEST


@pytest.mark.parametrize("path", SESSIONS, ids=lambda path: path.stem)
def test_each_is_described_and_whole(path: Path) -> None:
    assert f"`{path.stem}`" in (FOLDER / "README.md").read_text("utf-8")
    assert contents(path).problems == ()
    assert [other.name for other in path.parent.glob(f"{path.name}-*")] == []  # closed: no log beside it


@pytest.mark.parametrize("drive", RECORDED, ids=lambda drive: f"{drive.at:%Y-%m-%d}")
def test_each_tells_of_itself_what_the_story_tells(drive: StoryDrive) -> None:
    session = contents(FOLDER / drive.file_name).session
    assert (session.id, session.car_id, session.note) == (drive.id, STORY.car.id, drive.note)
    assert session.odometer_km == drive.odometer_km
    assert session.started_at is not None
    assert timedelta(0) <= session.started_at - drive.at < timedelta(minutes=1)


@pytest.mark.parametrize("path", [SESSIONS[2], SESSIONS[-1]], ids=lambda path: path.stem)
def test_the_cars_own_odometer_agrees_with_the_owners_reading(path: Path) -> None:
    # Parameter A6 of SAE J1979-DA, in steps of 0.1 km: the car counts for itself, the owner wrote the reading down.
    drive = load_drive(path)
    counted = drive.signals["odometer"].values
    assert counted[0] == pytest.approx(drive.session.odometer_km, abs=0.15)
    assert np.all(np.diff(counted) >= 0.0)


@pytest.mark.parametrize("path", SESSIONS, ids=lambda path: path.stem)
def test_nothing_in_them_belongs_to_a_real_car(path: Path) -> None:
    # ISO 3780 gives no region the character 0 in the first place; 49 CFR 565.15 says what the check digit must be.
    numbers = {found.decode() for found in re.findall(rb"(?=([A-HJ-NPR-Z0-9]{17}))", path.read_bytes())}
    (number,) = {text for text in numbers if vin_fits(text)}
    assert number.startswith("0X9")


# The plot


def test_it_takes_nine_months_and_the_miles_of_the_title() -> None:
    assert STORY.drives[0].odometer_km == pytest.approx(101_800 * KM_PER_MILE, abs=0.1)
    assert STORY.drives[-1].odometer_km == pytest.approx(109_400 * KM_PER_MILE, abs=0.1)
    assert timedelta(days=265) < STORY.drives[-1].at - STORY.drives[0].at < timedelta(days=280)
    moments = sorted(
        [(drive.at, drive.odometer_km) for drive in STORY.drives]
        + [(event.at, event.odometer_km or 0.0) for event in STORY.events]
    )
    readings = [km for _, km in moments]
    assert readings == sorted(readings)


@pytest.mark.parametrize("drive", STORY.drives, ids=lambda drive: f"{drive.at:%Y-%m-%d}")
def test_each_drive_says_what_the_story_says(drive: StoryDrive, said: Said) -> None:
    findings = said[f"{drive.at:%Y-%m-%d}"]
    faults = {name: one.parts for name, one in findings.items() if one.verdict is Verdict.FAULT}
    assert set(faults) == set(drive.found)
    for detector, part in drive.found.items():
        assert part in faults[detector]


def test_the_first_drive_is_healthy_in_spite_of_its_gap(said: Said) -> None:
    assert {MarkKind.LINK_LOST, MarkKind.RECONNECT} <= {mark.kind for mark in contents(SESSIONS[0]).marks}
    healthy = {name for name, one in said["2026-02-09"].items() if one.verdict is Verdict.HEALTHY}
    assert {"warm_up", "cooling", "misfire", "cranking", "charging", "catalyst"} <= healthy


def test_the_misfire_grows_and_moves_with_the_coil(said: Said, codes: Codes) -> None:
    rates = [measure(said[day]["misfire"], "misfire_percent") for day in ("2026-04-18", "2026-05-18", "2026-05-23")]
    assert rates == sorted(rates)
    assert measure(said["2026-05-18"]["misfire"], "cylinder") == 4.0
    assert measure(said["2026-05-23"]["misfire"], "cylinder") == 2.0
    assert said["2026-05-18"]["misfire"].parts[0] == "ignition_coil"
    # SAE J2012: P030x is a misfire detected in cylinder x. Of the first two drives the car itself says nothing.
    assert [codes[day] for day in ("2026-04-18", "2026-05-18")] == [set(), set()]
    assert ("stored", "P0302") in codes["2026-05-23"]


def test_the_new_coils_cure_it_and_the_permanent_code_goes_by_itself(said: Said, codes: Codes) -> None:
    repaired = next(event.at for event in STORY.events if event.kind is EventKind.REPAIR)
    after = [f"{drive.at:%Y-%m-%d}" for drive in STORY.drives if drive.at > repaired]
    assert {said[day]["misfire"].verdict for day in after} == {Verdict.HEALTHY}
    # An erase leaves permanent codes; only the monitor that set one may clear it (40 CFR 86.1806, 13 CCR 1968.2).
    assert codes["2026-06-13"] == {("permanent", "P0302")}
    assert not any(code == "P0302" for _, code in codes["2026-10-24"])


def test_the_air_leak_grows_from_drive_to_drive(said: Said) -> None:
    grown = [measure(said[day]["fuel_trims"], "trim_at_idle") for day in ("2026-09-05", "2026-10-03", "2026-10-24")]
    assert np.all(np.diff(grown) > 1.0)  # per cent of fuel
    assert grown[-1] < 25.0  # the car itself would set a code near 25 % (common practice): it has not


def test_the_thermostat_is_named_before_its_code_is_stored(said: Said, codes: Codes) -> None:
    # SAE J2012 P0128: coolant below the temperature the thermostat regulates at.
    assert said["2026-10-03"]["warm_up"].parts[0] == said["2026-10-24"]["warm_up"].parts[0] == "thermostat"
    assert codes["2026-10-03"] == {("pending", "P0128")}
    assert ("stored", "P0128") in codes["2026-10-24"]
    assert said["2026-08-02"]["warm_up"].verdict is Verdict.HEALTHY


def test_the_oxygen_sensors_are_past_their_usual_life_and_answer_as_new(said: Said) -> None:
    # 100,000 miles are their usual life (common practice); these are older from the first drive on.
    assert STORY.car.part_new_at_km["oxygen_sensor_upstream"] == 0.0
    verdicts = [findings["oxygen_sensors"].verdict for findings in said.values()]
    assert Verdict.FAULT not in verdicts
    assert said["2026-10-24"]["oxygen_sensors"].verdict is Verdict.HEALTHY


def test_the_old_starter_turns_as_it_should_to_the_end(said: Said) -> None:
    assert STORY.car.part_new_at_km["starter_motor"] == 0.0
    for day in ("2026-02-09", "2026-03-24", "2026-11-07"):  # the drives with an adapter fast enough to see it
        assert said[day]["cranking"].verdict is Verdict.HEALTHY


def test_no_drive_shows_the_leaking_gasket_and_the_inspection_does(said: Said) -> None:
    named = {part for findings in said.values() for one in findings.values() for part in one.parts}
    assert "oil_filter_housing_gasket" not in named
    answers = {event.question: event.answer for event in STORY.events if event.kind is EventKind.INSPECTION}
    assert answers["filter_housing_wet"] == "yes"
    assert set(answers) <= set(read_questions().by_id)
