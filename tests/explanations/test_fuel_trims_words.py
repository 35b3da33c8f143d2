"""Words on the fuel trims: plain, with numbers, in the reader's units, for every answer there is."""

from __future__ import annotations

import ast
import inspect
import re
import warnings
from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors import fuel_trims, fuel_trims_judgement
from obdwatch.explanations.fuel_trims_sentences import MISSING
from obdwatch.explanations.fuel_trims_words import FAULTS, fuel_trims_words
from obdwatch.explanations.wording import Words
from obdwatch.records import Finding, History, Measure, Urgency, Verdict
from tests.detectors.trimmed_car import TrimmedCar, profile, record

GRADE = 10.0  # Flesch-Kincaid; the product's own promise is a median of 9

MEASURES = (
    Measure("level", 9.0, "%", (8.0, 10.0), (-12.0, 12.0)),
    Measure("trim_at_idle", 15.2, "%", (14.4, 16.0), (-12.0, 12.0)),
    Measure("air_at_idle", 2.5, "g/s"),
    Measure("trim_at_flow", 3.1, "%", (2.5, 3.7), (-12.0, 12.0)),
    Measure("air_at_flow", 19.0, "g/s"),
    Measure("trim_at_idle_bank_1", 15.0, "%", (14.0, 16.0)),
    Measure("trim_at_flow_bank_1", 13.0, "%", (12.0, 14.0)),
    Measure("trim_at_idle_bank_2", 1.0, "%", (0.0, 2.0)),
    Measure("trim_at_flow_bank_2", 1.0, "%", (0.0, 2.0)),
    Measure("bank_difference", 12.0, "%", None, (-6.0, 6.0)),
    Measure("contrast", 12.1, "%", (11.0, 13.0)),
    Measure("leak_flow", 0.42, "g/s", (0.35, 0.5)),
    Measure("leak_diameter", 1.8, "mm", (1.6, 2.0)),
    Measure("bank", 1.0, ""),
    Measure("cylinder", 3.0, ""),
    Measure("fuel_shift", 11.0, "%"),
    Measure("false_lean", 9.0, "%"),
    Measure("fast_idle", 1300.0, "1/min", None, (600.0, 1050.0)),
)


def text(words: Words) -> str:
    return " ".join((words.headline, *words.reasons))


def finding(verdict: Verdict, signature: str) -> Finding:
    return Finding("fuel_trims", verdict, signature, Urgency.WATCH, 0.9, measures=MEASURES)


def everything() -> list[Finding]:
    return [
        *(finding(Verdict.FAULT, one) for one in sorted(FAULTS)),
        *(finding(Verdict.NOT_ENOUGH_DATA, one) for one in sorted(MISSING)),
        finding(Verdict.HEALTHY, ""),
        finding(Verdict.HEALTHY, "fuel_changed"),
    ]


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("one", everything(), ids=lambda one: f"{one.verdict}-{one.signature}")
def test_every_answer_is_said_in_sentences_with_numbers(one: Finding, units: str) -> None:
    words = fuel_trims_words(one, units)
    said = text(words)
    assert words.headline.endswith(".")
    assert all(reason.endswith(".") for reason in words.reasons)
    assert re.search(r"\d", said)
    assert "unknown" not in said
    assert "_" not in said
    if units == "us":
        assert "g/s" not in said


def test_no_signature_is_without_words() -> None:
    tree = ast.parse(inspect.getsource(fuel_trims_judgement))
    named = {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)}
    assert set(FAULTS) <= named  # no words for what is never found
    assert set(fuel_trims.DRIVE_TO_GET) == set(MISSING)


@pytest.mark.parametrize("signature", sorted(MISSING))
def test_without_any_measure_it_is_still_a_sentence(signature: str) -> None:
    words = fuel_trims_words(Finding("fuel_trims", Verdict.NOT_ENOUGH_DATA, signature), "metric")
    assert words.headline.endswith(".")
    assert "unknown" not in text(words)


@pytest.mark.parametrize(
    ("car", "words"),
    [
        (TrimmedCar(), "small corrections"),
        (TrimmedCar(hole=1.8), "past the mass air flow sensor"),
        (TrimmedCar(metering="both", exhaust=0.2), "exhaust leak"),
        (TrimmedCar(metering="pressure", pump=0.2), "fuel supply"),
        (TrimmedCar(metering="both", dirty=0.3), "mass air flow sensor reads too little"),
        (TrimmedCar(banks=(0.0, 0.15)), "Bank 2 gets too little fuel"),
        (TrimmedCar(banks=(-0.15, 0.0)), "Bank 1 gets too much fuel"),
        (TrimmedCar(gain=0.25), "too little fuel everywhere"),
        (TrimmedCar(gain=-0.25), "too much fuel everywhere"),
    ],
)
def test_found_and_said(car: TrimmedCar, words: str) -> None:
    said = fuel_trims_words(fuel_trims.detect(record(car), profile(car), History()), "metric")
    assert words in said.headline
    assert "unknown" not in text(said)


def test_what_was_not_measured_is_not_said() -> None:
    few = replace(finding(Verdict.FAULT, "unmetered_air"), measures=MEASURES[:1])
    said = text(fuel_trims_words(few, "metric"))
    assert "unknown" not in said
    assert "hole" not in said


def test_the_words_are_plain() -> None:
    said = [text(fuel_trims_words(one, "metric")) for one in everything()]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # textstat imports pkg_resources, which warns
        textstat = pytest.importorskip("textstat")
        grades = [textstat.flesch_kincaid_grade(one) for one in said]
    assert float(np.median(grades)) <= GRADE - 1.0
    assert max(grades) <= GRADE + 2.0
