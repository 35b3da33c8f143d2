"""Words of findings: plain, with the numbers of the finding, in the reader's units, and with the cautions they need."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors import cooling
from obdwatch.detectors.warm_up import DRIVE_TO_GET, detect
from obdwatch.explanations.findings import FANS, HOT_COOLING, OVERHEATED, explain
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
