"""The examples in the documentation of the catalogue's functions."""

from __future__ import annotations

import doctest
from types import ModuleType

import pytest

from obdwatch.commands import part_words
from obdwatch.parts import applying, catalogue_values, toml_lines


@pytest.mark.parametrize("module", [applying, catalogue_values, part_words, toml_lines])
def test_examples(module: ModuleType) -> None:
    failed, tried = doctest.testmod(module)
    assert tried > 0
    assert failed == 0
