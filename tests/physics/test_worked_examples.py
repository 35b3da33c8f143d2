"""Every physics function shows a worked example in its docstring; here they are run, and looked for."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
from types import ModuleType

import pytest

import obdwatch.physics

MODULES = [
    importlib.import_module(f"obdwatch.physics.{found.name}")
    for found in pkgutil.iter_modules(obdwatch.physics.__path__)
]


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_the_worked_examples_are_right(module: ModuleType) -> None:
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_every_public_function_has_an_example_and_a_reference(module: ModuleType) -> None:
    for name, function in inspect.getmembers(module, inspect.isfunction):
        if name.startswith("_") or function.__module__ != module.__name__:
            continue
        text = inspect.getdoc(function) or ""
        assert ">>>" in text, name
        assert "Reference" in text or "eference" in (module.__doc__ or ""), name
