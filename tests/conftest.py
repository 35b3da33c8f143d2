"""Options and rules that hold for every test."""

from __future__ import annotations

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--nightly", action="store_true", help="run fuzz tests at their full size")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--nightly"):
        return
    skip = pytest.mark.skip(reason="long version of a fuzz test: run with --nightly")
    for item in items:
        if "nightly" in item.keywords:
            item.add_marker(skip)
