"""A page that cannot be shown says why in one place of the page, and never leaves the reader with an empty one."""

from __future__ import annotations

import logging
from collections.abc import Callable

from dash.development.base_component import Component

from dashboards.components import back_to_drives, notice
from obdwatch.errors import ObdwatchError

LOG = logging.getLogger(__name__)


def shown_or_told(build: Callable[[], list[Component]], what: str) -> list[Component]:
    """Return what `build` makes, or a notice of why `what` cannot be shown."""
    try:
        return build()
    except ObdwatchError as error:
        return [notice(f"{what} cannot be shown", [str(error)], "wrong"), back_to_drives()]
    except Exception:  # a fault of ours: the reader gets a sentence, the terminal the whole story
        LOG.exception("%s cannot be shown", what)
        told = "This is a fault of the dashboard. Nothing that was recorded is lost; the terminal says more."
        return [notice(f"{what} cannot be shown", [told], "wrong"), back_to_drives()]
