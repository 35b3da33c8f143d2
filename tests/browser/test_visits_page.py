"""The plan in a real browser: a part dragged and moved by keys, limits in the address, the sheet on paper, by ear."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from obdwatch.logbook.logbook import Logbook
from tests.browser.conftest import MARKUP, serving, until
from tests.dashboards.samples import CAR, session
from tests.dashboards.test_home_page import CHARGES, STUCK
from tests.dashboards.test_with_the_logbook import written

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    book = Logbook(tmp_path_factory.mktemp("logbook"))
    book.add_car(replace(CAR, cylinders=6, coolant_pump="electric"))
    drive = replace(session("day-20"), note=MARKUP)
    book.add_session(written(book.sessions_folder, drive))
    book.save_analysis(drive.id, (STUCK, CHARGES), [])
    with serving(book) as base:
        yield base


def dragged(page: Page, part: str, target: str) -> None:
    """Take a part with the mouse to a place of the bar that shows meanwhile."""
    chip = page.locator(f".chip[data-part={part}]").first
    chip.scroll_into_view_if_needed()
    chip.hover()
    page.mouse.down()
    box = chip.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 30, box["y"] + 30, steps=3)
    place = page.locator(".drop-bar .target", has_text=target)
    expect(place).to_be_visible()
    to = place.bounding_box()
    assert to is not None
    page.mouse.move(to["x"] + 20, to["y"] + 20, steps=3)
    page.mouse.up()


def test_a_part_is_dragged_moved_by_keys_and_the_address_holds_it(page: Page, start: str) -> None:
    page.goto(f"{start}/visits")
    expect(page.get_by_role("heading", level=1)).to_have_text("Plan of visits: The old blue estate")
    dragged(page, "thermostat", "In 5,400 km")
    moved = page.get_by_role("status")
    expect(moved).to_contain_text("You moved the thermostat")
    expect(moved).to_contain_text("more than the best plan")
    assert page.url == f"{start}/visits/blue?move=thermostat:2"
    expect(page.locator(".drop-bar")).to_be_hidden()
    page.reload()
    expect(moved).to_contain_text("You moved the thermostat")
    expect(page.locator(".lane", has_text="Visit 2: in 5,400 km").locator(".chip")).to_contain_text("moved by you")
    later = page.get_by_role("group", name="Change: coolant pump").get_by_role("link", name="Later: in 5,400 km")
    later.focus()
    page.keyboard.press("Enter")
    expect(moved).to_contain_text("You moved the coolant pump and the thermostat")
    page.go_back()
    expect(moved).to_contain_text("You moved the thermostat")
    page.get_by_role("link", name="Back to the best plan").click()
    expect(moved).to_be_empty()
    assert page.url == f"{start}/visits/blue"


def test_limits_go_into_the_address_and_back_into_the_form(page: Page, start: str) -> None:
    page.goto(f"{start}/visits")
    page.locator(".limits-box > summary").click()
    page.get_by_label("One visit may cost at most").fill("900")
    page.get_by_label("A workshop's hour costs").fill("80")
    page.get_by_label("A workshop's hour costs").press("Enter")
    expect(page.locator(".limits-box > summary")).to_contain_text("a workshop at 80 an hour, at most 900 a visit")
    assert page.url == f"{start}/visits/blue?budget=900&rate=80"
    page.reload()
    page.locator(".limits-box > summary").click()
    expect(page.get_by_label("One visit may cost at most")).to_have_value("900")
    page.get_by_label("One visit may cost at most").fill("a lot")
    page.get_by_role("button", name="Plan with these limits").click()
    expect(page.get_by_role("alert")).to_contain_text("must be a number")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_plan_reads_on_a_phone_and_by_ear(open_page: Callable[..., Page], start: str, scheme: str) -> None:
    """axe-core's rules (Deque Systems, open source) stand for WCAG 2."""
    page = open_page(color_scheme=scheme, **PHONE)
    page.goto(f"{start}/visits?move=thermostat:2&only=coolant_pump")
    expect(page.get_by_role("status")).to_contain_text("If only the coolant pump is done")
    page.evaluate("for (const folded of document.querySelectorAll('main details')) folded.open = true")
    expect(page.locator("main details:not([open])")).to_have_count(0)
    until(page, "document.documentElement.scrollWidth <= 390")
    found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]]) for v in found if v["impact"] in ("serious", "critical")] == []
    page.get_by_role("link", name="Job sheet to print").first.tap()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Job sheet of The old blue estate: visit 1, now")
    until(page, "document.documentElement.scrollWidth <= 390")
    found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]]) for v in found if v["impact"] in ("serious", "critical")] == []


def test_the_sheet_keeps_its_ticks_and_prints_without_controls(page: Page, start: str, tmp_path: Path) -> None:
    page.goto(f"{start}/visits/blue/sheet/1")
    line = page.get_by_role("checkbox").first
    line.check()
    page.reload()
    expect(line).to_be_checked()
    page.emulate_media(media="print")
    for gone in ("header", "#print", ".up"):
        expect(page.locator(gone)).to_be_hidden()
    expect(page.get_by_role("heading", name="Open in this order")).to_be_visible()
    assert page.pdf(path=tmp_path / "sheet.pdf")[:5] == b"%PDF-"
