"""Options and rules that hold for every test."""

from __future__ import annotations

import contextlib
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--nightly", action="store_true", help="run fuzz tests at their full size")


def pytest_configure(config: pytest.Config) -> None:
    """Draw the same examples in every run, so that a change is judged by what it changed; --nightly draws new ones."""
    settings.register_profile("repeatable", derandomize=True)
    if not config.getoption("--nightly"):
        settings.load_profile("repeatable")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    for item in items:
        if "nightly" in item.keywords and not config.getoption("--nightly"):
            item.add_marker(pytest.mark.skip(reason="long version of a fuzz test: run with --nightly"))
        if "benchmark" in item.keywords and not _asked_for(item, config):
            item.add_marker(pytest.mark.skip(reason="a benchmark: name its file to run it"))


def _asked_for(item: pytest.Item, config: pytest.Config) -> bool:
    """Whether the file of a benchmark was named, instead of being met on the way."""
    return any(argument.partition("::")[0].endswith(item.path.name) for argument in config.args)


@dataclass(frozen=True)
class ToldStory:
    """The demo played once for all tests: what `obdwatch demo --check --json` printed, and the logbook it left."""

    code: int
    document: dict[str, Any]
    folder: Path


@pytest.fixture(scope="session")
def told_story(tmp_path_factory: pytest.TempPathFactory) -> ToldStory:
    from obdwatch.cli import run

    folder, printed = tmp_path_factory.mktemp("told"), io.StringIO()
    with contextlib.redirect_stdout(printed):
        code = run(["demo", "--check", "--json", "--logbook", str(folder)])
    return ToldStory(code, json.loads(printed.getvalue() or "{}"), folder / "demo")
