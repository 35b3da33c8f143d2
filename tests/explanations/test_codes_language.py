"""Plain language is measured: reading grade, abbreviations, and urgency that agrees with the facts of the trade."""

from __future__ import annotations

import re
import statistics
import warnings

import pytest

from obdwatch.explanations.codes import explain
from obdwatch.explanations.explanation import CodeExplanation
from obdwatch.explanations.glossary import glossary, terms_in
from obdwatch.urgency import Urgency
from tests.explanations.test_codes_composed import everything, texts

MEDIAN_GRADE, WORST_GRADE = 8.0, 12.0  # Flesch-Kincaid; the product's own promise is a median of 9


def test_the_reading_grade_is_low(explained: list[CodeExplanation]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # textstat imports pkg_resources, which warns
        textstat = pytest.importorskip("textstat")
        grades = {item.code: textstat.flesch_kincaid_grade(as_prose(item)) for item in explained}
    assert statistics.median(grades.values()) <= MEDIAN_GRADE
    assert max(grades.values()) <= WORST_GRADE, max(grades, key=lambda code: grades[code])


def test_written_knowledge_alone_is_as_plain(explained: list[CodeExplanation]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        textstat = pytest.importorskip("textstat")
        grades = [textstat.flesch_kincaid_grade(as_prose(item)) for item in explained if item.origin == "written"]
    assert statistics.median(grades) <= MEDIAN_GRADE


def as_prose(item: CodeExplanation) -> str:
    """All words of an explanation, each piece closed with a stop so that a list is not read as one long sentence."""
    return " ".join(text if text[-1] in ".!?" else f"{text}." for text in texts(item) if text)


def test_every_abbreviation_is_explained(explained: list[CodeExplanation]) -> None:
    known = {term for term in glossary() if term.isupper()}
    found: dict[str, str] = {}
    for code, text in everything(explained):
        without_codes = re.sub(r"\b[PCBU][0-3][0-9A-F]{3}\b", "", text)
        found |= {word: code for word in re.findall(r"\b[A-Z]{2,}\b", without_codes) if word not in known}
    assert not found


def test_the_glossary_explains_every_term_it_is_asked_for() -> None:
    for term, text in glossary().items():
        assert text.endswith("."), term
        assert len(text.split()) >= 4, term
    assert "wastegate" in terms_in("The wastegate sticks.")
    assert "fuel trim" in terms_in("Record the fuel trims at idle.")
    assert terms_in("") == ()


TRADE_WORDS = (
    "bank",
    "catalyst",
    "misfire",
    "lean",
    "rich",
    "freeze frame",
    "idle",
    "relay",
    "solenoid",
    "actuator",
    "purge valve",
    "timing chain",
    "cam phaser",
    "wastegate",
    "inverter",
    "injector",
    "oxygen sensor",
    "throttle",
    "crankshaft",
    "ohm",
    "rpm",
)


def test_trade_words_in_use_are_explained(explained: list[CodeExplanation]) -> None:
    everything_said = " ".join(text for _, text in everything(explained)).lower()
    for word in TRADE_WORDS:
        assert word in glossary(), word
        assert word in everything_said or word in ("freeze frame", "inverter"), word


# Facts of the trade (common practice): what kills the engine, people or the catalyst means stop; comfort does not.
STOP = (
    "P0217",
    "P0524",
    "P0298",
    "P2428",
    "P2429",
    "P0093",
    "P050F",
    "P0AA6",
    "P0A0A",
    "P0AA1",
    "P250F",
    "P2560",
    "P2600",
    "P00B7",
    "U0129",
    "U0131",
    "P0635",
    "P2104",
    "P2105",
    "P0893",
    "P055F",
    "P0218",
    "P2560",
    "C0049",
)
NOT_BEFORE_NEXT_SERVICE_IS_TOO_LATE = ("P0442", "P0456", "P0457", "P0128", "P0597", "P0420", "P0440", "P0461")
SOON = (
    "P0171",
    "P0300",
    "P0301",
    "P0335",
    "P0340",
    "P0351",
    "P0201",
    "P0016",
    "P0087",
    "P0480",
    "P0562",
    "P0700",
    "U0100",
    "U0121",
    "C0034",
    "B0001",
    "P2135",
    "P2138",
    "P0571",
)
COMFORT = ("U0184", "U0191", "P0530", "P0645", "P0564", "U0163", "P0648")


@pytest.mark.parametrize("code", STOP)
def test_danger_means_stop(code: str) -> None:
    item = explain(code)
    assert item.urgency is Urgency.STOP, item.title
    assert re.match(r"No\b|Not\b", item.may_drive), item.may_drive
    assert item.cautions, code


@pytest.mark.parametrize("code", SOON)
def test_faults_that_grow_mean_soon(code: str) -> None:
    assert explain(code).urgency in (Urgency.SOON, Urgency.STOP)


@pytest.mark.parametrize("code", [*NOT_BEFORE_NEXT_SERVICE_IS_TOO_LATE, *COMFORT])
def test_harmless_faults_do_not_alarm(code: str) -> None:
    item = explain(code)
    assert item.urgency in (Urgency.WATCH, Urgency.NEXT_SERVICE), item.title
    assert item.may_drive.startswith("Yes"), item.may_drive


def test_misfires_warn_of_the_flashing_lamp() -> None:
    for code in ("P0300", *(f"P03{number:02d}" for number in range(1, 13)), "P0351", "P0201"):
        item = explain(code)
        assert "flash" in " ".join((item.may_drive, *item.cautions)), code


def test_driving_advice_agrees_with_urgency(explained: list[CodeExplanation]) -> None:
    for item in explained:
        first = item.may_drive.split()[0].rstrip(".,")
        if item.urgency is Urgency.STOP:
            assert first in ("No", "Not", "Better", "Stop"), (item.code, item.may_drive)
        elif not item.may_drive.startswith("Not far"):
            assert first not in ("No", "Not", "Better", "Stop"), (item.code, item.may_drive)


# Facts of the trade (common practice, no source): what may ruin the engine or the gearbox within one drive.
@pytest.mark.parametrize(
    "code",
    ["P0016", "P0008", "P0217", "P0218", "P0363", "P0521", "P0522", "P0524", "P0634", "P06DD", "P06DE", "P0094"],
)
def test_what_may_ruin_the_engine_within_a_drive_says_stop(code: str) -> None:
    assert explain(code).urgency is Urgency.STOP


def test_cooling_and_fuel_carry_their_cautions() -> None:
    assert any("hot cooling system" in caution for caution in explain("P0217").cautions)
    assert any("fire" in caution for caution in explain("P0087").cautions)
    assert any("orange" in caution for caution in explain("P0A80").cautions)
    assert any("Airbags" in caution for caution in explain("B0001").cautions)
