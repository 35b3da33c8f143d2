"""Measured against expected in a real browser: pictures that come after the page, states at a click, two drives."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.browser.conftest import served, until
from tests.dashboards.test_curves import drives_of_a_coil

GRAPH = "document.querySelector('#signals .js-plotly-plot')"
STATES = f"{GRAPH}.layout.annotations.filter((one) => one.name === 'state-name').length"
PHONE = {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def coil(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(drives_of_a_coil(tmp_path_factory.mktemp("coil"))) as base:
        yield base


def test_the_pictures_come_after_the_page_and_stay_through_a_zoom(page: Page, address: str) -> None:
    page.goto(f"{address}/drive/cold-start")
    page.wait_for_selector("#curves .js-plotly-plot .scatterlayer")
    expect(page.get_by_role("heading", name="Warming up")).to_be_visible()
    expect(page.get_by_role("img", name="Picture: Warming up")).to_have_count(1)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.post_data or "") if request.method == "POST" else None)
    page.get_by_role("button", name="Closer").click()
    until(page, f"{GRAPH}.layout.xaxis.range[0] > '2000-01-01 00:01'")
    assert not any('"curves.children"' in sent for sent in asked)


def test_states_are_shown_at_a_click_and_are_off_on_a_phone(open_page: Callable[..., Page], address: str) -> None:
    wide = open_page(viewport={"width": 1280, "height": 900})
    wide.goto(f"{address}/drive/cold-start")
    wide.wait_for_selector("#signals .js-plotly-plot .scatterlayer .js-line")
    until(wide, f"{STATES} > 0")
    wide.get_by_label("Show when the engine was warm").uncheck()
    until(wide, f"{STATES} === 0")
    phone = open_page(viewport=PHONE)
    phone.goto(f"{address}/drive/cold-start")
    phone.wait_for_selector("#signals .js-plotly-plot .scatterlayer .js-line")
    assert phone.evaluate(STATES) == 0
    phone.get_by_label("Show when the engine was warm").check()
    until(phone, f"{STATES} > 0")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_repair_is_compared_on_a_phone_too(open_page: Callable[..., Page], coil: str, scheme: str) -> None:
    page = open_page(viewport=PHONE, color_scheme=scheme)
    page.goto(f"{coil}/compare/blue")
    page.wait_for_selector("#pairs .js-plotly-plot .barlayer")
    expect(page.locator("#comparison table").first).to_be_attached()
    until(page, f"document.documentElement.scrollWidth <= {PHONE['width']}")
    found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]]) for v in found if v["impact"] in ("serious", "critical")] == []


def test_two_other_drives_are_chosen_and_have_an_address(page: Page, coil: str) -> None:
    page.goto(f"{coil}/compare/blue")
    page.wait_for_selector("#pairs .js-plotly-plot")
    page.get_by_role("textbox", name="Before").click()
    page.get_by_role("option", name="1 January").click()
    page.get_by_role("button", name="Compare").click()
    until(page, "location.search === '?before=d1&after=d12'")
    expect(page.locator("#pairs")).to_contain_text("400 of 400 misfires")
