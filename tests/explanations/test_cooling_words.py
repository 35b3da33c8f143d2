"""Words on cooling and on sensors that cannot be right: plain, with numbers, in the reader's units."""

from __future__ import annotations

import re
import warnings

import numpy as np
import pytest

from obdwatch.detectors import cooling, rationality
from obdwatch.explanations.cooling_words import FAULTS as HOT
from obdwatch.explanations.cooling_words import MISSING, STOP_NOW, cooling_words
from obdwatch.explanations.rationality_words import FAULTS as WRONG
from obdwatch.explanations.rationality_words import WITHHELD, rationality_words
from obdwatch.explanations.wording import Words
from obdwatch.records import Finding, History, Measure, Urgency, Verdict
from tests.detectors.hot_car import COMMUTE, HotCar, profile, record
from tests.detectors.test_rationality import breathing_drive, cold, pressures, temperatures

GRADE = 10.0  # Flesch-Kincaid; the product's own promise is a median of 9

HOT_MEASURES = (
    Measure("hottest_coolant", 117.0, "degC", None, (-40.0, 115.0)),
    Measure("driving_level", 99.0, "degC", None, (78.0, 100.0)),
    Measure("standing_level", 110.0, "degC", None, (78.0, 103.0)),
    Measure("driving_level_before", 90.0, "degC"),
    Measure("standing_level_before", 96.0, "degC"),
    Measure("hot_on_road", 70.0, "%"),
    Measure("steepest_rise", 7.2, "K/min"),
    Measure("unrejected_share", 80.0, "%", None, (0.0, 40.0)),
    Measure("fan_seen", 0.0, ""),
    Measure("jumps", 7.0, ""),
    Measure("rise", 6.0, "K/min"),
    Measure("time_left", 80.0, "s"),
    Measure("top_driving", 100.0, "degC"),
    Measure("top_standing", 103.0, "degC"),
    Measure("fall_on_speeding_up", 12.0, "K", None, (0.0, 7.0)),
)


def hot(signature: str, urgency: Urgency = Urgency.SOON) -> Finding:
    return Finding("cooling", Verdict.FAULT, signature, urgency, 0.9, parts=("coolant_pump",), measures=HOT_MEASURES)


def text(words: Words) -> str:
    return " ".join((words.headline, *words.reasons))


@pytest.mark.parametrize("signature", sorted(HOT))
@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_fault_of_the_cooling_is_said_with_numbers(signature: str, units: str) -> None:
    words = cooling_words(hot(signature), units)
    said = text(words)
    assert words.headline.endswith(".")
    assert all(reason.endswith((".", "?")) for reason in words.reasons)
    assert re.search(r"\d", said)
    assert "unknown" not in said
    assert "_" not in said
    if units == "us":
        assert "°C" not in said


def test_danger_says_what_to_do_at_once() -> None:
    assert STOP_NOW in cooling_words(hot("pump_stopped", Urgency.STOP), "metric").reasons
    assert STOP_NOW in cooling_words(hot("about_to_overheat"), "metric").reasons
    assert STOP_NOW not in cooling_words(hot("hotter_than_before", Urgency.WATCH), "metric").reasons


@pytest.mark.parametrize("signature", sorted(cooling.DRIVE_TO_GET))
def test_every_refusal_of_the_cooling_says_what_was_missing(signature: str) -> None:
    assert signature in MISSING
    words = cooling_words(Finding("cooling", Verdict.NOT_ENOUGH_DATA, signature), "metric")
    assert words.headline.endswith(".")
    assert words.reasons


def test_a_real_finding_carries_its_numbers() -> None:
    car = HotCar(pump_dead=((1000.0, 9000.0),))
    finding = cooling.detect(record(car, COMMUTE), profile(car), History())
    said = text(cooling_words(finding, "metric"))
    assert "not being moved" in said
    hottest = next(one.value for one in finding.measures if one.name == "hottest_coolant")
    assert f"{hottest:.0f} °C" in said
    assert f"{hottest * 1.8 + 32.0:.0f} °F" in text(cooling_words(finding, "us"))


def test_a_healthy_drive_says_whether_the_fan_was_tested() -> None:
    stood = Finding("cooling", Verdict.HEALTHY, measures=HOT_MEASURES)
    assert "Standing" in text(cooling_words(stood, "metric"))
    moved = Finding("cooling", Verdict.HEALTHY, measures=HOT_MEASURES[:2])
    assert "not put to the test" in text(cooling_words(moved, "metric"))
    for words in (cooling_words(stood, "metric"), cooling_words(moved, "metric")):
        assert words.headline == "The engine did not get too hot."  # too cold is the thermostat's matter


def test_a_long_hot_stand_that_was_held_is_not_called_a_fan_that_was_not_needed() -> None:
    held = (*HOT_MEASURES, Measure("hot_stand", 1100.0, "s"), Measure("outside_air", 33.0, "degC"))
    held = (*held, Measure("standing_level", 91.0, "degC"), Measure("fan_seen", 0.0, ""))
    said = text(cooling_words(Finding("cooling", Verdict.HEALTHY, measures=held), "metric"))
    assert "18 minutes of standing" in said
    assert "not needed" not in said


def test_misfire_beside_heat_is_said() -> None:
    finding = Finding("cooling", Verdict.FAULT, "overheating", Urgency.STOP, 0.9, parts=("coolant_pump", "head_gasket"))
    assert "head gasket" in text(cooling_words(finding, "metric"))


def wrong_findings() -> list[Finding]:
    """One finding for many of the signatures, from the detector itself."""
    breathing = {share: breathing_drive(share) for share in (0.3, 1.4)}
    flat, car = breathing_drive(0.8, flat=True)
    drives = [
        (cold(12.0, **temperatures(-2.0, 20.0, 20.0)), None),
        (cold(12.0, **temperatures(40.0, 20.0, 20.0)), None),
        (cold(None, **temperatures(-5.0, 18.0, 20.0)), None),
        (cold(12.0, **temperatures(20.0, -5.0, 21.0)), None),
        (cold(12.0, **temperatures(20.0, 20.0, 50.0)), None),
        (cold(12.0, **temperatures(28.0, -12.0, -14.0)), None),
        (pressures(88.0, np.full(5, 101.0)), None),
        (pressures(50.0, None), None),
        (pressures(100.0, np.where(np.arange(46) < 20, 101.0, 85.0)), None),
        *breathing.values(),
        (flat, car),
    ]
    return [rationality.detect(drive, known, History()) for drive, known in drives]


@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_wrong_sensor_is_said_with_its_numbers(units: str) -> None:
    for finding in wrong_findings():
        words = rationality_words(finding, units)
        said = text(words)
        assert words.headline.endswith("."), finding.signature
        assert re.search(r"\d", said), finding.signature
        assert "unknown" not in said, finding.signature
        assert "_" not in said, finding.signature
        if units == "us":
            assert "°C" not in said
        if finding.verdict is Verdict.FAULT:
            assert finding.signature in WRONG
            assert WITHHELD in words.reasons


@pytest.mark.parametrize("signature", sorted(WRONG))
def test_no_signature_is_left_without_words(signature: str) -> None:
    words = rationality_words(Finding("rationality", Verdict.FAULT, signature), "metric")
    assert words.headline.endswith(".")
    assert words.headline != "A sensor cannot be right."


@pytest.mark.parametrize("signature", sorted(rationality.DRIVE_TO_GET))
def test_every_refusal_about_sensors_says_why(signature: str) -> None:
    words = rationality_words(Finding("rationality", Verdict.NOT_ENOUGH_DATA, signature), "metric")
    assert words.headline.endswith(".")
    assert words.reasons


def test_what_agreed_is_named() -> None:
    drive, car = breathing_drive(0.8)
    words = rationality_words(rationality.detect(drive, car, History()), "metric")
    assert "breathe" in text(words)


def test_the_words_are_plain() -> None:
    said = [text(cooling_words(hot(signature), "metric")) for signature in HOT]
    said += [text(rationality_words(finding, "metric")) for finding in wrong_findings()]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # textstat imports pkg_resources, which warns
        textstat = pytest.importorskip("textstat")
        grades = [textstat.flesch_kincaid_grade(one) for one in said]
    assert float(np.median(grades)) <= GRADE - 1.0
    assert max(grades) <= GRADE + 2.0
