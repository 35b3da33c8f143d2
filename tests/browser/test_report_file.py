"""The report as a file in a real browser: it asks for nothing, runs nothing, fits, and can be read by everybody."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Route, expect

from obdwatch.logbook.logbook import Logbook
from obdwatch.records import Car, Event, EventKind
from obdwatch.reporting.document import Section
from obdwatch.reporting.page import page
from obdwatch.reporting.report import report_of
from tests.browser.conftest import serving
from tests.dashboards.samples import CAR, HEALTHY, session
from tests.dashboards.test_with_the_logbook import written
from tests.reporting.conftest import MADE_AT
from tests.reporting.test_hostile import HOSTILE, picture


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    logbook = Logbook(folder / "logbook")
    logbook.save_car(Car("car", HOSTILE[0]))
    for text in (*HOSTILE, "w" * 500):
        logbook.add_event(Event("car", MADE_AT, EventKind.NOTE, 150_000.0, note=text))
    report = report_of(logbook, None, "metric", MADE_AT)
    drawn = replace(report, sections=(*report.sections, Section("Pictures", tuple(map(picture, HOSTILE)))))
    path = folder / "report.html"
    path.write_text(page(drawn), "utf-8")
    return path


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_asks_for_nothing_fits_and_is_accessible(browser: Browser, file: Path, scheme: str) -> None:
    """axe-core's rules (Deque Systems, open source) stand for WCAG 2."""
    context = browser.new_context(color_scheme=scheme, viewport={"width": 390, "height": 844})
    shown = context.new_page()
    asked: list[str] = []
    said: list[str] = []
    shown.on("request", lambda request: asked.append(request.url))
    shown.on("console", lambda message: said.append(message.text))
    shown.on("dialog", lambda dialog: said.append(dialog.message))
    shown.goto(file.as_uri())
    for width in (390, 1400, 3840):
        shown.set_viewport_size({"width": width, "height": 900})
        assert shown.evaluate("document.documentElement.scrollWidth") <= width
        drawn = [one.is_visible() for one in shown.locator("svg.wide").all()]
        assert set(drawn) == {width > 704}, "the picture drawn for this width"
    found = Axe().run(shown).response["violations"]
    assert [(v["id"], v["nodes"][0]["target"]) for v in found if v["impact"] in ("serious", "critical")] == []
    ground = "getComputedStyle(document.body).backgroundColor"
    assert shown.evaluate(ground) == ("rgb(20, 23, 27)" if scheme == "dark" else "rgb(255, 255, 255)")
    shown.emulate_media(media="print")
    assert shown.evaluate(ground) == "rgb(255, 255, 255)", "paper is white"
    context.close()
    assert asked == [file.as_uri()]
    assert said == []


def test_page_says_that_a_report_is_made_that_it_is_there_and_why_not(browser: Browser, tmp_path: Path) -> None:
    logbook = Logbook(tmp_path / "logbook")
    logbook.save_car(CAR)
    drive = logbook.add_session(written(logbook.sessions_folder, session("morning")))
    logbook.save_analysis(drive.id, (HEALTHY,), ())
    shown = browser.new_page(viewport={"width": 390, "height": 844})
    held: list[Route] = []
    with serving(logbook) as address:
        shown.goto(address)
        link = shown.get_by_role("link", name=re.compile("PDF", re.IGNORECASE))
        told = shown.get_by_role("status")
        shown.route("**/report/**", lambda route: held.append(route))
        link.click()
        expect(told).to_have_text(re.compile(r"^Making the report: .* …$"))
        link.click()  # in vain: it is being made
        with shown.expect_download() as coming:
            held[0].continue_()
        assert re.fullmatch(r"\d{4}-\d\d-\d\d-blue\.pdf", coming.value.suggested_filename)
        assert Path(coming.value.path()).read_bytes().startswith(b"%PDF-")
        expect(told).to_have_text(re.compile(r"^The report is there: .*blue\.pdf$"))
        assert len(held) == 1
        shown.unroute("**/report/**")
        shown.route("**/report/**", lambda route: route.abort("connectionrefused"))
        link.click()
        expect(told).to_have_text("The report could not be made: the dashboard does not answer.")
        shown.close()
