"""`obdwatch parts` as a user types it: the list, one part, one car's parts, the file to edit, and what is refused."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from obdwatch.car_profiles import PART_IDS
from obdwatch.cli import run
from obdwatch.explanations.part_names import PART_NAMES
from obdwatch.logbook.logbook import Logbook
from obdwatch.records import Car


@pytest.fixture
def book(tmp_path: Path) -> Path:
    with Logbook(tmp_path / "logbook") as logbook:
        logbook.add_car(
            Car("fern", cylinders=6, layout="inline", intake_flaps=False, coolant_pump="electric", plug_type="iridium")
        )
    return tmp_path / "logbook"


def said(capsys: pytest.CaptureFixture[str], book: Path, *arguments: str) -> str:
    assert run(["parts", *arguments, "--logbook", str(book)]) == 0
    return capsys.readouterr().out


def refused(capsys: pytest.CaptureFixture[str], book: Path, *arguments: str) -> str:
    assert run(["parts", *arguments, "--logbook", str(book)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    (line,) = printed.err.strip().splitlines()
    return line


def test_the_list_names_every_part_and_makes_no_logbook(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    text = said(capsys, tmp_path / "none")
    assert [name for name in PART_NAMES.values() if f"{name}  " not in text] == []
    assert not (tmp_path / "none").exists()


def test_a_part_that_a_car_has_not_is_not_in_its_list(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    text = said(capsys, book, "--car", "fern")
    assert "actuator of the intake flaps" not in text
    assert "does not say 'air_metering'" in text
    row = next(line for line in text.splitlines() if line.startswith("spark plugs"))
    assert "    90 " in row  # six at 15


@pytest.mark.parametrize("typed", ["coolant_pump", "coolant pump", "Coolant-Pump", " coolant  pump "])
def test_a_part_is_found_by_id_or_name(typed: str, capsys: pytest.CaptureFixture[str], book: Path) -> None:
    assert said(capsys, book, typed).startswith("coolant pump (coolant_pump)")


def test_one_part_is_told_in_full_and_in_order(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    text = said(capsys, book, "coolant pump", "--car", "fern", "--units", "us")
    headings = re.findall(r"^  ([A-Z][a-z ]+):$", text, re.MULTILINE)
    assert headings == [
        "Take off first", "Buy with it", "Perhaps also", "Worth doing with it", "Quality", "Fitting", "Cautions",
        "After fitting", "First drive",
    ]  # fmt: skip
    assert text.index("raise the car") < text.index("take off the tray") < text.index("drain the coolant")
    assert "Never run an electric coolant pump dry" in text
    assert "weak authority" in text
    assert "miles" in text
    assert " km" not in text
    assert "air_metering" not in text  # not of this part


def test_figures_of_a_life_are_those_of_its_distribution(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    """Of Weibull lives of shape 2 and scale 100,000 km, 10, 50 and 90 % end by 32,459, 83,255 and 151,743 km.

    By scale * sqrt(-ln(1 - share)) (NIST/SEMATECH e-Handbook, 1.3.6.6.8).
    """
    (book / "parts.toml").write_text("part.battery.onset = { shape = 2, scale_km = 100_000 }", "utf-8")
    assert "one by 32,000 km, five by 83,000 km, nine by 150,000 km" in said(capsys, book, "battery")


def test_json_is_the_records(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    everything = json.loads(said(capsys, book, "--json"))
    assert list(everything["parts"]) == list(PART_IDS)
    one = json.loads(said(capsys, book, "coolant_pump", "--car", "fern", "--json"))
    assert one["part"]["onset"]["scale_km"] > 0
    assert [step["id"] for step in one["steps"]][-1] == "coolant_drained"
    assert json.loads(said(capsys, book, "--template", "--json"))["template"].startswith("# Your own figures")


def test_own_figures_in_the_folder_of_the_logbook_count(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    template = said(capsys, book, "--template", "--car", "fern")
    assert str(book / "parts.toml") in template
    assert str(book / "parts.toml") in said(capsys, book)
    mine = template.replace("#part.coolant_pump.price = 320", "part.coolant_pump.price = 999")
    (book / "parts.toml").write_text(mine.replace('#currency = "EUR"', 'currency = "SEK"'), "utf-8")
    text = said(capsys, book, "coolant_pump", "--car", "fern")
    assert "Price 999 SEK" in text
    assert "price is 999" in text
    assert "price is 999" not in said(capsys, book, "battery", "--car", "fern")


def test_what_cannot_be_used_is_one_line(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    assert "did you mean 'thermostat'?" in refused(capsys, book, "termostat")
    assert "'obdwatch parts' lists them all" in refused(capsys, book, "zzz")
    assert "has no actuator of the intake flaps" in refused(capsys, book, "intake_flap_actuator", "--car", "fern")
    assert "no car 'moss'" in refused(capsys, book, "--car", "moss")
    (book / "parts.toml").write_text("[part.battery]\nprice = 'dear'\n", "utf-8")
    assert f"{book / 'parts.toml'}, line 2: part.battery.price must be a number" in refused(capsys, book)


def test_a_part_that_is_switched_off_is_said_to_be(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    (book / "parts.toml").write_text("part.maf_sensor.fitted = false\n", "utf-8")
    assert "on none of your cars" in refused(capsys, book, "maf_sensor")
