"""Words of starting and charging: every signature, in plain language, with the numbers that were measured."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors import charging, cranking
from obdwatch.explanations import charging_words, cranking_words
from obdwatch.explanations.wording import Words
from obdwatch.records import Finding, History, Measure, Urgency, Verdict
from tests.detectors import charging_car, starting_car

GRADE = 9.0  # Flesch-Kincaid: about the ninth year of school
WORDS: dict[str, Callable[[Finding, str], Words]] = {
    "cranking": cranking_words.cranking_words,
    "charging": charging_words.charging_words,
}
Start, Charge = starting_car.StartingCar, charging_car.ChargingCar


def prose(words: Words) -> str:
    return " ".join((words.headline, *words.reasons))


def start(car: starting_car.StartingCar) -> Finding:
    return cranking.detect(starting_car.record(car), None, History())


def charge(car: charging_car.ChargingCar) -> Finding:
    return charging.detect(charging_car.record(car), None, History())


@pytest.fixture(scope="module")
def found() -> list[Finding]:
    starts = [
        Start(),
        Start(battery=0.026),
        Start(cables=0.027),
        Start(volts=11.9),
        Start(to_fire=5.0),
        Start(sleeps=True),
        Start(every=0.7),
        Start(fires=False, to_fire=4.0),
    ]
    charges = [
        Charge(),
        Charge(led="steps"),
        Charge(regulated=15.6),
        Charge(largest=2.0),
        Charge(regulated=12.95),
        Charge(belt=0.3, load=60.0),
        Charge(largest=62.0),
        Charge(load=118.0, air=-12.0),
    ]
    return [*map(start, starts), *map(charge, charges)]


def test_every_number_of_a_start_is_said_in_the_readers_units(found: list[Finding]) -> None:
    said = prose(WORDS["cranking"](found[0], "us"))
    assert "68 °F" in said  # 20 degC
    assert "12.4" in said
    assert "rpm" in said


def test_the_words_are_easy_to_read_and_whole(found: list[Finding]) -> None:
    texts = [prose(WORDS[one.detector](one, "metric")) for one in found]
    for text in texts:
        assert "unknown" not in text
        assert "nan" not in text
        assert " 1/min" not in text
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        textstat = pytest.importorskip("textstat")
        grades = [textstat.flesch_kincaid_grade(text) for text in texts]
    assert float(np.median(grades)) <= GRADE
    assert max(grades) <= GRADE + 2.0


@pytest.mark.parametrize(
    ("detector", "signature"),
    [("cranking", one) for one in cranking_words.FAULTS] + [("charging", one) for one in charging_words.FAULTS],
)
def test_a_fault_without_measures_is_worded(detector: str, signature: str) -> None:
    bare = Finding(detector, Verdict.FAULT, signature, Urgency.WATCH, parts=("battery",))
    said = WORDS[detector](bare, "metric")
    assert len(said.headline) > 20
    assert "None" not in prose(said)


@pytest.mark.parametrize(
    ("detector", "signature"),
    [("cranking", one) for one in cranking.DRIVE_TO_GET] + [("charging", one) for one in charging.DRIVE_TO_GET],
)
def test_every_lack_of_data_is_worded_and_has_a_way_out(detector: str, signature: str) -> None:
    missing = {"cranking": cranking_words.MISSING, "charging": charging_words.MISSING}[detector]
    ways = {"cranking": cranking.DRIVE_TO_GET, "charging": charging.DRIVE_TO_GET}[detector]
    assert set(missing) == set(ways)
    bare = Finding(detector, Verdict.NOT_ENOUGH_DATA, signature)
    assert WORDS[detector](bare, "us").headline == missing[signature][0]


def test_a_slipping_belt_warns_of_the_pump_only_where_it_drives_it(found: list[Finding]) -> None:
    slips = next(one for one in found if one.signature == "belt_slips")
    assert "coolant pump" not in prose(WORDS["charging"](slips, "metric"))
    driven = replace(slips, measures=(*slips.measures, Measure("belt_drives_pump", 1.0, "")))
    assert "coolant pump" in prose(WORDS["charging"](driven, "metric"))


def test_a_late_charging_is_said_beside_what_was_usual() -> None:
    delay = Measure("charging_delay", 0.41, "s", None, (0.0, 0.27))
    late = Finding("charging", Verdict.FAULT, "charges_late", Urgency.WATCH, parts=("drive_belt",), measures=(delay,))
    said = prose(WORDS["charging"](late, "metric"))
    assert "0.41 s" in said
    assert "0.27 s" in said
    assert "engine off" in said  # where hands go near the belt
