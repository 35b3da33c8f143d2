"""The page on trouble codes without a browser: what it says, and that it withstands whatever is asked."""

from __future__ import annotations

import doctest
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import pytest
from dash import dcc, html
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards import visit as visits
from dashboards.app import create_app, show_page
from dashboards.pages import codes
from dashboards.sessions import SessionShelf
from dashboards.visit import Page, codes_address, codes_in
from obdwatch.explanations.codes import explain
from obdwatch.explanations.wording import ORIGIN_NOTES, URGENCY_WORDS, cause_words
from tests.dashboards.samples import FakeLogbook
from tests.dashboards.test_pages import text, visit

SHELF = SessionShelf(FakeLogbook(Path()))


def asked(path: str, search: str = "") -> Page:
    return show_page(SHELF, visit(path, search=search))


def parts(node: Any, kind: type) -> list[Any]:
    """Every component of a kind in a tree, in order."""
    found = [node] if isinstance(node, kind) else []
    children = node if isinstance(node, list | tuple) else getattr(node, "children", None)
    for child in children if isinstance(children, list | tuple) else [children] if children is not None else []:
        if not isinstance(child, str):
            found += parts(child, kind)
    return found


def links(page: Page) -> dict[str, str]:
    return {link.href: text(link) for link in parts(page.children, dcc.Link)}


def test_examples_in_the_docstrings_hold() -> None:
    assert doctest.testmod(visits).failed == 0


@pytest.mark.parametrize("code", ["P0171", "P0301", "U0100", "B0001", "C0035", "P0A80", "P1234", "P3FFF"])
def test_explanation_is_told_in_full(code: str) -> None:
    told, shown = explain(code), text(asked(f"/codes/{code}").children)
    said = [told.title, told.meaning, told.may_drive, URGENCY_WORDS[told.urgency], told.driver_notices, told.car_does]
    said += [*told.cautions, *told.first_checks, *told.confused_with, *(item.look_for for item in told.live_data)]
    said += [cause_words(cause)[1:] for cause in told.causes]  # the first letter becomes a capital
    assert [sentence for sentence in said if sentence not in shown] == []
    assert (told.origin not in ORIGIN_NOTES) or ORIGIN_NOTES[told.origin] in shown


def test_causes_and_checks_are_numbered_in_their_order() -> None:
    causes, checks = parts(asked("/codes/P0171").children, html.Ol)
    assert text(causes).startswith("Air leaks in after the mass air flow sensor")
    assert len(causes.children) == len(explain("P0171").causes)
    assert len(checks.children) == len(explain("P0171").first_checks)


def test_words_of_the_trade_are_explained_and_folded() -> None:
    folded = [d for d in parts(asked("/codes/P0171").children, html.Details) if "trade's words" in text(d)]
    assert "crankcase ventilation It draws gas" in text(folded)
    assert getattr(folded[0], "open", None) is None


def test_several_codes_say_which_to_follow_first_and_why() -> None:
    page = asked("/codes/P0300,P0171")
    shown = text(page.children)
    assert "P0300 and P0171 together" in shown
    assert "P0171 before P0300 : A lean mixture makes cylinders misfire." in shown
    assert shown.index("Which to follow first") < shown.index("P0300: Misfires")


def test_codes_that_no_rule_links_are_ordered_by_urgency_and_it_is_said() -> None:
    shown = text(asked("/codes/P0128,B0001,P0171").children)
    assert "None of these is known to cause another" in shown


@pytest.mark.parametrize("typed", ["p0171", "P0171", " p0171 ", "P0171,P0171", "P0171, p0171 "])
def test_code_is_understood_as_people_type_it(typed: str) -> None:
    assert asked(f"/codes/{quote(typed)}").title.startswith("P0171: Mixture too lean")


def test_same_code_in_two_spellings_is_told_once() -> None:
    assert parts(asked("/codes/P0171,p0171").children, html.Article) == []
    assert asked("/codes/P0171-00,p0171").title == "P0171-00 and P0171"


def test_failure_type_is_told() -> None:
    assert "Detail 00: no further detail is given." in text(asked("/codes/P0171-00").children)


@pytest.mark.parametrize(
    ("typed", "line"),
    [
        ("PO171", "it has the letter O where a zero belongs"),
        ("0171", "the letter in front is missing"),
        ("P9999", "the first digit goes from 0 to 3"),
        ("<b>x</b>", "write a letter (P, C, B or U) and four digits"),
    ],
)
def test_malformed_code_gets_one_line_and_the_search_box(typed: str, line: str) -> None:
    for page in (asked(f"/codes/{quote(typed, safe='')}"), asked("/codes", f"?words={quote(typed)}")):
        told = [notice for notice in parts(page.children, html.Section) if "notice" in notice.className]
        assert len(told) == 1
        assert line in text(told) or typed == "<b>x</b>"
        assert parts(page.children, dcc.Input)[0].value == typed


def test_what_is_no_code_does_not_hide_the_others() -> None:
    shown = text(asked("/codes/P0171,PO300").children)
    assert "Mixture too lean" in shown
    assert "'PO300' is not a trouble code" in shown


def test_search_by_words_leads_to_the_codes() -> None:
    found = links(asked("/codes", "?words=lean%20bank%201"))
    assert found["/codes/P0171"] == "P0171: Mixture too lean, bank 1"
    assert all(href.startswith("/codes/") for href in found)


def test_search_for_codes_explains_them() -> None:
    assert asked("/codes", "?words=p0171").title.startswith("P0171: Mixture too lean")
    assert "P0171 before P0300" in text(asked("/codes", "?words=P0171%20P0300").children)


def test_long_result_says_that_it_was_cut() -> None:
    page = asked("/codes", "?words=sensor")
    assert len(parts(page.children, html.Ul)[0].children) == codes.MOST_FOUND
    assert "another word narrows it down" in text(page.children)


@pytest.mark.parametrize("words", ["zebra", "???", "the"])
def test_search_that_finds_nothing_says_what_to_do(words: str) -> None:
    page = asked("/codes", f"?words={quote(words)}")
    assert "No code found" in text(page.children)
    assert parts(page.children, dcc.Input)


def test_first_page_shows_how_to_ask_and_the_life_of_a_code() -> None:
    page = asked("/codes")
    assert {"/codes/P0171", "/codes/P0171,P0300", "/codes?words=cam%20timing"} == set(links(page))
    shown = text(page.children)
    for words in ("Pending", "Stored (confirmed)", "Permanent", "Erasing drops stored and pending codes", "40 CFR 86"):
        assert words in shown


def test_endless_list_of_codes_is_cut_and_said() -> None:
    page = asked("/codes/" + ",".join(f"P{number:04d}" for number in range(100, 200)))
    assert len(parts(page.children, html.Article)) == codes.MOST_CODES
    assert "Only the first 40 codes are shown." in text(page.children)


@settings(deadline=None, max_examples=40)
@given(st.text(max_size=40))
def test_whatever_is_asked_is_answered(typed: str) -> None:
    for page in (asked(f"/codes/{quote(typed)}"), asked("/codes", f"?words={quote(typed)}")):
        assert "fault of the dashboard" not in text(page.children)


@given(st.lists(st.from_regex(r"[PCBU][0-3][0-9A-F]{3}(-[0-9A-F]{2})?", fullmatch=True), min_size=1, unique=True))
def test_address_of_codes_leads_back_to_them(some: list[str]) -> None:
    address = codes_address(some)
    assert urlsplit(address).path == address
    assert codes_in(address) == tuple(some)


def test_units_at_first_are_those_of_the_command() -> None:
    def first(**options: str) -> str:
        layout = create_app(FakeLogbook(Path()), **options).layout  # type: ignore[arg-type]
        found: str = layout["units"].value
        return found

    assert first() == "metric"
    assert first(units="us") == "us"
