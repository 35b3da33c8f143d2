"""Files made to break the page that takes drives in: each gets one clear sentence, and the page works afterwards."""

from __future__ import annotations

import gzip
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from dashboards import arrival_reading
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Session
from tests.browser.conftest import MARKUP, serving
from tests.dashboards.live.recording import BEGAN, write
from tests.dashboards.samples import CAR, session
from tests.dashboards.test_with_the_logbook import written

GOOD = b"time_s,rpm\n0,800\n1,810\n2,820\n"
NOISE = bytes(range(256)) * 400
SECONDS = 60_000  # milliseconds that a machine shared with others may take


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Logbook:
    made = Logbook(tmp_path_factory.mktemp("hostile"))
    made.add_car(CAR)
    made.add_session(written(made.sessions_folder, session("morning")))
    return made


@pytest.fixture(scope="module")
def own_address(book: Logbook) -> Iterator[str]:
    with serving(book) as base:
        yield base


def hand_in(page: Page, name: str, content: bytes) -> None:
    page.set_input_files("#file", {"name": name, "mimeType": "application/octet-stream", "buffer": content})


def ready(page: Page, base: str) -> None:
    page.goto(f"{base}/new-drive")
    page.wait_for_selector("#file")


def wide(columns: int) -> bytes:
    head = ",".join(f"c{number}" for number in range(columns))
    return (head + "\n" + "\n".join(",".join(["1"] * columns) for _ in range(3))).encode()


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("noise.csv", NOISE, r"noise\.csv, line 1: is not a text table"),
        ("nul.csv", b"time_s,rpm\n0,8\x0000\n", r"nul\.csv, line 2: is not a text table"),
        ("one.csv", b"time_s\n1\n2\n", r"one\.csv: holds no table: no line has several columns"),
        ("wide.csv", wide(2_000), r"wide\.csv cannot be read as it is.*1,975 further columns not shown"),
        ("noise.mf4", NOISE, r"noise\.mf4: is no MDF file"),
        ("noise.parquet", b"PAR1" + NOISE, r"noise\.parquet: is no readable Parquet file"),
        ("noise.obdw", NOISE, r"noise\.obdw.* is (no|not)"),
        ("half.csv.gz", gzip.compress(GOOD * 1000)[:40], r"half\.csv\.gz: cannot be read to its end"),
        ("photo.exe", NOISE, r"photo\.exe is of no kind that can be read here"),
        ("empty.csv", b"", r"The file is empty"),
    ],
)
def test_a_broken_file_gets_one_sentence_and_the_next_one_is_read(
    page: Page, own_address: str, name: str, content: bytes, told: str
) -> None:
    ready(page, own_address)
    hand_in(page, name, content)
    answer = page.locator("main").get_by_text(re.compile(told.split(".*")[0]))
    expect(answer.first).to_be_visible(timeout=SECONDS)
    expect(page.locator("main")).to_have_text(re.compile(told, re.DOTALL), timeout=SECONDS)
    assert "Traceback" not in page.locator("main").inner_text()
    assert "/tmp" not in page.locator("main").inner_text(), "no path of ours"
    hand_in(page, "good.csv", GOOD)
    expect(page.locator("#preview")).to_contain_text("3 rows read, 1 signal recognised", timeout=SECONDS)
    expect(page.locator("#arriving")).to_have_text("")


def test_a_packed_file_that_swells_is_refused_before_it_is_read(
    page: Page, own_address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(arrival_reading, "LARGEST", 5_000_000)
    ready(page, own_address)
    hand_in(page, "bomb.csv.gz", gzip.compress(b"time_s,rpm\n" + b"1,800\n" * 1_000_000))
    expect(page.locator("#preview")).to_contain_text("bomb.csv.gz unpacks to more than 5 MB", timeout=SECONDS)


def test_a_file_over_the_limit_is_never_sent(page: Page, own_address: str) -> None:
    ready(page, own_address)
    sent: list[str] = []
    page.on("request", lambda one: sent.append(one.url) if "/arrivals" in one.url else None)
    page.evaluate("document.getElementById('drop').dataset.most = '2000000'")
    hand_in(page, "huge.csv", b"x" * 2_500_000)
    expect(page.locator("#arriving")).to_contain_text("huge.csv has 3 MB, and at most 2 MB are taken here")
    assert sent == []


def test_markup_and_formulas_stay_text(open_page: Callable[..., Page], own_address: str) -> None:
    page = open_page(viewport={"width": 390, "height": 844})
    ready(page, own_address)
    table = f'time_s,rpm,"{MARKUP}","=HYPERLINK(""http://example.invalid"")"\n0,800,1,=1+1\n1,810,1,2\n'
    hand_in(page, f"{MARKUP.replace('/', '')}.csv", table.encode())
    expect(page.locator("#preview")).to_contain_text("1 signal recognised, 2 columns left out", timeout=SECONDS)
    expect(page.locator("#preview")).to_contain_text(MARKUP)
    expect(page.locator("#preview")).to_contain_text('=HYPERLINK("http://example.invalid")')
    assert page.locator("#preview b, #preview img").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_a_table_of_unknown_columns_is_read_once_they_are_named(page: Page, own_address: str) -> None:
    ready(page, own_address)
    hand_in(page, "shed.csv", b"Tick;Drehz\n0;800\n1;810\n2;820\n")
    expect(page.get_by_role("alert")).to_contain_text("shed.csv cannot be read as it is", timeout=SECONDS)
    for header, meant in (("Tick", "the time"), ("Drehz", "Engine speed")):
        column = page.get_by_role("textbox", name=f"Read {header} as")
        column.fill(meant)
        page.get_by_role("option", name=meant, exact=True).click()
    page.get_by_role("button", name="Read again with these columns").click()
    expect(page.locator("#preview")).to_contain_text("3 rows read, 1 signal recognised", timeout=SECONDS)


def test_utf_16_is_read(page: Page, own_address: str) -> None:
    ready(page, own_address)
    hand_in(page, "wide.csv", GOOD.decode().encode("utf-16"))
    expect(page.locator("#preview")).to_contain_text("3 rows read, 1 signal recognised", timeout=SECONDS)


def test_a_recording_says_what_it_is_what_it_lacks_and_whether_it_is_here_already(
    page: Page, own_address: str, book: Logbook, tmp_path: Path
) -> None:
    told = tmp_path / "told.obdw"
    with SessionWriter(told, Session("told", BEGAN, MARKUP, note=MARKUP, adapter=MARKUP)) as writer:
        write(writer, 0, 60, coolant=90)
    whole = told.read_bytes()
    ready(page, own_address)
    hand_in(page, "told.obdw", whole)
    expect(page.locator("#preview")).to_contain_text("A recording of obdwatch:", timeout=SECONDS)
    expect(page.locator("#preview")).to_contain_text(f"Note: {MARKUP}")
    hand_in(page, "cut.obdw", whole[: -len(whole) // 3])
    expect(page.locator("#preview")).to_contain_text("its end is missing", timeout=SECONDS)
    expect(page.get_by_role("button", name="Keep this drive")).to_be_visible()
    hand_in(page, "again.obdw", book.path_of("morning").read_bytes())
    expect(page.get_by_role("link", name="This drive is in this logbook already.")).to_be_visible(timeout=SECONDS)
    expect(page.get_by_role("button", name="Keep this drive")).to_have_count(0)


def test_reading_can_be_stopped_and_two_pages_do_not_disturb_each_other(
    open_page: Callable[..., Page], own_address: str
) -> None:
    first, second = open_page(), open_page()
    ready(first, own_address)
    ready(second, own_address)
    hand_in(first, "long.csv", b"time_s,rpm\n" + b"".join(b"%d,800\n" % t for t in range(600_000)))
    first.get_by_role("button", name="Stop").click(timeout=SECONDS)
    expect(first.locator("#arriving")).to_have_text("Stopped. Nothing was kept.")
    hand_in(second, "good.csv", GOOD)
    expect(second.locator("#preview")).to_contain_text("3 rows read", timeout=SECONDS)
    hand_in(first, "good.csv", GOOD)
    expect(first.locator("#preview")).to_contain_text("3 rows read", timeout=SECONDS)
    expect(first.get_by_role("button", name="Stop")).to_be_hidden()
