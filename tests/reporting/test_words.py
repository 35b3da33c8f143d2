"""The examples in the docstrings of the report are true."""

from __future__ import annotations

import doctest
from types import ModuleType

import pytest

from obdwatch.reporting import pdf, plots, report, words


@pytest.mark.parametrize("module", [words, plots, report, pdf], ids=lambda module: module.__name__)
def test_examples_are_true(module: ModuleType) -> None:
    found = doctest.testmod(module)
    assert found.attempted > 0
    assert found.failed == 0
