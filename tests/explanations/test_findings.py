"""Words of findings: plain, with the numbers of the finding, in the reader's units, and with the cautions they need."""

from __future__ import annotations

import importlib
import pkgutil
import re
from dataclasses import replace

import numpy as np
import pytest

from obdwatch import detectors
from obdwatch.commands.words import findings_lines
from obdwatch.detectors import cooling
from obdwatch.detectors.warm_up import DRIVE_TO_GET, detect
from obdwatch.explanations.findings import FANS, HOT_COOLING, MOVING_PARTS, NO_SCREEN, OVERHEATED, explain
from obdwatch.explanations.warm_up_words import FAULTS
from obdwatch.explanations.wording import URGENCY_WORDS
from obdwatch.records import Finding, History, Measure, Urgency, Verdict
from tests.detectors.warming_car import Trip, WarmingCar, record


@pytest.fixture(scope="module")
def stuck() -> Finding:
    return detect(record(WarmingCar(leak=0.8), Trip(minutes=20.0, air=5.0)), None, History())


@pytest.fixture(scope="module")
def healthy() -> Finding:
    return detect(record(WarmingCar(), Trip(minutes=25.0, air=5.0)), None, History())


def value(finding: Finding, name: str) -> float:
    return next(one.value for one in finding.measures if one.name == name)


def test_a_stuck_thermostat_is_said_with_its_numbers(stuck: Finding) -> None:
    said = explain(stuck)
    text = " ".join(said.reasons)
    assert "thermostat does not shut" in said.headline
    assert f"{value(stuck, 'coolant_at_telling_time'):.0f} °C" in text
    assert f"{value(stuck, 'cold_loss'):.0f} W/K" in text
    assert f"{value(stuck, 'open_while_cold'):.0f}% open" in text
    assert "hose" in text


def test_the_reader_of_us_units_sees_no_celsius(stuck: Finding) -> None:
    text = " ".join(explain(stuck, "us").reasons)
    assert "°C" not in text
    assert f"{value(stuck, 'coolant_at_telling_time') * 1.8 + 32.0:.0f} °F" in text
    assert "mph on average" in text


def test_a_healthy_engine_is_said_with_its_level(healthy: Finding) -> None:
    said = explain(healthy)
    assert "as it should" in said.headline
    assert any(f"settled at {value(healthy, 'regulating_temperature'):.0f} °C" in reason for reason in said.reasons)
    assert said.cautions == ()


@pytest.mark.parametrize("signature", sorted(DRIVE_TO_GET))
def test_every_refusal_says_what_was_missing(signature: str) -> None:
    said = explain(Finding("warm_up", Verdict.NOT_ENOUGH_DATA, signature, drive_to_get=DRIVE_TO_GET[signature]))
    assert said.headline.endswith(".")
    assert said.reasons
    assert any("screen" in caution for caution in said.cautions)


@pytest.mark.parametrize("signature", sorted(FAULTS))
def test_every_fault_has_words_that_bear_missing_numbers(signature: str) -> None:
    bare = Finding("warm_up", Verdict.FAULT, signature, Urgency.SOON, 0.95, parts=("thermostat",))
    said = explain(bare)
    assert said.headline.endswith(".")
    assert "nan" not in " ".join(said.reasons)


def test_work_on_the_cooling_system_carries_its_cautions(stuck: Finding) -> None:
    assert HOT_COOLING in explain(stuck).cautions
    assert FANS in explain(stuck).cautions


def test_overheating_says_stop_first() -> None:
    hot = cooling.detect(record(WarmingCar(opening=150.0), Trip(minutes=30.0, air=25.0)), None, History())
    assert explain(hot).cautions[0] == OVERHEATED


def test_what_the_detector_said_itself_is_kept(stuck: Finding) -> None:
    worded = replace(stuck, headline="Mine.", reasons=("Because.",), cautions=("Careful.",))
    assert explain(worded) == worded


def test_words_change_nothing_else(stuck: Finding) -> None:
    said = explain(stuck)
    assert replace(said, headline="", reasons=(), cautions=()) == stuck


def test_a_detector_without_words_still_says_something() -> None:
    said = explain(Finding("oil_level", Verdict.FAULT, "too_low"))
    assert said.headline == "Oil level: too low."


def test_every_urgency_has_words() -> None:
    assert set(URGENCY_WORDS) == set(Urgency)


def test_a_rough_heat_is_called_rough(healthy: Finding) -> None:
    rough = Measure("fuel_heat", 40.0, "MJ", (20.0, 80.0))
    measures = (rough, *(one for one in healthy.measures if one.name != "fuel_heat"))
    assert "only roughly" in " ".join(explain(replace(healthy, measures=measures)).reasons)
    assert "only roughly" not in " ".join(explain(healthy).reasons)


def test_no_sentence_carries_more_than_whole_numbers(stuck: Finding) -> None:
    assert not re.search(r"\d\.\d{2,}", " ".join(explain(stuck).reasons))
    assert np.isfinite(value(stuck, "cold_loss"))


@pytest.mark.parametrize("units", ["metric", "us"])
def test_what_to_drive_is_said_in_the_readers_units(units: str) -> None:
    """Every detector's own text: 60 to 100 km/h are 37 to 62 mph, 110 degC are 230 °F (NIST SP 811, appendix B)."""
    names = [one.name for one in pkgutil.iter_modules(detectors.__path__, "obdwatch.detectors.")]
    asked = [getattr(importlib.import_module(name), "DRIVE_TO_GET", {}) for name in names]
    texts = [text for one in asked if isinstance(one, dict) for text in one.values()]
    said = [explain(Finding("x", Verdict.NOT_ENOUGH_DATA, drive_to_get=text), units).drive_to_get for text in texts]
    assert len(said) > 60
    for text in said:
        assert not re.search(r"1/min|degC|\d K\b", text), text
        assert units == "metric" or not re.search(r"km/h|°C", text), text
    assert any(("37 to 62 mph" if units == "us" else "60 to 100 km/h") in text for text in said)
    assert any(("230 °F" if units == "us" else "110 °C") in text for text in said)


def test_where_nothing_can_be_driven_nobody_is_told_to_mind_the_road() -> None:
    nothing = Finding("cam_timing", Verdict.NOT_ENOUGH_DATA, "no_cam_timing", drive_to_get="Nothing: they are fixed.")
    assert explain(nothing).cautions == ()
    driven = replace(nothing, signature="not_run", drive_to_get="Drive ten minutes.")
    assert explain(driven).cautions == (NO_SCREEN,)


def test_a_caution_is_said_once_for_a_drive() -> None:
    belt = Finding("charging", Verdict.FAULT, "belt_slips", Urgency.SOON, 0.9, parts=("drive_belt",))
    late = replace(belt, signature="charges_late", urgency=Urgency.WATCH)
    said = findings_lines([late, belt], "metric")
    assert sum(MOVING_PARTS in line for line in said) == 1
    assert said.index(next(line for line in said if MOVING_PARTS in line)) < said.index(
        next(line for line in said if "takes over later" in line)
    )  # with the more urgent one, which comes first


@pytest.mark.parametrize(
    ("first", "check"),
    [("cam_timing_solenoid_intake", "cam timing first"), ("fuel_pump", "fuel pressure at full load first")],
)
def test_the_check_for_a_misfire_of_all_begins_with_the_part_that_is_named_first(first: str, check: str) -> None:
    parts = (first, "spark_plugs")
    finding = Finding("misfire", Verdict.FAULT, "all_cylinders", Urgency.NEXT_SERVICE, 0.9, parts=parts)
    assert check in explain(finding).reasons[-1]
