"""Room for headings and legends in a picture."""

from __future__ import annotations

import doctest

import pytest

import dashboards.frames
from dashboards.frames import legend_rows

PHONE = 304  # px, the plot of a 390 px page


@pytest.mark.parametrize(
    ("labels", "rows"),
    [
        ((), 0),
        (("load",), 0),
        (("load", "throttle"), 1),
        (("coolant", "intake air", "oil", "outside air"), 2),
        (("short term, bank 1", "short term, bank 2", "long term, bank 1", "long term, bank 2"), 4),
        (("a label longer than the whole picture is wide, and then some",) * 3, 3),
    ],
)
def test_a_legend_gets_the_rows_it_takes_on_a_phone(labels: tuple[str, ...], rows: int) -> None:
    assert legend_rows(labels, PHONE) == rows


def test_what_fits_side_by_side_takes_one_row() -> None:
    assert legend_rows(("short term, bank 1", "short term, bank 2"), 1200) == 1


def test_examples_in_the_docstrings() -> None:
    assert doctest.testmod(dashboards.frames).failed == 0
