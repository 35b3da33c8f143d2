"""The logbook that these tests begin with: one car, and nothing else."""

from __future__ import annotations

from pathlib import Path

import pytest

from obdwatch.logbook.logbook import Logbook
from tests.logbook.fixtures import CAR


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    logbook = Logbook(tmp_path / "book")
    logbook.add_car(CAR)
    return logbook
