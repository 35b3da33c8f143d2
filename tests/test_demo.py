"""The demo from start to end, as `obdwatch demo --check` plays it: the whole capture path, only the clock injected."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from obdwatch.cli import run


def test_the_demo_comes_out_as_it_should(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["demo", "--check", "--json", "--logbook", str(tmp_path)]) == 0
    document = json.loads(capsys.readouterr().out)
    steps = document["steps"]
    assert all(step["right"] for step in steps)
    judged = [{one["detector"]: one["verdict"] for one in step["findings"]} for step in steps if step["findings"]]
    assert [findings["warm_up"] for findings in judged] == ["healthy", "fault"]
    assert "fault" not in judged[0].values()
    names = sorted(path.suffix for path in (tmp_path / "demo" / "sessions").iterdir())
    assert names == [".obdw", ".obdw"]  # closed files, nothing left beside them


def test_the_demo_never_removes_a_folder_it_has_not_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mine = tmp_path / "demo" / "mine.txt"
    mine.parent.mkdir()
    mine.write_text("mine")
    assert run(["demo", "--check", "--logbook", str(tmp_path)]) == 2
    assert "not the demo's own" in capsys.readouterr().err
    assert mine.read_text() == "mine"
