"""How fast the dashboard is in a real browser; run on request: `python -m tests.benchmarks.dashboard`.

Measures what a reader waits for, from the address to the drawn line: the first picture of a four-hour drive with a
million samples (cold: a server and a browser that have seen nothing; warm: the median of further looks), a zoom, a list
of 500 drives, and the memory of the server. The browser has a profile on disk as a reader's has, where it keeps
scripts ready to run; a private window has none. Before each further look and each zoom the page comes to rest, as a
reader lets it. The limits are those of the project. Prints a table, exits 1 where a limit is broken.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

from playwright.sync_api import Page, sync_playwright

from dashboards.pages.drives import ON_A_PAGE
from obdwatch.records import Drive
from tests.browser.conftest import FLAGS, chromium, served, until
from tests.dashboards.samples import FAULT, FakeLogbook, big_drive, session

SESSIONS = 500
LOOKS = 5
REST = 700.0  # ms
GRAPH = "document.querySelector('.js-plotly-plot')"


@dataclass(frozen=True)
class Measured:
    """One number with its limit."""

    name: str
    value: float
    unit: str
    limit: float


def timed(act: Callable[[], None]) -> float:
    begun = time.perf_counter()
    act()
    return time.perf_counter() - begun


def _rested(page: Page, act: Callable[[], None]) -> float:
    page.wait_for_timeout(REST)
    return timed(act)


def open_drive(page: Page, address: str, session_id: str) -> None:
    page.goto(f"{address}/drive/{session_id}")
    page.wait_for_selector(".js-plotly-plot .scatterlayer .js-line")


def zoom(page: Page) -> None:
    page.get_by_role("button", name="Closer").click()
    until(page, f"{GRAPH}.layout.xaxis.range[0].includes('01:00:00')")


def memory() -> float:
    """Memory of this process, which is the server (the samples the stand-in holds included) [MB]."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def measure(folder: Path) -> list[Measured]:
    (folder / "drives").mkdir()
    (folder / "list").mkdir()
    book, many = FakeLogbook(folder / "drives"), FakeLogbook(folder / "list")
    book.add(big_drive("million", samples=1_000_000 // 6), FAULT)
    book.add(big_drive("six-million", samples=1_000_000), FAULT)
    for number in range(SESSIONS):
        many.add(Drive(replace(session(f"s{number}"), note=f"drive {number}"), {}), FAULT)
    with served(book) as drives, served(many) as listed, sync_playwright() as playwright:
        browser = playwright.chromium.launch_persistent_context(
            folder / "profile",
            executable_path=chromium(),
            args=list(FLAGS),
            headless=True,
            viewport={"width": 1280, "height": 800},
        )
        page = browser.pages[0]
        cold = timed(lambda: open_drive(page, drives, "million"))
        warm = median(_rested(page, lambda: open_drive(page, drives, "million")) for _ in range(LOOKS))
        page.wait_for_timeout(REST)
        zoomed = timed(lambda: zoom(page))
        used = memory()
        six = timed(lambda: open_drive(page, drives, "six-million"))
        page.wait_for_timeout(REST)
        six_zoomed = timed(lambda: zoom(page))
        page.goto(f"{listed}/nowhere")
        page.wait_for_selector("[role=alert]")
        rows = timed(lambda: open_list(page, listed))
        browser.close()
    return [
        Measured("first picture, cold, 1,000,000 samples", cold, "s", 3.5),
        Measured("first picture, warm, 1,000,000 samples", warm, "s", 1.0),
        Measured("zoom, 1,000,000 samples", zoomed, "s", 0.5),
        Measured("first picture, 6 x 1,000,000 samples", six, "s", 3.5),
        Measured("zoom, 6 x 1,000,000 samples", six_zoomed, "s", 0.5),
        Measured(f"list of {SESSIONS} drives", rows, "s", 1.0),
        Measured("memory of the server", used, "MB", 300.0),
    ]


def open_list(page: Page, address: str) -> None:
    page.goto(f"{address}/drives")
    page.wait_for_selector(f".drives > li:nth-child({ON_A_PAGE})")
    page.wait_for_selector(f"text=of {SESSIONS}, the latest first")


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        results = measure(Path(folder))
    for one in results:
        verdict = "ok" if one.value <= one.limit else "TOO SLOW" if one.unit == "s" else "TOO MUCH"
        print(f"{one.name:<42}{one.value:8.2f} {one.unit:<3} (limit {one.limit:g}) {verdict}")
    return int(any(one.value > one.limit for one in results))


if __name__ == "__main__":
    sys.exit(main())
