"""The page of a running recording in a browser: values appear and move, a danger is large, anybody can use it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Car, Session
from tests.browser.conftest import MARKUP, serving, until
from tests.dashboards.live.recording import BEGAN, write


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    made = Logbook(tmp_path)
    made.add_car(Car("fern", MARKUP, cylinders=4))
    return made


@pytest.fixture
def address(book: Logbook) -> Iterator[str]:
    with serving(book) as base:
        yield base


# Stands in for the browser's voices, because a test machine has none: one that would send the words away, one that does
# not. What was said, and by which voice, is kept.
VOICES = """
window.said = [];
window.SpeechSynthesisUtterance = function (text) { this.text = text; };
Object.defineProperty(window, "speechSynthesis", { value: {
  getVoices: () => [["far", false], ["near", true]].map(([name, own]) => ({ name, lang: "en-GB", localService: own })),
  addEventListener: () => {}, cancel: () => {},
  speak: (one) => window.said.push([one.voice.name, one.text]),
} });
"""


def test_a_recording_appears_moves_warns_and_ends(page: Page, address: str, book: Logbook) -> None:
    page.add_init_script(VOICES)
    page.goto(f"{address}/now")
    expect(page.get_by_text("obdwatch record --port auto")).to_be_visible()
    expect(page.locator("#live-state")).to_have_text("Nothing is being recorded.")

    with SessionWriter(book.sessions_folder / "now.obdw", Session("now", BEGAN, "fern", note=MARKUP)) as writer:
        write(writer, 0, 200, coolant=90)
        # On a busy machine the seconds pass in which what came is new.
        under_way = re.compile("A drive is being recorded|the recording goes on")
        expect(page.locator("#live-state")).to_have_text(under_way, timeout=15_000)
        expect(page.locator("#live-facts")).to_contain_text(MARKUP)  # as text
        expect(page.locator("#live-signals li", has_text="coolant").locator(".value")).to_have_text("90 °C")
        expect(page.locator(".live-line")).to_have_count(2)
        drawn = page.locator(".live-line path").first.get_attribute("d") or ""
        assert drawn.count("L") > 100, "what came before the page was opened is drawn"

        page.locator("#live-signals input").nth(1).uncheck()
        expect(page.locator(".live-line")).to_have_count(1)
        until(page, "location.search === '?show=coolant_temperature'")
        page.get_by_role("button", name="10 minutes").click()
        expect(page.locator(".live-axis")).to_contain_text("10 minutes ago")

        page.get_by_label("say them aloud").check()
        page.get_by_role("button", name="Try").click()
        until(page, "window.said.length === 1")

        write(writer, 200, 240, coolant=123)
        danger = page.get_by_role("alert")
        expect(danger).to_contain_text("stop where it is safe", timeout=10_000)
        title = danger.locator(".title")
        assert float(title.evaluate("e => parseFloat(getComputedStyle(e).fontSize)")) >= 40, "large type"
        expect(page.locator("#live-left")).to_have_text("Not now: first what the warning says.")
        until(page, "window.said.some(([, text]) => text.includes('stop where it is safe'))")
        assert page.evaluate("window.said.every(([voice]) => voice === 'near')"), "no word leaves the machine"
        expect(page.locator("#live-warnings")).to_contain_text("0:03:")
        expect(page.locator(".live-line b")).to_have_text("123 °C")

        page.get_by_text("US", exact=True).click()
        expect(page.locator(".live-line b")).to_have_text("253 °F")  # 123 x 1.8 + 32 = 253.4

    expect(page.locator("#live-state")).to_have_text("The recording has ended.", timeout=10_000)
    expect(page.locator("#live-danger .title")).to_contain_text("At the end of the recording: ")
    expect(page.locator("#live-danger")).to_contain_text("Never open the cooling system hot")
    expect(page.get_by_label("say them aloud")).to_be_hidden()
    expect(page.locator("#live-left")).not_to_contain_text("Drive on")
    expect(page.get_by_role("link", name="See the drive")).to_have_attribute("href", "/drive/now")


def test_a_page_that_was_cut_off_calls_nothing_new_and_misses_nothing(
    browser: Browser, address: str, book: Logbook
) -> None:
    """Not by `page`: here the browser must report that the server could not be reached."""
    context = browser.new_context()
    page = context.new_page()
    page.add_init_script(VOICES)
    with SessionWriter(book.sessions_folder / "now.obdw", Session("now", BEGAN, "fern")) as writer:
        write(writer, 0, 100, coolant=90)
        page.goto(f"{address}/now")
        coolant = page.locator("#live-signals li", has_text="coolant")
        expect(coolant.locator(".value")).to_have_text("90 °C", timeout=15_000)
        page.get_by_label("say them aloud").check()
        context.set_offline(True)
        expect(page.locator("#live-state")).to_contain_text("What stands here is from before.", timeout=15_000)
        expect(coolant.locator(".age")).to_be_hidden()
        write(writer, 100, 200, coolant=123)
        context.set_offline(False)
        expect(coolant.locator(".value")).to_have_text("123 °C", timeout=30_000)
        expect(page.locator("#live-state")).not_to_contain_text("from before")
        expect(page.get_by_role("alert")).to_contain_text("stop where it is safe")
        until(page, "window.said.filter(([, text]) => text.includes('stop where it is safe')).length === 1")
        drawn = page.locator(".live-line path").first.get_attribute("d") or ""
        assert drawn.count("L") > 100, "what came meanwhile is drawn as well"
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_on_a_phone_it_fits_and_has_no_serious_accessibility_fault(
    open_page: Callable[..., Page], address: str, book: Logbook, scheme: str
) -> None:
    """axe-core's rules (Deque Systems, open source) stand for WCAG 2."""
    page = open_page(color_scheme=scheme, viewport={"width": 390, "height": 844})
    with SessionWriter(book.sessions_folder / "now.obdw", Session("now", BEGAN, "fern")) as writer:
        write(writer, 0, 230, coolant=118)
        page.goto(f"{address}/now")
        expect(page.locator(".live-line")).to_have_count(2, timeout=15_000)
        expect(page.locator("#live-danger .title")).to_be_visible()
        until(page, "document.documentElement.scrollWidth <= 390")
        found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]]) for v in found if v["impact"] in ("serious", "critical")] == []
