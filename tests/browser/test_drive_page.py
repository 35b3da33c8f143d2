"""The page of a drive in a real browser: what is seen, where a finding leads, and what a zoom brings."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import parse_qs, quote, urlsplit

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser.conftest import HOSTILE_ID, MARKUP, until

GRAPH = "#signals .js-plotly-plot"


def open_drive(page: Page, address: str, session_id: str = "cold-start", query: str = "") -> None:
    page.goto(f"{address}/drive/{quote(session_id, safe='')}{query}")
    page.wait_for_selector(f"{GRAPH} .scatterlayer .js-line")


def visible_part(page: Page) -> tuple[str, str]:
    start, end = page.evaluate(f"document.querySelector('{GRAPH}').layout.xaxis.range")
    return start[11:19], end[11:19]


def points(page: Page, trace: int = 0) -> int:
    count: int = page.evaluate(f"document.querySelector('{GRAPH}').data[{trace}].x.length")
    return count


def texts_of(page: Page) -> list[str]:
    return page.locator(f"{GRAPH} .annotation-text").all_text_contents()


def button(page: Page, name: str) -> Locator:
    return page.get_by_role("button", name=name, exact=True)


def drag(page: Page, start: float, end: float) -> None:
    """Drag over the picture, from one fraction of its width to another."""
    page.evaluate("document.getElementById('signals-heading').scrollIntoView()")
    box = page.locator(f"{GRAPH} .nsewdrag").first.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] * start, box["y"] + 40)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * end, box["y"] + 40, steps=6)
    page.mouse.up()


def test_title_says_when_which_car_how_long_and_how_far(page: Page, address: str) -> None:
    open_drive(page, address)
    expect(page.get_by_role("heading", level=1)).to_contain_text("20 January 2026")
    expect(page.locator(".lead").first).to_have_text("The old blue estate")
    expect(page.locator(".lead").nth(1)).to_have_text(re.compile(r"31\sminutes, at least \d+\.\d\skm"))
    expect(page).to_have_title(re.compile("The old blue estate, .*20 January 2026.* – obdwatch"))


def test_finding_comes_in_words_with_urgency_and_what_is_missing_with_the_drive_to_get_it(
    page: Page, address: str
) -> None:
    open_drive(page, address)
    states = page.locator(".finding .state").all_text_contents()
    assert states == ["At the next service"]
    assert page.locator(".answered h3").all_text_contents() == ["Cannot tell yet", "Looks healthy"]
    short = "1 thing to see to: at the next service. 1 other check looked healthy and 1 question could not be answered."
    expect(page.locator(".lead").nth(2)).to_have_text(short)
    fault = page.locator(".finding").first
    expect(fault).to_contain_text("The thermostat lets the engine run too cold")
    fault.get_by_text("The numbers behind it").click()
    expect(fault.get_by_text("84 to 92")).to_be_visible()
    expect(fault).to_contain_text("hot coolant scalds")
    expect(page.locator(".finding").nth(1)).to_contain_text("To find out: after a drive of 20 minutes")


def test_place_of_a_finding_is_marked_and_a_click_leads_there(page: Page, address: str) -> None:
    open_drive(page, address)
    assert "coolant stays cold" in texts_of(page)
    before = page.evaluate(f"document.querySelector('{GRAPH}').layout.shapes[0].opacity")
    page.get_by_role("button", name="Show 0:22:00 to 0:28:00").click()
    # 15 % more on either side of 1320 .. 1680 s
    until(page, f"document.querySelector('{GRAPH}').layout.xaxis.range[0].includes('00:21:06')")
    assert visible_part(page) == ("00:21:06", "00:28:54")
    after = page.evaluate(f"document.querySelector('{GRAPH}').layout.shapes[0]")
    assert after["opacity"] > before
    assert after["x0"].startswith("2000-01-01T00:22:00")
    expect(page.locator("#signals-heading")).to_be_in_viewport()
    expect(page.locator("#signals-heading")).to_be_focused()


def test_event_is_a_line_with_words_and_a_way_to_it(page: Page, address: str) -> None:
    open_drive(page, address)
    assert "link lost, 60 seconds" in texts_of(page)
    button(page, "0:11:40").click()
    until(page, f"document.querySelector('{GRAPH}').layout.xaxis.range[0].includes('00:10:')")


def test_address_of_a_section_opens_there(page: Page, address: str) -> None:
    page.goto(f"{address}/drive/cold-start#signals-heading")
    heading = page.locator("#signals-heading")
    expect(heading).to_be_in_viewport()
    expect(heading).to_be_focused()


def test_no_line_is_drawn_across_a_lost_link(page: Page, address: str) -> None:
    open_drive(page, address)
    pieces = page.locator(f"{GRAPH} .scatterlayer .trace").first.locator(".js-line")
    expect(pieces).to_have_count(2)  # one before the gap, one after
    before, after = (piece.bounding_box() for piece in pieces.all())
    assert before is not None
    assert after is not None
    assert after["x"] - (before["x"] + before["width"]) > 20  # 60 of 1,860 seconds on a picture of 1,150 pixels


def test_drag_brings_more_detail_and_the_buttons_lead_back(page: Page, address: str) -> None:
    open_drive(page, address, "four-hours")
    assert points(page) <= 2_100
    drag(page, 0.30, 0.36)
    until(page, f"document.querySelector('{GRAPH}').layout.xaxis.range[0].includes('01:1')")
    expect(page.locator("#values .numbers caption")).to_contain_text("1:1")
    inside = page.evaluate(
        f"""(() => {{ const g = document.querySelector('{GRAPH}'); const [a, b] = g.layout.xaxis.range;
            const inside = g.data[0].x.filter(x => x.replace('T', ' ') >= a.replace('T', ' ')
                                                && x.replace('T', ' ') <= b.replace('T', ' '));
            return inside.length; }})()"""
    )
    assert inside > 1_000, "the part in view must be drawn with a point for each pixel of its picture, 1,152"
    button(page, "Whole drive").click()
    until(page, f"document.querySelector('{GRAPH}').layout.xaxis.range[0].includes('00:00:00')")
    assert visible_part(page) == ("00:00:00", "04:00:00")


def test_double_click_shows_the_whole_drive_again(page: Page, address: str) -> None:
    open_drive(page, address, query="?from=100&to=200")
    assert visible_part(page) == ("00:01:40", "00:03:20")
    page.locator(f"{GRAPH} .nsewdrag").first.dblclick(position={"x": 200, "y": 40})
    until(page, f"document.querySelector('{GRAPH}').layout.xaxis.range[1].includes('00:31:00')")


def test_single_spike_survives_at_every_zoom(page: Page, address: str) -> None:
    open_drive(page, address, "four-hours")
    # data[] holds Plotly's compact arrays; what it made of them is in calcdata
    highest = f"Math.max(...document.querySelector('{GRAPH}').calcdata[0].map(p => p.y).filter(Number.isFinite))"
    assert page.evaluate(highest) == 400


def test_address_keeps_the_view_through_a_reload(page: Page, address: str) -> None:
    open_drive(page, address)
    page.wait_for_timeout(300)
    assert urlsplit(page.url).query == "", "an address is as it was until the reader changes something"
    page.get_by_text("Choose signals").click()
    page.get_by_label("Engine speed").uncheck()
    expect(page.locator("#values")).not_to_contain_text("Engine speed")
    button(page, "Closer").click()
    until(page, f"document.querySelector('{GRAPH}').layout.xaxis.range[0].includes('00:07:45')")
    query = parse_qs(urlsplit(page.url).query)
    assert query["from"] == ["465.0"]
    assert "engine_speed" not in query["show"]
    page.reload()
    page.wait_for_selector(f"{GRAPH} .scatterlayer .js-line")
    assert visible_part(page) == ("00:07:45", "00:23:15")
    expect(page.locator("#values")).not_to_contain_text("Engine speed")
    expect(page.locator("#values")).to_contain_text("Vehicle speed")


def test_opening_a_drive_draws_it_once(page: Page, address: str) -> None:
    """Dash calls a callback again when a part announces what it was given; that would double the first wait."""
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.post_data or "") if request.method == "POST" else None)
    open_drive(page, address)
    page.wait_for_selector("#curves .js-plotly-plot")
    page.wait_for_timeout(500)
    assert len(asked) == 3  # the heading, the body with its picture, then what was measured against what was expected


def test_choosing_signals_changes_the_panels(page: Page, address: str) -> None:
    open_drive(page, address)
    page.get_by_text("Choose signals").click()
    panels = page.locator(f"{GRAPH} .annotation-text", has_text=re.compile("^Ignition timing|^Timing advance"))
    expect(panels).to_have_count(0)
    page.get_by_label("Ignition timing advance").check()
    expect(panels).to_have_count(1)
    before = page.locator(GRAPH).bounding_box()
    for name in ("Engine speed", "Vehicle speed", "Air flow rate"):
        page.get_by_label(name).uncheck()
    expect(page.locator("#values")).not_to_contain_text("Air flow")
    after = page.locator(GRAPH).bounding_box()
    assert before is not None
    assert after is not None
    assert after["height"] < before["height"]


def test_no_signal_chosen_is_said(page: Page, address: str) -> None:
    open_drive(page, address, query="?show=coolant_temperature")
    page.get_by_text("Choose signals").click()
    page.get_by_label("Engine coolant temperature").uncheck()
    expect(page.locator("#values")).to_have_text("No signal is chosen.")


def test_units_change_everywhere_at_once_and_are_remembered(page: Page, address: str) -> None:
    open_drive(page, address)
    page.get_by_label("US", exact=True).check()
    expect(page.locator(".lead").nth(1)).to_contain_text("miles")
    expect(page.locator(".finding").first).to_contain_text("166 °F")  # 74.2 degC
    page.wait_for_selector(f"{GRAPH} .scatterlayer .js-line")
    assert "Temperatures, °F" in texts_of(page)
    assert "Vehicle speed, mph" in texts_of(page)
    page.goto(f"{address}/drives")
    expect(page.locator(".drives > li").first).to_contain_text("106,832 miles")  # 171,930 km
    page.get_by_label("Metric").check()
    expect(page.locator(".drives > li").first).to_contain_text("171,930 km")


@pytest.mark.parametrize(
    ("session_id", "title", "sentence"),
    [
        ("torn", "This drive cannot be shown", "is damaged from byte 4,096 on; restore it from a copy"),
        ("gone", "This drive cannot be shown", "the file of this drive is not there"),
        ("unknown", "This page cannot be shown", "no drive with that address"),
        ("../../etc/passwd", "This page cannot be shown", "no drive with that address"),
    ],
)
def test_what_cannot_be_shown_says_why_and_leads_on(
    page: Page, address: str, session_id: str, title: str, sentence: str
) -> None:
    page.goto(f"{address}/drive/{quote(session_id, safe='')}")
    told = page.get_by_role("alert")
    expect(told).to_contain_text(title)
    expect(told).to_contain_text(sentence)
    page.get_by_role("link", name="All drives").last.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Drives")


def test_drive_without_signals_says_what_to_look_for(page: Page, address: str) -> None:
    page.goto(f"{address}/drive/empty")
    expect(page.locator(".notice")).to_contain_text("holds no values that could be drawn")
    expect(page.locator(".notice")).to_contain_text("Was the ignition on, and the adapter seated")
    expect(page.get_by_text("has not been analysed yet")).to_be_visible()


def test_markup_in_names_stays_text(page: Page, address: str) -> None:
    open_drive(page, address, HOSTILE_ID)
    assert page.locator("main img, main b, main script").count() == 0
    expect(page.locator(".finding h3")).to_have_text(MARKUP)
    shown = " ".join(texts_of(page)).replace("\N{ZERO WIDTH SPACE}", "")
    assert "<img src=x onerror=alert(1)>" in shown
    assert page.locator(f"{GRAPH} a, {GRAPH} image").count() == 0


def test_a_million_samples_open_and_zoom(page: Page, address: str) -> None:
    """Six signals of a million samples; how long it takes is what the benchmark measures."""
    open_drive(page, address, "four-hours")
    button(page, "Closer").click()
    until(page, f"document.querySelector('{GRAPH}').layout.xaxis.range[0].includes('01:00:00')")


def test_second_look_asks_the_server_for_no_file_again(page: Page, address: str) -> None:
    open_drive(page, address)
    asked: list[str] = []
    watching = page.context.new_cdp_session(page)
    watching.send("Network.enable")

    def answered(event: dict[str, Any]) -> None:
        answer = event["response"]
        if not answer.get("fromDiskCache") and event["requestId"] not in kept:
            asked.append(urlsplit(answer["url"]).path)

    kept: set[str] = set()
    watching.on("Network.requestServedFromCache", lambda event: kept.add(event["requestId"]))
    watching.on("Network.responseReceived", answered)
    open_drive(page, address)
    page.wait_for_selector("#curves :not(.loading)")
    assert any(path.startswith("/_dash-update-component") for path in asked)
    assert {path for path in asked if path.endswith((".js", ".css"))} == set()
