"""Trouble codes in a real browser: searched by keyboard, explained, reached from a drive."""

from __future__ import annotations

import threading
from collections.abc import Callable
from urllib.parse import quote

import pytest
from playwright.sync_api import Page, expect

from dashboards.server import prepare
from tests.browser.conftest import HOSTILE_ID, MARKUP, until
from tests.dashboards.samples import FakeLogbook

LABEL = "A code, several codes, or words"


def heading(page: Page, text: str) -> None:
    expect(page.get_by_role("heading", level=1)).to_contain_text(text)


def test_keyboard_alone_leads_from_the_header_over_a_search_to_an_explanation(page: Page, address: str) -> None:
    page.goto(f"{address}/drives")
    heading(page, "Drives")
    page.get_by_role("link", name="Codes", exact=True).focus()
    page.keyboard.press("Enter")
    heading(page, "Trouble codes")
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "words":
            break
    page.keyboard.type("cam timing")
    page.keyboard.press("Enter")
    heading(page, "Codes for “cam timing”")
    assert page.url.endswith("/codes?words=cam%20timing")
    expect(page.get_by_label(LABEL)).to_have_value("cam timing")
    page.locator(".found a").first.focus()
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid", "the focus must be seen"
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="What to check first")).to_be_visible()


def test_button_searches_again_and_the_browser_goes_back(page: Page, address: str) -> None:
    page.goto(f"{address}/codes")
    page.get_by_label(LABEL).fill("lean")
    page.get_by_role("button", name="Search").click()
    heading(page, "Codes for “lean”")
    page.get_by_label(LABEL).fill("p0171 P0300")
    page.get_by_role("button", name="Search").click()
    heading(page, "P0171 and P0300 together")
    expect(page).to_have_title("P0171 and P0300 – obdwatch")
    page.go_back()
    heading(page, "Codes for “lean”")
    page.go_back()
    heading(page, "Trouble codes")


def test_empty_search_stays_where_it_is(page: Page, address: str) -> None:
    page.goto(f"{address}/codes")
    page.get_by_label(LABEL).fill("   ")
    page.keyboard.press("Enter")
    page.wait_for_timeout(300)
    assert page.url == f"{address}/codes"


def test_life_of_a_code_is_folded_until_asked_for(page: Page, address: str) -> None:
    page.goto(f"{address}/codes")
    words = page.get_by_text("Erasing drops stored and pending codes")
    expect(words).to_be_hidden()
    page.get_by_text("How a code comes and goes").click()
    expect(words).to_be_visible()


@pytest.mark.parametrize("path", ["/codes/" + quote(MARKUP, safe=""), "/codes?words=" + quote(MARKUP, safe="")])
def test_markup_in_the_address_stays_text(page: Page, address: str, path: str) -> None:
    page.goto(address + path)
    expect(page.get_by_label(LABEL)).to_be_visible()
    assert page.locator("main img, main b, main script").count() == 0


def test_drive_leads_to_its_codes_and_tells_what_was_not_read(page: Page, address: str) -> None:
    page.goto(f"{address}/drive/codes")
    expect(page.get_by_text("Permanent: unknown. These codes were not read")).to_be_visible()
    expect(page.get_by_text("P0171 before P0300")).to_be_visible()
    page.get_by_text("Freeze frame of P0171").click()
    expect(page.get_by_text("Value of that moment")).to_be_visible()
    page.get_by_role("link", name="P0171: Mixture too lean").click()
    heading(page, "P0171: Mixture too lean, bank 1")


def test_code_with_markup_in_a_recording_stays_text(page: Page, address: str) -> None:
    page.goto(f"{address}/drive/{quote(HOSTILE_ID, safe='')}")
    expect(page.get_by_role("heading", level=3, name=MARKUP).last).to_be_visible()
    assert page.locator("main img, main b").count() == 0


def test_address_of_codes_opens_on_a_phone(open_page: Callable[..., Page], address: str) -> None:
    page = open_page(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    page.goto(f"{address}/codes/P0301")
    heading(page, "P0301: Misfires in cylinder 1")
    until(page, "document.documentElement.scrollWidth <= 390")
    box = page.get_by_role("link", name="Codes", exact=True).bounding_box()
    assert box is not None
    assert box["height"] >= 24, "a finger must hit it (WCAG 2.2, 2.5.8)"


def test_units_of_the_command_hold_until_the_reader_chooses(page: Page, logbook: FakeLogbook) -> None:
    server = prepare(logbook, port=0, load=logbook.load, units="us")
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        page.goto(f"{server.address}drives")
        expect(page.locator(".drives > li").first).to_contain_text("miles")
        page.get_by_label("Metric").check()
        expect(page.locator(".drives > li").first).to_contain_text("171,930 km")
        page.reload()
        expect(page.locator(".drives > li").first).to_contain_text("171,930 km")
    finally:
        server.stop()
        thread.join(10)
