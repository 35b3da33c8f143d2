"""Words of misfire and of the car's own tests: plain, with the numbers of the finding, whatever the answer."""

from __future__ import annotations

import warnings
from dataclasses import replace

import pytest

from obdwatch.decoding.monitors import decode_results
from obdwatch.detectors import misfire, monitor_results
from obdwatch.explanations import misfire_words as words_of_misfire
from obdwatch.explanations.misfire_words import misfire_words
from obdwatch.explanations.monitor_results_words import MISSING, monitor_results_words
from obdwatch.explanations.wording import Words
from obdwatch.records import (
    CodeKind,
    CodeReading,
    Drive,
    Finding,
    FreezeFrame,
    History,
    Measure,
    Session,
    Urgency,
    Verdict,
)
from tests.detectors.misfiring_car import INLINE_FOUR, SHARED_COILS, VEE_SIX, Trip, normal, record
from tests.detectors.test_misfire_patterns import after_cold_start, anywhere, at_idle, weak_spark


def _found() -> dict[str, Finding]:
    """One finding of each kind, from drives as they are recorded."""
    history = History()
    bad, _ = record(weak_spark((3,), 0.3), trip=Trip(averages=(0, 0, 210, 1)))
    values = {"engine_speed": 3100.0, "calculated_load": 92.0, "coolant_temperature": 90.0}
    coded = replace(
        record(normal)[0],
        monitors=(),
        codes=(CodeReading(9.0, CodeKind.STORED, "P0302", 0x7E8),),
        freeze_frames=(FreezeFrame(9.0, 0x7E8, 0, "P0302", values),),
    )
    return {
        "healthy": misfire.detect(record(normal)[0], INLINE_FOUR, history),
        "one": misfire.detect(bad, INLINE_FOUR, history),
        "dead": misfire.detect(record(anywhere((2,), 1.0))[0], INLINE_FOUR, history),
        "watch": misfire.detect(record(anywhere((4,), 0.005))[0], None, history),
        "coil": misfire.detect(record(weak_spark((2, 3), 0.1))[0], SHARED_COILS, history),
        "gasket": misfire.detect(record(after_cold_start((1, 2), 0.9))[0], INLINE_FOUR, history),
        "bank": misfire.detect(record(anywhere((2, 4, 6), 0.04), 6)[0], VEE_SIX, history),
        "load": misfire.detect(record(weak_spark((1, 2, 3, 4), 0.05))[0], INLINE_FOUR, history),
        "idle": misfire.detect(record(at_idle(0.06))[0], INLINE_FOUR, history),
        "earlier": misfire.detect(record(normal, trip=Trip(averages=(2, 180, 1, 3)))[0], INLINE_FOUR, history),
        "code": misfire.detect(coded, INLINE_FOUR, history),
    }


@pytest.fixture(scope="module")
def found() -> dict[str, Finding]:
    return _found()


def prose(words: Words) -> str:
    return " ".join((words.headline, *words.reasons))


def value(finding: Finding, name: str) -> float:
    return next(one.value for one in finding.measures if one.name == name)


def test_the_cylinder_and_its_numbers_are_said(found: dict[str, Finding]) -> None:
    said = misfire_words(found["one"], "metric")
    text = prose(said)
    assert said.headline == "Cylinder 3 misfires."
    assert f"{value(found['one'], 'worst_1000'):.1f}%" in text
    assert f"3: {value(found['one'], 'count_cylinder_3'):.0f}" in text
    assert f"{value(found['one'], 'share_loaded'):.0f}% came under load" in text
    assert "swap this coil" in text
    assert "single peaks can be higher" in text  # thirty seconds are more than 200 turns


def test_a_catalyst_in_danger_is_said(found: dict[str, Finding]) -> None:
    text = prose(misfire_words(found["dead"], "metric"))
    assert "flashes" in text
    assert "catalyst" in text
    assert "flashes" not in prose(misfire_words(found["watch"], "metric"))


def test_what_was_inferred_is_said(found: dict[str, Finding]) -> None:
    assert "number of cylinders was taken from the car's counters" in prose(misfire_words(found["watch"], "metric"))
    assert "number of cylinders" not in prose(misfire_words(found["one"], "metric"))


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("coil", "Cylinders 2 and 3"),
        ("gasket", "white steam"),
        ("gasket", "after the cold start"),
        ("bank", "bank 2"),
        ("load", "gap and age of the plugs"),
        ("idle", "standing at idle"),
        ("earlier", "180 misfires per drive for cylinder 2"),
        ("code", "92% load"),
        ("code", "A code says: cylinder 2 misfires."),
        ("healthy", "normal in every engine"),
    ],
)
def test_each_kind_says_what_matters(found: dict[str, Finding], name: str, part: str) -> None:
    assert part in prose(misfire_words(found[name], "metric"))


def test_a_reader_of_us_units_sees_fahrenheit(found: dict[str, Finding]) -> None:
    text = prose(misfire_words(found["code"], "us"))
    assert "194 °F" in text
    assert "°C" not in text


@pytest.mark.parametrize("signature", sorted(misfire.DRIVE_TO_GET))
def test_every_missing_thing_of_misfire_has_words(signature: str) -> None:
    finding = Finding(misfire.NAME, Verdict.NOT_ENOUGH_DATA, signature)
    assert misfire_words(finding, "metric").headline == words_of_misfire.MISSING[signature][0]
    assert set(words_of_misfire.MISSING) == set(misfire.DRIVE_TO_GET)


def test_every_headline_has_a_check() -> None:
    assert set(words_of_misfire.HEADLINES) == set(words_of_misfire.CHECKS)


def test_nothing_is_said_of_what_was_not_measured() -> None:
    bare = Finding(misfire.NAME, Verdict.FAULT, "one_cylinder", Urgency.WATCH, measures=(Measure("cylinder", 2.0, ""),))
    text = prose(misfire_words(bare, "metric"))
    assert "Cylinder 2" in text
    assert "unknown" not in text
    assert "nan" not in text


# --- the car's own tests


def results(*texts: str) -> Finding:
    monitors = tuple(one for text in texts for one in decode_results(bytes.fromhex(text), 5.0, 0x7E8))
    return monitor_results.detect(Drive(Session("x", None), {}, monitors=monitors), None, History())


FAILED_CAM = results("46 35 80 9C FE70 FC18 03E8", "46 35 81 9D FFF0 FFF6 000A", "46 21 80 20 0000 0000 0000")
PASSED = results("46 01 05 10 0050 0000 00C8", "46 21 80 20 004D 0000 00BF", "46 22 80 7E 0001 0000 0002")
EVAPORATIVE = results("46 3C 80 FE 0FA0 8000 0064")


def test_a_failed_test_is_said_with_its_limits() -> None:
    said = monitor_results_words(FAILED_CAM, "metric")
    text = prose(said)
    assert said.headline == "The car's own test failed: variable valve timing, bank 1."
    assert "-8.0°; allowed is -5.0° to 5.0°" in text
    assert "oil level" in text
    assert "Not run since the memory was erased: Catalyst, bank 1." in text


def test_passed_tests_are_said_with_the_nearest_limit() -> None:
    text = prose(monitor_results_words(PASSED, "metric"))
    assert "All 2 results" in text
    assert "Nearest to its limit: Catalyst, bank 1" in text
    assert "1 more came without limits or with an unknown scale" in text


def test_a_fault_of_no_followed_part_says_so() -> None:
    text = prose(monitor_results_words(EVAPORATIVE, "metric"))
    assert "filler cap" in text
    assert "None of the wear parts" in text


@pytest.mark.parametrize("signature", sorted(monitor_results.DRIVE_TO_GET))
def test_every_missing_thing_of_the_tests_has_words(signature: str) -> None:
    finding = Finding(monitor_results.NAME, Verdict.NOT_ENOUGH_DATA, signature)
    assert monitor_results_words(finding, "metric").headline == MISSING[signature][0]
    assert set(MISSING) == set(monitor_results.DRIVE_TO_GET)


def test_the_reading_grade_is_low(found: dict[str, Finding]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import textstat

        texts = [prose(misfire_words(finding, "metric")) for finding in found.values()]
        texts += [prose(monitor_results_words(finding, "metric")) for finding in (FAILED_CAM, PASSED, EVAPORATIVE)]
        texts += [" ".join(pair) for pair in (*MISSING.values(), *words_of_misfire.MISSING.values())]
        grades = [textstat.flesch_kincaid_grade(text) for text in texts]
    assert max(grades) <= 10.0, texts[grades.index(max(grades))]
    assert sum(grades) / len(grades) <= 8.0
