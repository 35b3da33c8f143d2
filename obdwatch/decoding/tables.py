"""Reads the small tables of this folder: rows of text, and numbers written as decimals or fractions."""

from __future__ import annotations

import csv
from pathlib import Path


def table_rows(name: str) -> list[dict[str, str]]:
    """Return the rows of one of this folder's CSV tables, by column name."""
    with Path(__file__).with_name(name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def table_number(text: str) -> float:
    """Read a decimal or a fraction such as `100/255`."""
    numerator, _, denominator = text.partition("/")
    return float(numerator) / float(denominator or 1)
