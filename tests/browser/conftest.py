"""Chromium, the dashboard it looks at, and what must hold on every page: no error, no request to anywhere else.

Without a Chromium the tests are skipped and say so; with OBDWATCH_REQUIRE_BROWSER=1 they fail instead, so that a
continuous integration that lost its browser is noticed.
"""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Request, sync_playwright

from dashboards.server import prepare
from dashboards.sessions import Load, SessionSource
from obdwatch.records import CodeKind, CodeReading, Drive, Mark, MarkKind, Span, Urgency
from tests.dashboards.samples import (
    FAULT,
    HEALTHY,
    UNSURE,
    FakeLogbook,
    aged,
    big_drive,
    drive_with_codes,
    session,
    signal,
    times,
    usual_drive,
)

NAMES = ("chromium", "chromium-browser", "google-chrome")
FLAGS = (
    "--no-sandbox",  # Chromium refuses to sandbox as root
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
MARKUP = "<img src=x onerror=alert(1)><b>bold</b>&amp;%{y}"
HOSTILE_ID = "../<b>id</b>?a=%2e#b"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if item.path.is_relative_to(here):
            item.add_marker(pytest.mark.browser)


def chromium() -> str:
    """Where Chromium is; skips (or fails, where one is demanded) without it."""
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None:
        reason = "no Chromium on this machine (Debian: apt-get install chromium)"
        if os.environ.get("OBDWATCH_REQUIRE_BROWSER") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    return found


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The browser itself, in place of pytest-playwright's: Playwright's own download of one cannot be relied on."""
    path = chromium()
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=list(FLAGS), headless=True)
        yield started
        started.close()


@pytest.fixture(scope="session")
def logbook(tmp_path_factory: pytest.TempPathFactory) -> FakeLogbook:
    book = FakeLogbook(tmp_path_factory.mktemp("logbook"), broken=frozenset({"torn"}), missing=frozenset({"gone"}))
    book.add(usual_drive(), FAULT, HEALTHY, UNSURE)
    book.add(big_drive())
    book.add(replace(usual_drive(), session=session("torn", 18)), HEALTHY)
    book.add(replace(usual_drive(), session=session("gone", 17)), UNSURE)
    book.add(Drive(session("empty", 16), {}))
    book.add(drive_with_codes(), FAULT)
    aged(book, session("cold-start"))
    book.add(hostile_drive(), replace(FAULT, urgency=Urgency.STOP, headline=MARKUP, spans=(Span(20, 40, MARKUP),)))
    return book


def hostile_drive() -> Drive:
    t = times(100.0, 1.0)
    told = session(HOSTILE_ID, 15)
    return Drive(
        replace(told, car_id=MARKUP, note=MARKUP, adapter=MARKUP),
        {MARKUP: signal(MARKUP, MARKUP, t, t)},
        marks=(Mark(50.0, MarkKind.NOTE, MARKUP),),
        codes=(CodeReading(1.0, CodeKind.STORED, MARKUP), CodeReading(1.0, CodeKind.STORED, "P0171")),
        problems=(MARKUP,),
    )


@contextmanager
def served(book: FakeLogbook) -> Iterator[str]:
    """Serve a logbook of the tests on a free port of this machine; gives the address."""
    with serving(book, book.load) as base:
        yield base


@contextmanager
def serving(book: SessionSource, load: Load | None = None) -> Iterator[str]:
    """Serve any logbook on a free port of this machine; gives the address."""
    server = prepare(book, port=0, load=load)
    thread = threading.Thread(target=server.run)
    thread.start()
    yield server.address.rstrip("/")
    server.stop()
    thread.join(10)


@pytest.fixture(scope="session")
def address(logbook: FakeLogbook) -> Iterator[str]:
    with served(logbook) as base:
        yield base


@pytest.fixture(scope="session")
def empty_address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(FakeLogbook(tmp_path_factory.mktemp("empty"), known_cars=())) as base:
        yield base


def until(page: Page, expression: str, seconds: float = 10.0) -> None:
    """Wait until `expression` is true; the page's own policy forbids Playwright's way, which evaluates text in it."""
    end = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < end, f"did not become true in {seconds} s: {expression}"
        page.wait_for_timeout(30)


@dataclass
class Watched:
    """A page, and everything that went wrong on it."""

    page: Page
    wrong: list[str] = field(default_factory=list)

    def console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.wrong.append(f"console {message.type}: {message.text}")

    def request(self, request: Request) -> None:
        if not request.url.startswith(("http://127.0.0.1:", "data:", "blob:http://127.0.0.1:")):
            self.wrong.append(f"request to {request.url}")

    def failed(self, request: Request) -> None:
        if request.failure != "net::ERR_ABORTED":  # what a page still loads when one leaves it
            self.wrong.append(f"request failed: {request.url} {request.failure}")


def watch(context: BrowserContext) -> Watched:
    watched = Watched(context.new_page())
    watched.page.on("console", watched.console)
    watched.page.on("pageerror", lambda error: watched.wrong.append(f"uncaught: {error}"))
    watched.page.on("request", watched.request)
    watched.page.on("requestfailed", watched.failed)
    watched.page.on("dialog", lambda dialog: watched.wrong.append(f"dialog: {dialog.message}"))
    return watched


@pytest.fixture
def page(open_page: Callable[..., Page]) -> Page:
    """A page of usual size on which nothing may go wrong."""
    return open_page(viewport={"width": 1280, "height": 800})


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Open a page with the given size or colour scheme; nothing may go wrong on it."""
    all_watched: list[tuple[BrowserContext, Watched]] = []

    def open_one(**options: Any) -> Page:
        context = browser.new_context(**options)
        watched = watch(context)
        all_watched.append((context, watched))
        return watched.page

    yield open_one
    for context, watched in all_watched:
        context.close()
        assert watched.wrong == []
