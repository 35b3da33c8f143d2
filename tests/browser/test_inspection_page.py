"""The guided inspection on a phone: walked through by taps and by keys, with a photo, after a reload, by ear."""

from __future__ import annotations

import io
import re
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Page, expect

from dashboards.photos import FOLDER, MOST_BYTES
from dashboards.server import prepare
from obdwatch.logbook.logbook import Logbook
from obdwatch.records import Car, Event, EventKind
from tests.browser.conftest import until

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
LARGE = 44  # CSS pixels: WCAG 2.2, 2.5.5 (enhanced target size)


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    made = Logbook(tmp_path)
    made.add_car(Car("fern", "Fern", cylinders=6))
    made.add_event(Event("fern", datetime.now(UTC) - timedelta(days=9), EventKind.ODOMETER, 168_000.0))
    return made


@pytest.fixture
def start(book: Logbook) -> Iterator[str]:
    server = prepare(book, port=0)
    thread = threading.Thread(target=server.run)
    thread.start()
    yield server.address.rstrip("/")
    server.stop()
    thread.join(10)


def answers(book: Logbook) -> list[str | None]:
    return [one.answer for one in book.events("fern") if one.question]


def asked(page: Page, number: int) -> None:
    expect(page.locator(".walk .progress p")).to_contain_text(f"Question {number} of 8")


def fits(page: Page) -> None:
    until(page, "document.documentElement.scrollWidth <= 390")


def add_photo(page: Page, file: Path) -> None:
    with page.expect_file_chooser() as chosen:
        page.get_by_role("button", name="Add a photo (optional)").tap()
    chosen.value.set_files(file)


def no_serious_fault(page: Page) -> None:
    """axe-core's rules (Deque Systems, open source) stand for WCAG 2."""
    found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]]) for v in found if v["impact"] in ("serious", "critical")] == []


def test_walk_by_taps_survives_a_reload_and_ends_in_a_summary(
    open_page: Callable[..., Page], start: str, book: Logbook
) -> None:
    page = open_page(**PHONE)
    page.goto(f"{start}/inspection")
    expect(page.get_by_role("heading", level=1)).to_have_text("Fern: inspection")
    fits(page)
    page.get_by_role("link", name="Begin").tap()
    asked(page, 1)
    expect(page.locator(".caution")).to_be_visible()
    fits(page)
    for name in ("Yes", "No", "Not sure"):  # the first questions are about what one remembers
        box = page.get_by_role("button", name=name, exact=True).bounding_box()
        assert box is not None
        assert min(box["height"], box["width"]) >= LARGE
        assert box["y"] + box["height"] <= 844, "the answers stand on the first screen"
    page.get_by_role("button", name="Yes", exact=True).tap()
    asked(page, 2)
    page.get_by_role("button", name="No", exact=True).tap()
    asked(page, 3)
    page.reload()
    asked(page, 3)
    assert answers(book) == ["yes", "no"]
    page.get_by_role("link", name="Back").tap()
    asked(page, 2)
    expect(page.get_by_role("button", name="No (your answer)")).to_be_visible()
    page.get_by_role("button", name="Not sure").tap()
    asked(page, 3)
    assert answers(book) == ["yes", "could not look"]
    page.goto(f"{start}/inspection")
    page.get_by_role("link", name="Go on").tap()
    for number in range(3, 9):
        asked(page, number)
        page.get_by_role("button", name="Yes", exact=True).tap()
    expect(page.get_by_text("All 8 questions are answered.")).to_be_visible()
    expect(page.get_by_role("heading", name="What your answers changed")).to_be_visible()
    expect(page.get_by_text(re.compile("more likely worn")).first).to_be_visible()
    fits(page)
    assert len(answers(book)) == 8


def test_photo_is_made_small_loses_its_place_and_stays_here(
    open_page: Callable[..., Page], start: str, book: Logbook, tmp_path: Path
) -> None:
    """A photo of 12 megapixels with the place where it was taken (Exif 2.32, tag 0x8825), by an independent writer."""
    exif = Image.Exif()
    exif.get_ifd(0x8825)[1] = "N"
    large = tmp_path / "photo.jpg"
    Image.effect_noise((3000, 4000), 80).convert("RGB").save(large, quality=95, exif=exif)
    assert large.stat().st_size > MOST_BYTES
    page = open_page(**PHONE)
    page.goto(f"{start}/inspection")
    page.get_by_role("link", name="Begin").tap()
    add_photo(page, large)
    expect(page.get_by_text("The photo goes into your logbook together with your answer.")).to_be_visible()
    expect(page.get_by_role("img", name="Your photo")).to_be_visible()
    page.get_by_role("button", name="Yes", exact=True).tap()
    asked(page, 2)
    (event,) = [one for one in book.events("fern") if one.question]
    kept = (book.directory / FOLDER / f"{event.id}.jpg").read_bytes()
    assert len(kept) <= MOST_BYTES
    with Image.open(io.BytesIO(kept)) as picture:
        assert picture.format == "JPEG"
        assert max(picture.size) <= 1600
        assert dict(picture.getexif()) == {}
    page.get_by_role("link", name="Stop here").tap()
    expect(page.get_by_role("img", name=re.compile("^Photo: "))).to_be_visible()


def test_what_is_no_picture_is_said_and_the_answer_goes_through(
    open_page: Callable[..., Page], start: str, book: Logbook, tmp_path: Path
) -> None:
    wrong = tmp_path / "note.jpg"
    wrong.write_text("<script>alert(1)</script>", "utf-8")
    page = open_page(**PHONE)
    page.goto(f"{start}/inspection")
    page.get_by_role("link", name="Begin").tap()
    add_photo(page, wrong)
    expect(page.get_by_text("This file is no picture, or none that this browser can read.")).to_be_visible()
    page.get_by_role("button", name="No", exact=True).tap()
    asked(page, 2)
    assert answers(book) == ["no"]
    assert not (book.directory / FOLDER).exists()


def test_keyboard_alone_answers_and_the_next_question_is_announced(page: Page, start: str, book: Logbook) -> None:
    page.goto(f"{start}/inspection")
    page.get_by_role("link", name="Begin").focus()
    page.keyboard.press("Enter")
    asked(page, 1)
    first = page.get_by_role("heading", level=1).inner_text()
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.closest('.three') !== null"):
            break
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid", "the focus must be seen"
    page.keyboard.press("Enter")
    asked(page, 2)
    second = page.get_by_role("heading", level=1).inner_text()
    assert second != first
    expect(page).to_have_title(f"{second} – obdwatch")
    expect(page.locator("#page")).to_be_focused()
    assert answers(book) == ["yes"]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_step_has_a_serious_accessibility_fault(
    open_page: Callable[..., Page], start: str, book: Logbook, scheme: str
) -> None:
    page = open_page(color_scheme=scheme, **PHONE)
    page.goto(f"{start}/inspection")
    begin = page.get_by_role("link", name="Begin")
    expect(begin).to_be_visible()
    no_serious_fault(page)
    begin.tap()
    asked(page, 1)
    no_serious_fault(page)
    page.get_by_role("button", name="Yes", exact=True).tap()
    asked(page, 2)
    page.get_by_role("link", name="Stop here").tap()
    expect(page.get_by_role("heading", name="Your answers", exact=True)).to_be_visible()
    no_serious_fault(page)


def test_large_screen_keeps_the_question_together(open_page: Callable[..., Page], start: str) -> None:
    page = open_page(viewport={"width": 3840, "height": 2160})
    page.goto(f"{start}/inspection")
    page.get_by_role("link", name="Begin").click()
    asked(page, 1)
    width = page.evaluate("document.querySelector('.walk').getBoundingClientRect().width")
    letter = page.evaluate("parseFloat(getComputedStyle(document.documentElement).fontSize)")
    assert width <= 44.5 * letter  # type is larger on a very large screen
