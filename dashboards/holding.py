"""Numbers are held to their units on a page, so that no line ends between them; done once, on what it is made of.

What is to be copied as it stands (code, commands) and what is typed into (fields) is left alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import html
from dash.development.base_component import Component

from obdwatch.reporting.holding import held

_AS_IT_STANDS = (html.Code, html.Pre)
_TEXTS = ("children", "label")  # what a component shows; the text beside a box to tick is its label


def held_all(parts: Sequence[Any]) -> list[Any]:
    """Return the parts of a page with all numbers in their texts held to their units; the parts are changed."""
    return [_held(part) for part in parts]


def _held(part: Any) -> Any:
    if isinstance(part, str):
        return held(part)
    if isinstance(part, list | tuple):
        return held_all(part)
    if isinstance(part, Component) and not isinstance(part, _AS_IT_STANDS):
        for name in _TEXTS:
            if (inside := getattr(part, name, None)) is not None:
                setattr(part, name, _held(inside))
    return part
