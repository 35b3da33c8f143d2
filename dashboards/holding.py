"""Numbers are held to their units, so that no line ends between them; done once, on what a page is made of.

What is to be copied as it stands (code, commands) and what is typed into (fields) is left alone.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from dash import html
from dash.development.base_component import Component

from obdwatch.units import METRIC, US

_NAMES = {shown.name for table in (METRIC, US) for shown in table.values()} | set(METRIC) | set(US)
_PLAIN = {"A", "Hz", "K/MJ", "L", "MJ", "V", "W/K", "mV", "mm", "ms", "mpg", "s", "°", "°C"}
_WORDS = {"% a minute", "1/h", "1/min", "ratio", "us", "°"}  # not written behind a number, or words themselves
_UNITS = "|".join(sorted(map(re.escape, (_NAMES | _PLAIN) - _WORDS - {""}), key=len, reverse=True))
_BREAKS = re.compile(rf"(?<=\d) (?=(?:{_UNITS})(?![\w/]))")
_AS_IT_STANDS = (html.Code, html.Pre)


def held(text: str) -> str:
    """Return `text` with each number held to its unit.

    >>> held("At 1,784 rpm and 52 mph the 2 metal clips held, 4 mm apart").replace("\N{NO-BREAK SPACE}", "_")
    'At 1,784_rpm and 52_mph the 2 metal clips held, 4_mm apart'
    """
    return _BREAKS.sub("\N{NO-BREAK SPACE}", text)


def held_all(parts: Sequence[Any]) -> list[Any]:
    """Return the parts of a page with all numbers in their texts held to their units; the parts are changed."""
    return [_held(part) for part in parts]


def _held(part: Any) -> Any:
    if isinstance(part, str):
        return held(part)
    if isinstance(part, list | tuple):
        return held_all(part)
    inside = getattr(part, "children", None) if isinstance(part, Component) else None
    if inside is not None and not isinstance(part, _AS_IT_STANDS):
        part.children = _held(inside)
    return part
