"""What holds on every page: it opens, fits a phone and a large screen, in light and dark, by keyboard and by ear."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.browser.conftest import until

PAGES = (
    "/", "/drives", "/part/blue/thermostat", "/drive/cold-start", "/drive/codes", "/drive/torn", "/drive/unknown",
    "/drive/empty", "/nowhere",
    "/codes", "/codes?words=lean", "/codes/P0171,P0300", "/codes/PO171",
    "/trends", "/trends/blue?show=charging/charging_voltage", "/trends/nobody", "/now", "/visits",
    "/compare/blue?before=cold-start&after=codes", "/compare/blue?before=nothing&after=codes",
)  # fmt: skip
SIZES = ((390, 844), (1280, 800), (3840, 2160))


def open_and_settle(page: Page, url: str) -> None:
    page.goto(url)
    page.wait_for_selector("h1, [role=alert]")
    expect(page.locator(".loading")).to_have_count(0)
    if url.endswith("cold-start"):
        page.wait_for_selector(".js-plotly-plot .scatterlayer .js-line")


@pytest.mark.parametrize("path", PAGES)
def test_page_fits_every_screen(open_page: Callable[..., Page], address: str, path: str) -> None:
    page = open_page(viewport={"width": SIZES[0][0], "height": SIZES[0][1]})
    open_and_settle(page, address + path)
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        until(page, f"document.documentElement.scrollWidth <= {width}")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/drive/cold-start",
        "/drive/codes",
        "/drive/torn",
        "/codes",
        "/codes?words=lean",
        "/codes/P0171,P0300",
        "/trends",
        "/drives",
        "/part/blue/thermostat",
        "/compare/blue?before=cold-start&after=codes",
    ],
)
def test_page_has_no_serious_accessibility_fault(
    open_page: Callable[..., Page], address: str, path: str, scheme: str
) -> None:
    """axe-core's rules (Deque Systems, open source) stand for WCAG 2."""
    page = open_page(color_scheme=scheme, viewport={"width": 1280, "height": 900})
    open_and_settle(page, address + path)
    found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]]) for v in found if v["impact"] in ("serious", "critical")] == []


def test_colour_scheme_follows_the_system_and_the_button_overrides_it(
    open_page: Callable[..., Page], address: str
) -> None:
    page = open_page(color_scheme="dark")
    open_and_settle(page, address + "/")
    ground = "getComputedStyle(document.body).backgroundColor"
    assert page.evaluate(ground) == "rgb(20, 23, 26)"
    page.get_by_role("button", name="Light", exact=True).click()
    until(page, f"{ground} === 'rgb(255, 255, 255)'")
    page.reload()
    page.wait_for_selector("h1")
    until(page, f"{ground} === 'rgb(255, 255, 255)'")
    expect(page.get_by_role("button", name="Dark", exact=True)).to_be_visible()


def test_texts_of_the_picture_follow_the_colour_scheme(open_page: Callable[..., Page], address: str) -> None:
    page = open_page(color_scheme="dark")
    open_and_settle(page, address + "/drive/cold-start")
    for selector in (".annotation-text", ".legendtext"):
        fill = page.evaluate(f"getComputedStyle(document.querySelector('.js-plotly-plot {selector}')).fill")
        assert fill == "rgb(236, 238, 240)"
    strokes = page.evaluate(
        "[...document.querySelectorAll('.js-plotly-plot .scatterlayer .js-line')].map(p => getComputedStyle(p).stroke)"
    )
    assert set(strokes) == {"rgb(47, 125, 209)", "rgb(236, 238, 240)"}


def test_keyboard_alone_leads_from_the_list_to_the_place_of_a_finding(page: Page, address: str) -> None:
    open_and_settle(page, address + "/drives")
    page.keyboard.press("Tab")
    expect(page.get_by_text("Skip to the content")).to_be_focused()
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.closest('.drives') !== null"):
            break
    page.keyboard.press("Enter")
    page.wait_for_selector(".js-plotly-plot .scatterlayer .js-line")
    for _ in range(30):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.className") == "place":
            break
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid", "the focus must be seen"
    page.keyboard.press("Enter")
    until(page, "document.querySelector('.js-plotly-plot').layout.xaxis.range[0].includes('00:21:06')")


def test_empty_logbook_says_how_to_begin(page: Page, empty_address: str) -> None:
    open_and_settle(page, empty_address + "/")
    expect(page.get_by_role("heading", level=1)).to_have_text("No drives yet")
    commands = page.locator("code").all_text_contents()
    assert commands == ["obdwatch record --port auto", "obdwatch import drive.csv"]
    expect(page.get_by_role("button", name="Show me the invented car")).to_be_visible()


def test_list_leads_to_a_drive_and_back(page: Page, address: str) -> None:
    open_and_settle(page, address + "/drives")
    page.locator(".drives a").first.click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("20 January 2026")
    page.wait_for_selector(".js-plotly-plot .scatterlayer .js-line")
    page.go_back()
    expect(page.get_by_role("heading", level=1)).to_have_text("Drives")
    expect(page).to_have_title("Drives – obdwatch")


def test_unknown_address_is_said(page: Page, address: str) -> None:
    open_and_settle(page, address + "/nowhere")
    expect(page.get_by_role("alert")).to_contain_text("There is no such page")


def test_paper_shows_findings_and_no_controls(page: Page, address: str) -> None:
    open_and_settle(page, address + "/drive/cold-start")
    page.emulate_media(media="print")
    expect(page.get_by_role("button", name="Whole drive")).to_be_hidden()
    expect(page.locator(".finding").first).to_be_visible()
    expect(page.locator("#signals .js-plotly-plot")).to_be_visible()


@pytest.mark.parametrize("path", ["/", "/part/blue/thermostat", "/trends"])
def test_paper_is_white_with_dark_letters_whatever_the_screen(
    open_page: Callable[..., Page], address: str, path: str
) -> None:
    """A browser leaves grounds out when it prints: light letters of a dark screen would be gone."""
    page = open_page(color_scheme="dark")
    open_and_settle(page, address + path)
    page.emulate_media(media="print", color_scheme="dark")
    for what, colour in (("color", "rgb(0, 0, 0)"), ("backgroundColor", "rgb(255, 255, 255)")):
        assert page.evaluate(f"getComputedStyle(document.body).{what}") == colour
    expect(page.get_by_role("link", name="Drives", exact=True)).to_be_hidden()


def test_reduced_window_is_no_loss_for_a_finger(open_page: Callable[..., Page], address: str) -> None:
    """On a phone a finger on the picture scrolls the page, and the buttons move along the drive."""
    page = open_page(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    open_and_settle(page, address + "/drive/cold-start")
    assert page.evaluate("document.querySelector('.js-plotly-plot').layout.dragmode") is False
    touch = page.evaluate("getComputedStyle(document.querySelector('.nsewdrag')).touchAction")
    assert touch == "pan-y pinch-zoom"
    page.get_by_role("button", name="Closer").tap()
    until(page, "document.querySelector('.js-plotly-plot').layout.xaxis.range[0].includes('00:07:45')")
