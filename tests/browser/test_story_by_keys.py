"""The whole way of an owner without a mouse: state, part, place in the drive, plan, sheet, walk, trends, report."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from obdwatch.logbook.logbook import Logbook
from tests.browser.conftest import MARKUP, serving, until
from tests.dashboards.samples import CAR, session
from tests.dashboards.test_home_page import CHARGES, STUCK
from tests.dashboards.test_with_the_logbook import written

LONG = "wörd" * 2_500  # ten thousand letters without a gap
BACKWARDS = "\N{RIGHT-TO-LEFT OVERRIDE}" + MARKUP
FOCUSED = """(() => {
    const it = document.activeElement, style = getComputedStyle(it), box = it.getBoundingClientRect();
    return {name: (it.getAttribute("aria-label") || it.innerText || it.value || "").trim(), tag: it.tagName,
            seen: style.outlineStyle === "solid" && parseFloat(style.outlineWidth) >= 2,
            top: box.top + scrollY, left: box.left, shown: box.width > 0 && box.height > 0};
})()"""


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Two drives of a car, and a third of one whose keeper names things to break a page."""
    book = Logbook(tmp_path_factory.mktemp("logbook"))
    book.add_car(replace(CAR, cylinders=6, coolant_pump="electric"))
    book.add_car(replace(CAR, id="odd", name=BACKWARDS + LONG))
    for day, found in ((19, (CHARGES,)), (20, (STUCK, CHARGES))):
        drive = replace(session(f"day-{day}", day), odometer_km=170_000.0 + day)
        book.add_session(written(book.sessions_folder, drive))
        book.save_analysis(drive.id, found, [])
    odd = replace(session("odd-1", 1), car_id="odd", note=BACKWARDS + LONG)
    book.add_session(written(book.sessions_folder, odd))
    book.save_analysis(odd.id, (replace(STUCK, headline=BACKWARDS + LONG, signature="unheard"),), [])
    with serving(book) as base:
        yield base


def at(page: Page, heading: str) -> None:
    expect(page.get_by_role("heading", level=1)).to_contain_text(heading)
    expect(page.locator(".loading")).to_have_count(0)


def tab_to(page: Page, name: str, key: str) -> None:
    """Go on with Tab, or back with Shift+Tab, until something of that name has the focus, which is always seen."""
    for _ in range(80):
        page.keyboard.press(key)
        here = page.evaluate(FOCUSED)
        if here["tag"] == "BODY":
            continue
        assert here["name"] or here["tag"] in {"INPUT", "TEXTAREA", "SELECT", "MAIN"}, here
        assert here["seen"] or here["tag"] in {"MAIN", "INPUT"}, here
        if name in here["name"]:
            return
    raise AssertionError(f"Tab never came to '{name}'")


def follow(page: Page, name: str, key: str = "Tab") -> None:
    tab_to(page, name, key)
    page.keyboard.press("Enter")


def test_owner_goes_the_whole_way_by_keys(page: Page, start: str) -> None:
    page.goto(start)
    at(page, CAR.name)
    follow(page, "Thermostat")
    at(page, "Thermostat")
    follow(page, "See it in the drive")
    at(page, "Tuesday 20 January 2026")
    page.wait_for_selector(".js-plotly-plot .scatterlayer .js-line")
    assert "from=" in page.url
    page.go_back()  # by the keys of the browser itself, which it keeps from a page
    at(page, "Thermostat")
    follow(page, "See it in the plan of visits")
    at(page, "Plan of visits")
    follow(page, "Job sheet to print")
    at(page, "Job sheet")
    follow(page, "Inspection", "Shift+Tab")
    at(page, "inspection")
    follow(page, "Begin")
    expect(page.locator(".walk")).to_contain_text("Question 1 of")
    follow(page, "Trends", "Shift+Tab")
    at(page, "What changes from drive to drive")
    follow(page, "obdwatch", "Shift+Tab")
    expect(page.get_by_role("heading", level=1)).to_have_text(CAR.name)
    with page.expect_download() as brought:
        follow(page, "A page for any browser")
    assert brought.value.suggested_filename.endswith(".html")


@pytest.mark.parametrize(
    "path",
    ["/part/odd/thermostat", "/drives", "/drives/odd-1", "/drive/odd-1", "/car/odd", "/visits/odd", "/inspection/odd"],
)
def test_names_that_a_keeper_might_give_break_no_page(open_page: Callable[..., Page], start: str, path: str) -> None:
    """Markup, letters that turn the line round, ten thousand letters without a gap: text, on a phone and by ear."""
    page = open_page(viewport={"width": 390, "height": 844}, color_scheme="dark")
    page.goto(start + path)
    page.wait_for_selector("h1, [role=alert]")
    expect(page.locator(".loading")).to_have_count(0)
    until(page, "document.documentElement.scrollWidth <= 390")
    assert page.locator("main img[src=x]").count() == 0
    assert page.evaluate("document.querySelector('h1').getBoundingClientRect().height") < 844
    found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]]) for v in found if v["impact"] in ("serious", "critical")] == []
