"""A page that cannot be shown says why in its own place, and never leaves the reader with an empty one."""

from __future__ import annotations

import logging
from collections.abc import Callable

from dash.development.base_component import Component

from dashboards.components import back_to_drives, notice
from dashboards.visit import Page
from obdwatch.errors import ObdwatchError

LOG = logging.getLogger(__name__)


def page_or_told(build: Callable[[], Page]) -> Page:
    """Return the page that `build` makes, or one that says why it cannot be shown."""
    try:
        return build()
    except Exception as error:  # whatever it is, `reason` tells it apart
        return Page("Not found", [reason(error, "This page"), back_to_drives()])


def part_or_told(build: Callable[[], list[Component]], what: str) -> list[Component]:
    """Return the part of a page that `build` makes, or a notice of why `what` cannot be shown."""
    try:
        return build()
    except Exception as error:  # whatever it is, `reason` tells it apart
        return [reason(error, what)]


def reason(error: Exception, what: str) -> Component:
    """Why `what` cannot be shown: an error raised on purpose speaks for itself, any other is a fault of ours."""
    title = f"{what} cannot be shown"
    if isinstance(error, ObdwatchError):
        return notice(title, [str(error)], "wrong")
    LOG.error(title, exc_info=error)
    told = "This is a fault of the dashboard. Nothing that was recorded is lost; the terminal says more."
    return notice(title, [told], "wrong")
