"""What a browser says is taken with care: any JSON may come."""

from __future__ import annotations

import math
from typing import Any
from urllib.parse import urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.drawing import Window
from dashboards.visit import drive_address, session_in, visit_from, window_from

JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=8,
)
KEYS = st.sampled_from(["path", "search", "units", "width", "start", "end"])


def test_view_of_a_browser_is_read() -> None:
    visit = visit_from({"path": "/drive/a", "search": "?from=10&to=20&show=x&show=y", "units": "us", "width": 390})
    assert visit.path == "/drive/a"
    assert visit.window() == Window(10.0, 20.0)
    assert visit.chosen() == ("x", "y")
    assert visit.screen.units == "us"
    assert visit.screen.narrow


@pytest.mark.parametrize("search", ["", "?from=5", "?from=a&to=b", "?from=nan&to=inf", "?from=20&to=10", "?from=&to="])
def test_view_without_a_usable_part_is_the_whole_drive(search: str) -> None:
    assert visit_from({"path": "/drive/a", "search": search}).window() is None


def test_no_choice_and_an_empty_choice_are_two_things() -> None:
    assert visit_from({"search": ""}).chosen() is None
    assert visit_from({"search": "?show="}).chosen() == ("",)


@given(JSON | st.dictionaries(KEYS, JSON))
def test_any_json_makes_a_visit(data: Any) -> None:
    visit = visit_from(data)
    assert 200 <= visit.screen.width <= 8000
    assert visit.screen.units in ("metric", "us")
    visit.window()
    visit.chosen()


@given(JSON | st.dictionaries(KEYS, JSON), st.floats(0, 1e6))
def test_window_from_any_json_lies_within_the_drive(data: Any, length: float) -> None:
    window = window_from(data, length)
    assert 0.0 <= window.start < window.end <= max(length, 1.0)
    assert math.isfinite(window.start)


def test_window_is_taken_as_it_is_where_it_fits() -> None:
    assert window_from({"start": 5, "end": 8.5}, 100.0) == Window(5.0, 8.5)
    assert window_from({"start": -5, "end": 800}, 100.0) == Window(0.0, 100.0)
    assert window_from({"start": 200, "end": 300}, 100.0) == Window(0.0, 100.0)


@given(st.text(min_size=1, max_size=40))
def test_address_of_a_drive_leads_back_to_its_id(session_id: str) -> None:
    address = drive_address(session_id)
    parts = urlsplit(address)
    assert parts.query == parts.fragment == parts.netloc == ""
    assert address.count("/") == 2
    assert session_in(address) == session_id
