"""What a page is asked for and what it answers: the records between the frame of the dashboard and its pages."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, quote, unquote, urlencode

from dash.development.base_component import Component

from dashboards.drawing import Screen, Window

CAR = "/car"  # the address of a car's own page; / is that of the car driven last
PART = "/part"  # of a part of a car
VISITS = "/visits"  # of the plan
CODES = "/codes"  # the address of the page on trouble codes
DRIVE = "/drive"  # of one drive
DRIVES = "/drives"  # of the list of drives; below it, of what the keeper knows of one
NEW_DRIVE = "/new-drive"  # of taking one in from a file
NOW = "/now"  # of a recording that is running
INSPECTION = "/inspection"  # of the guided walk round a car
TRENDS = "/trends"  # of what changes from drive to drive
COMPARE = "/compare"  # of the drives before a repair against those after it
MOST_ADDRESS = 8_192  # letters; longer than any address a page writes itself


@dataclass(frozen=True, slots=True)
class Visit:
    """An address as the reader's browser has it, with what the browser told of the screen."""

    path: str
    query: Mapping[str, tuple[str, ...]]
    screen: Screen

    def window(self) -> Window | None:
        """The part of a drive the address asks for, None for the whole."""
        start, end = self._number("from"), self._number("to")
        return Window(start, end) if start is not None and end is not None and end > start else None

    def chosen(self) -> tuple[str, ...] | None:
        """The signals the address asks for, None for the usual ones."""
        return self.query.get("show")

    def words(self) -> str:
        """What the address asks to search for, empty for nothing."""
        return self.query.get("words", ("",))[-1].strip()

    def _number(self, name: str) -> float | None:
        try:
            value = float(self.query[name][-1])
        except (KeyError, ValueError):
            return None
        return value if math.isfinite(value) else None


@dataclass(frozen=True, slots=True)
class Page:
    """What a page shows: `title` for the window and `children` for its main part."""

    title: str
    children: list[Component]


def visit_from(view: Any) -> Visit:
    """Read what the browser says of itself; whatever does not fit is replaced by what is usual."""
    data: Mapping[str, Any] = view if isinstance(view, Mapping) else {}
    width = data.get("width")
    screen = Screen(
        width=int(min(max(width, 200), 8_000)) if isinstance(width, int | float) and math.isfinite(width) else 1_200,
        units="us" if data.get("units") == "us" else "metric",
    )
    path, search = str(data.get("path") or "/")[:MOST_ADDRESS], str(data.get("search") or "")[:MOST_ADDRESS]
    query = {key: tuple(values) for key, values in parse_qs(search.lstrip("?"), keep_blank_values=True).items()}
    return Visit(path, query, screen)


def window_from(data: Any, length: float) -> Window:
    """Read a window that a browser sends; the whole drive where it sends none, never outside of the drive."""
    whole = Window(0.0, max(length, 1.0))
    if not isinstance(data, Mapping):
        return whole
    start, end = data.get("start"), data.get("end")
    if not isinstance(start, int | float) or not isinstance(end, int | float):
        return whole
    if not (math.isfinite(start) and math.isfinite(end)) or end <= start:
        return whole
    inside = Window(max(float(start), whole.start), min(float(end), whole.end))
    return inside if inside.end > inside.start else whole


def drive_address(session_id: str) -> str:
    """The address of the page of a drive."""
    return f"{DRIVE}/{quote(session_id, safe='')}"


def record_address(session_id: str) -> str:
    """The address of the page on which a drive is named, corrected, downloaded or removed."""
    return f"{DRIVES}/{quote(session_id, safe='')}"


def session_in(path: str, page: str = DRIVE) -> str:
    """The session id in the address of a drive's page; it is only ever looked up, never opened."""
    return unquote(path.removeprefix(page).strip("/"))


def codes_address(codes: Sequence[str]) -> str:
    """The address of the page that explains one code, or several together."""
    return f"{CODES}/{','.join(quote(code, safe='') for code in codes)}"


def codes_in(path: str) -> tuple[str, ...]:
    """What stands for codes in the address of their page, as somebody may have typed it: each once, not yet checked."""
    return codes_typed(unquote(path.removeprefix(CODES)).strip("/"))


def codes_typed(text: str) -> tuple[str, ...]:
    """The pieces of `text` between commas and spaces, each once.

    >>> codes_typed("p0171, P0300 p0171")
    ('p0171', 'P0300')
    """
    return tuple(dict.fromkeys(text.replace(",", " ").split()))


def car_address(page: str, car_id: str) -> str:
    """The address of a page about one car."""
    return f"{page}/{quote(car_id, safe='')}"


def part_address(car_id: str, part: str) -> str:
    """The address of the page of a part."""
    return f"{car_address(PART, car_id)}/{quote(part, safe='')}"


def compare_address(car_id: str, before: str = "", after: str = "") -> str:
    """The address that compares two drives of a car; the drives around its last repair where none are named."""
    named = urlencode([(side, one) for side, one in (("before", before), ("after", after)) if one])
    return car_address(COMPARE, car_id) + (f"?{named}" if named else "")


def part_in(path: str) -> tuple[str, str]:
    """The car and the part in the address of a part's page; both are only ever looked up."""
    car, _, part = path.removeprefix(PART).strip("/").partition("/")
    return unquote(car), unquote(part)


def place_address(session_id: str, start: float, end: float) -> str:
    """The address of a piece of a drive, from `start` to `end` [s], with a little before and after it."""
    around = max(0.15 * (end - start), 5.0)
    return f"{drive_address(session_id)}?from={max(start - around, 0.0):.1f}&to={end + around:.1f}"


def car_in(path: str, page: str) -> str | None:
    """The car in the address of a page about cars, None where none is named; it is only ever looked up."""
    return unquote(path.removeprefix(page)).strip("/") or None
