"""A drive handed in, read, kept, named, removed and put back, by clicks over a real logbook."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from obdwatch.logbook.logbook import Logbook
from tests.browser.conftest import serving
from tests.dashboards.samples import CAR, session
from tests.dashboards.test_with_the_logbook import written

TABLE = b"time_s,rpm,Temp<b>\n0,800,20\n1,810,21\n2,820,22\n"


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Logbook:
    made = Logbook(tmp_path_factory.mktemp("kept"))
    made.add_car(CAR)
    made.add_session(written(made.sessions_folder, session("morning")))
    return made


@pytest.fixture(scope="module")
def own_address(book: Logbook) -> Iterator[str]:
    with serving(book) as base:
        yield base


def hand_in(page: Page, base: str, name: str, content: bytes) -> None:
    page.goto(f"{base}/new-drive")
    page.wait_for_selector("#file")
    page.set_input_files("#file", {"name": name, "mimeType": "text/csv", "buffer": content})


def test_a_table_comes_in_and_its_drive_is_named_removed_and_put_back(page: Page, own_address: str) -> None:
    hand_in(page, own_address, "sunday.csv", TABLE)
    expect(page.locator("#preview")).to_contain_text("1 signal recognised, 1 column left out", timeout=30_000)
    column = page.get_by_role("textbox", name="Read Temp<b> as")
    column.fill("Coolant temp")
    page.get_by_role("option", name="Coolant temperature", exact=True).click()
    page.get_by_role("button", name="Read again with these columns").click()
    expect(page.locator("#preview")).to_contain_text("2 signals recognised", timeout=30_000)
    page.get_by_role("button", name="Keep this drive").click()
    page.wait_for_url("**/drives/**", timeout=30_000)
    page.get_by_label("A few words to remember it by").fill("with <b>trailer</b>")
    page.get_by_label("Odometer at the start, km").fill("12x")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#kept")).to_contain_text("The odometer must be a number")
    page.get_by_label("Odometer at the start, km").fill("160 500")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#kept")).to_have_text("Saved.")
    page.get_by_role("button", name="Remove this drive").click()
    page.wait_for_url("**/drives")
    page.get_by_role("button", name="Put back").click()
    page.wait_for_url("**/drives/**")
    expect(page.get_by_label("A few words to remember it by")).to_have_value("with <b>trailer</b>")
    expect(page.get_by_label("Odometer at the start, km")).to_have_value("160500")


def test_a_file_of_another_kind_is_refused_in_words(page: Page, own_address: str) -> None:
    hand_in(page, own_address, "photo.jpg", b"\xff\xd8")
    expect(page.locator("#arriving")).to_contain_text("photo.jpg is of no kind that can be read here")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", ["/new-drive", "/drives/morning", "/drives"])
def test_pages_fit_a_phone_and_have_no_serious_accessibility_fault(
    open_page: Callable[..., Page], own_address: str, path: str, scheme: str
) -> None:
    """axe-core's rules (Deque Systems, open source) stand for WCAG 2."""
    from axe_playwright_python.sync_playwright import Axe

    page = open_page(color_scheme=scheme, viewport={"width": 390, "height": 844})
    page.goto(own_address + path)
    page.wait_for_selector("h1")
    expect(page.locator(".loading")).to_have_count(0)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]]) for v in found if v["impact"] in ("serious", "critical")] == []


def test_a_download_starts_from_a_plain_link(page: Page, own_address: str, tmp_path: Path) -> None:
    page.goto(f"{own_address}/drives/morning")
    with page.expect_download() as started:
        page.get_by_role("link", name="a long table (.csv)").click()
    target = tmp_path / "x.csv"
    started.value.save_as(target)
    assert target.read_text("utf-8").startswith("time_s,signal,value")
