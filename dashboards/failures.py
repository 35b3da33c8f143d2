"""A page that cannot be shown says why in its own place, and never leaves the reader with an empty one."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any

from dash import no_update
from dash.development.base_component import Component

from dashboards.components import back_to_drives, notice
from dashboards.holding import held_all
from dashboards.visit import Page
from obdwatch.errors import ObdwatchError

LOG = logging.getLogger(__name__)


def page_or_told(build: Callable[[], Page]) -> Page:
    """Return the page that `build` makes, or one that says why it cannot be shown."""
    try:
        return build()
    except Exception as error:  # whatever it is, `reason` tells it apart
        return Page("Not found", [reason(error, "This page"), back_to_drives()])


def part_or_told(build: Callable[[], list[Component]], what: str, problem: str = " cannot be shown") -> list[Component]:
    """Return the part of a page that `build` makes, or a notice of the `problem` with `what` and why."""
    try:
        return held_all(build())
    except Exception as error:  # whatever it is, `reason` tells it apart
        return [reason(error, what, problem)]


def done_or_told(act: Callable[[], str]) -> tuple[Any, Any]:
    """Do what a reader asked for: the address to go to, or no address and a notice of why it was not done."""
    try:
        return act(), []
    except Exception as error:  # whatever it is, `reason` tells it apart
        return no_update, reason(error, "That", " was not done")


def reason(error: Exception, what: str, problem: str = " cannot be shown") -> Component:
    """Why `what` cannot be shown: an error raised on purpose speaks for itself, any other is a fault of ours."""
    title = f"{what}{problem}"
    if isinstance(error, ObdwatchError):
        return notice(title, [str(error)], "wrong")
    LOG.error(title, exc_info=error)
    told = "This is a fault of the dashboard. Nothing that was recorded is lost; the terminal says more."
    return notice(title, [told], "wrong")
