"""Options and rules that hold for every test."""

from __future__ import annotations

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--nightly", action="store_true", help="run fuzz tests at their full size")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    for item in items:
        if "nightly" in item.keywords and not config.getoption("--nightly"):
            item.add_marker(pytest.mark.skip(reason="long version of a fuzz test: run with --nightly"))
        if "benchmark" in item.keywords and not _asked_for(item, config):
            item.add_marker(pytest.mark.skip(reason="a benchmark: name its file to run it"))


def _asked_for(item: pytest.Item, config: pytest.Config) -> bool:
    """Whether the file of a benchmark was named, instead of being met on the way."""
    return any(argument.partition("::")[0].endswith(item.path.name) for argument in config.args)
