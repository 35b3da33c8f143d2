"""The identification number stays out of a report unless it is asked for, wherever it may come from."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from obdwatch.decoding.vehicle_information import vin_fits
from obdwatch.logbook.logbook import Logbook
from obdwatch.records import Car, EventKind
from obdwatch.reporting.facts import CarFacts
from obdwatch.reporting.page import page
from obdwatch.reporting.pdf import pdf
from obdwatch.reporting.report import HIDDEN, LEFT_OUT, document_of, report_of, without_vin
from tests.reporting.conftest import MADE_AT
from tests.reporting.reading import page_text, pdf_text, texts_of

# The worked example of the check digit that is printed with the rule (49 CFR 565.15).
PRINTED = "1M8GDM9AXKP042788"


@pytest.fixture(scope="module")
def vin(facts: CarFacts) -> str:
    (found,) = facts.identities
    assert vin_fits(found)
    return found


def test_it_is_left_out_of_page_and_paper(facts: CarFacts, vin: str) -> None:
    report = document_of(facts)
    assert vin not in page(report)
    assert vin not in pdf_text(pdf(report, MADE_AT))
    assert LEFT_OUT in list(texts_of(report))


def test_it_is_kept_where_it_is_asked_for(facts: CarFacts, vin: str) -> None:
    report = document_of(facts, with_vin=True)
    assert vin in page_text(page(report))
    assert vin in pdf_text(pdf(report, MADE_AT))


def test_it_is_left_out_of_names_and_notes_too(facts: CarFacts, vin: str) -> None:
    spaced = " ".join((vin[:3], vin[3:9], vin[9:]))
    notes = iter((f"papers: {vin}", f"({spaced.lower()})", f"VIN={PRINTED}.", "-".join(vin)))
    events = tuple(
        replace(one, note=next(notes, one.note)) if one.kind is EventKind.NOTE else one for one in facts.events
    )
    sessions = tuple(replace(one, note=f"with{vin}") for one in facts.sessions)
    car = replace(facts.car, name=f"Fern {vin}")
    written = page(document_of(replace(facts, car=car, events=events, sessions=sessions)))
    assert written.count(HIDDEN) >= 5
    squeezed = "".join(sign for sign in written.upper() if sign.isalnum())
    assert vin not in squeezed
    assert PRINTED not in squeezed


@pytest.mark.parametrize("text", [PRINTED, PRINTED.lower(), "11111111111111111"])
def test_a_number_nobody_knows_is_left_out_by_its_looks(text: str) -> None:
    assert without_vin(f"bought with {text}, paid", ()) == f"bought with {HIDDEN}, paid"


@pytest.mark.parametrize(
    "text", ["2026-10-24T0640-old-fern", "thermostat replaced", "0123456789012345678", "interchangeablept", ""]
)
def test_other_words_and_numbers_stay(text: str) -> None:
    assert without_vin(text, ()) == text


def test_a_car_whose_number_was_never_read_says_so(tmp_path: Path) -> None:
    logbook = Logbook(tmp_path / "logbook")
    logbook.save_car(Car("car"))
    assert "not read" in list(texts_of(report_of(logbook, "car", "metric", MADE_AT)))
