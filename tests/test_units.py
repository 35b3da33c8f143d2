"""Screen units against the exact definitions of NIST Special Publication 811, appendix B.8."""

from __future__ import annotations

import doctest

import pytest

import obdwatch.units
from obdwatch.units import quantity, screen_unit, to_screen


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (1.609344, "km", 1.0),  # NIST SP 811: 1 mile = 1.609344 km
        (0.0, "degC", 32.0),  # NIST SP 811: t/F = 1.8 t/C + 32
        (100.0, "degC", 212.0),
        (11.0, "K", 19.8),  # a difference has no offset
        (6.894757, "kPa", 1.0),  # NIST SP 811: 1 psi = 6.894757 kPa
        (7.559873, "g/s", 1.0),  # NIST SP 811: 1 lb/min = 7.559873e-3 kg/s
        (3.785412, "L/h", 1.0),  # NIST SP 811: 1 gal = 3.785412 L
    ],
)
def test_us_units_follow_their_definition(value: float, unit: str, expected: float) -> None:
    assert to_screen(value, unit, "us") == pytest.approx(expected, rel=1e-6)


def test_metric_leaves_numbers_alone() -> None:
    for unit in ("degC", "km/h", "kPa", "g/s", "V", "1/min"):
        assert to_screen(12.5, unit, "metric") == 12.5


def test_unknown_units_are_shown_as_they_are() -> None:
    assert screen_unit("furlong", "us").name == "furlong"
    assert quantity(2.0, "furlong", "us") == "2.0 furlong"


def test_per_cent_stands_next_to_its_number() -> None:
    assert quantity(12.34, "%", "metric") == "12.3%"


def test_examples_in_the_docstrings() -> None:
    assert doctest.testmod(obdwatch.units).failed == 0
