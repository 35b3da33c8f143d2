"""`obdwatch car` and `log repair` as a newcomer types them: questions, what the car tells, part ages, unknown parts."""

from __future__ import annotations

import json
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from obdwatch.cli import program, run
from obdwatch.commands.car_ask import QUESTIONS
from obdwatch.commands.options import Settings
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Session


def typed(book: Path, *arguments: str, answers: str = "") -> click.testing.Result:
    return CliRunner().invoke(program, [*arguments, "--logbook", str(book)], input=answers)


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """Two minutes of a 2.5 L engine (28.729 g/s at 2500 1/min and 46.59 % are SAE J1979's definition)."""
    path = tmp_path / "drive.obdw"
    values = {"engine_speed": 2500.0, "absolute_load": 46.59, "air_flow": 28.729, "fuel_type": 1.0}
    with SessionWriter(path, Session("drive", None)) as writer:
        for key, value in values.items():
            writer.samples(key, [float(t) for t in range(120)], [value] * 120)
    return path


def test_every_question_may_be_left_open(tmp_path: Path) -> None:
    done = typed(tmp_path, "car", "add", "fern", "--ask", answers="\n" * (len(QUESTIONS) + 1))
    assert done.exit_code in (0, None)
    with Logbook(tmp_path) as book:
        car = book.car("fern")
    assert car is not None
    assert (car.cylinders, car.fuel, car.part_new_at_km) == (None, None, {})


def test_answers_are_taken_in_plain_words_and_wrong_ones_are_asked_again(tmp_path: Path) -> None:
    answers = ["Old Fern", "don't know", "2,5", "six", "6", "in a line", "no", "yes, and", "both", "y", "belt", "198",
               "92", "coil per", "", "auto", "miles", "thermostatt 60000", "thermostat 60,000", ""]  # fmt: skip
    done = typed(tmp_path, "car", "add", "fern", "--ask", answers="\n".join(answers) + "\n")
    assert not done.exception, done.output
    with Logbook(tmp_path) as book:
        car = book.car("fern")
    assert car is not None
    assert (car.name, car.fuel, car.displacement_l, car.cylinders, car.layout) == ("Old Fern", None, 2.5, 6, "inline")
    assert (car.induction, car.air_metering, car.cam_timing) == ("naturally_aspirated", "both", ("intake", "exhaust"))
    assert (car.intake_flaps, car.coolant_pump, car.thermostat_temperature) == (True, "belt", 92.0)
    assert (car.ignition, car.plug_type, car.transmission, car.units) == ("coil_per_cylinder", None, "automatic", "us")
    assert car.part_new_at_km["thermostat"] == pytest.approx(60_000 * 1.609344, abs=0.1)  # the international mile
    assert "is no number" in done.output
    assert "did you mean 'thermostat'" in done.output


def test_an_interruption_in_the_middle_keeps_nothing(tmp_path: Path) -> None:
    done = typed(tmp_path, "car", "add", "fern", "--ask", answers="Old Fern\npetrol\n")  # the input ends here
    assert done.exit_code == 1  # click's Abort; the program itself makes 130 of it
    assert "nothing of these answers was kept" in done.output
    with Logbook(tmp_path) as book:
        assert book.cars() == ()


def test_a_profile_begins_with_what_the_car_tells(
    tmp_path: Path, session: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--logbook", str(tmp_path / "book")]
    assert run(["car", "add", "fern", "--from-session", str(session), "--set", "fuel=e10", *where]) == 0
    said = capsys.readouterr().out
    assert 'fuel = "e10"' in said  # stated beats seen, and petrol with or without ethanol is no contradiction
    assert "displacement_l = 2.5" in said
    assert "an estimate of 2.5 L" in said
    assert 'air_metering = "air_flow"' in said
    assert run(["car", "add", "other", "--from-session", str(session), "--set", "displacement_l=1.6", *where]) == 0
    assert "check displacement_l" in capsys.readouterr().out


def test_a_session_that_is_none_leaves_no_car(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--logbook", str(tmp_path)]
    assert run(["car", "add", "fern", "--from-session", "nothing.obdw", *where]) == 2
    assert "nothing.obdw" in capsys.readouterr().err
    with Logbook(tmp_path) as book:
        assert book.cars() == ()


def test_part_ages_are_shown_in_miles_with_unknown_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--logbook", str(tmp_path), "--units", "us"]
    assert run(["car", "add", "fern", "--set", "cylinders=4", "--set", "intake_flaps=no", "--part", "thermostat=60000",
                "--part", "battery=unknown", *where]) == 0  # fmt: skip
    assert run(["log", "repair", "ignition_coil:2", "--car", "fern", "--odometer", "101000", *where]) == 0
    capsys.readouterr()
    assert run(["car", "show", "fern", *where]) == 0
    said = capsys.readouterr().out
    assert "thermostat: 60,000 miles, 41,000 miles ago (profile)" in said
    assert "ignition_coil:2: 101,000 miles, 0 miles ago (log entry 1)" in said
    assert "only place 2 of 4" in said
    unknown = next(line for line in said.splitlines() if "unknown: " in line and "battery" in line)
    assert "starter_motor" in unknown
    assert any("not in this car" in line and "intake_flap_actuator" in line for line in said.splitlines())
    assert "intake_flap_actuator" not in unknown
    assert run(["car", "show", "fern", "--json", *where]) == 0
    ages = json.loads(capsys.readouterr().out)["parts"]["ages"]
    assert ages["battery"]["source"] == "unknown"
    assert ages["thermostat"]["new_at_km"] == pytest.approx(96_560.6)


def test_the_shown_profile_reads_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--logbook", str(tmp_path / "book")]
    assert run(["car", "add", "fern", "--set", "cylinders=4", "--part", "thermostat=90000", *where]) == 0
    capsys.readouterr()
    assert run(["car", "show", "fern", *where]) == 0
    profile = tmp_path / "fern.toml"
    profile.write_text(capsys.readouterr().out)
    assert run(["car", "add", "again", "--profile", str(profile), *where]) == 0


@pytest.mark.parametrize(
    ("part", "hint"), [("thermostat", "write PART"), ("thermostat=far", "no distance"), ("termostat=5", "thermostat")]
)
def test_a_part_age_that_cannot_be_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], part: str, hint: str
) -> None:
    assert run(["car", "add", "fern", "--part", part, "--logbook", str(tmp_path)]) == 2
    assert hint in capsys.readouterr().err


def test_an_edit_needs_something_to_change(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["car", "add", "fern", "--logbook", str(tmp_path)]) == 0
    assert run(["car", "edit", "fern", "--logbook", str(tmp_path)]) == 2
    assert "--set" in capsys.readouterr().err
    assert run(["car", "edit", "fern", "--part", "battery=1000", "--logbook", str(tmp_path)]) == 0


@pytest.mark.parametrize(
    ("part", "hint"),
    [
        ("thermostatt", "Did you mean thermostat?"),
        ("ignition_coils:3", "ignition_coil:3"),
        ("cabin_filter", "car show"),
    ],
)
def test_a_repair_of_an_unknown_part_is_kept_with_a_warning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], part: str, hint: str
) -> None:
    where = ["--car", "fern", "--logbook", str(tmp_path)]
    assert run(["car", "add", "fern", "--logbook", str(tmp_path)]) == 0
    assert run(["log", "repair", part, "--odometer", "1000", *where]) == 0
    said = capsys.readouterr().out
    assert "starts no part's clock" in said
    assert hint in said
    with Logbook(tmp_path) as book:
        assert [event.part for event in book.events()] == [part]


def test_a_repair_without_any_odometer_says_what_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["car", "add", "fern", "--logbook", str(tmp_path)]) == 0
    assert run(["log", "repair", "thermostat", "--car", "fern", "--logbook", str(tmp_path)]) == 0
    assert "no odometer reading is known" in capsys.readouterr().out


def test_an_odometer_that_runs_backwards_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--car", "fern", "--logbook", str(tmp_path)]
    assert run(["car", "add", "fern", "--logbook", str(tmp_path)]) == 0
    assert run(["log", "odometer", "160000", "--date", "2026-01-01", *where]) == 0
    assert run(["log", "repair", "thermostat", "--odometer", "16000", "--date", "2026-03-01", *where]) == 0
    assert "less than 160,000 km" in capsys.readouterr().out
    assert run(["log", "list", "--units", "us", "--logbook", str(tmp_path)]) == 0
    listed = capsys.readouterr().out
    assert "99,419 miles" in listed  # 160,000 km of 1.609344 km each (the international mile)
    assert run(["log", "odometer", "90000", "--date", "2026-04-01", "--units", "us", *where]) == 0
    said = capsys.readouterr().out
    assert "less than 99,419 miles" in said
    assert " km " not in said


def test_the_keepers_units_hold_where_nothing_else_is_typed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--car", "fern", "--logbook", str(tmp_path)]
    assert run(["car", "add", "fern", "--set", "units=us", "--logbook", str(tmp_path)]) == 0
    assert run(["log", "odometer", "90000", *where]) == 0
    with Logbook(tmp_path) as book:
        (event,) = book.events()
        assert event.odometer_km == pytest.approx(144_840.96)  # NIST SP 811: 1 mile = 1.609344 km
    capsys.readouterr()
    for more, said in ((), "90,000 miles"), (("--units", "metric"), "144,841 km"):
        assert run(["log", "list", *more, "--logbook", str(tmp_path)]) == 0
        assert said in capsys.readouterr().out
    assert run(["car", "add", "moss", "--set", "units=metric", "--logbook", str(tmp_path)]) == 0
    assert run(["log", "list", "--logbook", str(tmp_path)]) == 0
    assert "144,841 km" in capsys.readouterr().out, "the cars do not agree"


def test_asking_for_the_units_makes_no_logbook(tmp_path: Path) -> None:
    assert Settings(tmp_path / "none", as_json=False).units == "metric"
    assert not (tmp_path / "none").exists()


def test_a_part_is_logged_by_its_name_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["car", "add", "fern", "--logbook", str(tmp_path)]) == 0
    done = ["log", "repair", "spark plugs", "--odometer", "1000", "--car", "fern", "--logbook", str(tmp_path)]
    assert run(done) == 0
    assert "Look at this" not in capsys.readouterr().out
    with Logbook(tmp_path) as book:
        assert [event.part for event in book.events()] == ["spark_plugs"]


def test_a_day_to_come_and_a_place_the_car_has_not_are_pointed_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--odometer", "1000", "--car", "fern", "--logbook", str(tmp_path)]
    assert run(["car", "add", "fern", "--set", "cylinders=4", "--logbook", str(tmp_path)]) == 0
    assert run(["log", "repair", "ignition_coil:4", "--date", "2020-01-01", *where]) == 0
    assert "Look at this" not in capsys.readouterr().out
    assert run(["log", "repair", "ignition_coil:9", "--date", "2020-01-02", *where]) == 0
    assert "this car has 4 of 'ignition_coil', so there is no place 9" in capsys.readouterr().out
    assert run(["log", "repair", "battery", "--date", "2999-01-01", *where]) == 0
    assert "2999-01-01 lies in the future" in capsys.readouterr().out


def test_a_distance_below_zero_is_asked_again_in_the_users_own_units(tmp_path: Path) -> None:
    answers = "\n" * len(QUESTIONS) + "thermostat -5\n\n"
    done = typed(tmp_path, "car", "add", "fern", "--ask", "--units", "us", answers=answers)
    assert not done.exception, done.output
    assert "'-5': the clock does not go below zero" in done.output


def test_a_part_age_below_zero_is_refused_as_it_was_typed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--units", "us", "--logbook", str(tmp_path)]
    assert run(["car", "add", "fern", "--part", "battery=-4", *where]) == 2
    assert "--part 'battery=-4': the clock does not go below zero" in capsys.readouterr().err
