"""A saved session in a notebook."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import obdwatch
from obdwatch.errors import SessionFileError
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Session, Verdict


@pytest.fixture
def session(tmp_path: Path) -> Path:
    path = tmp_path / "drive.obdw"
    with SessionWriter(path, Session(id="drive", started_at=None, origin="imported")) as writer:
        writer.samples("coolant_temperature", np.arange(0.0, 60.0, 2.0), np.linspace(20.0, 40.0, 30))
        writer.samples("engine_speed", np.array([0.0, 1.0, 30.0]), np.array([800.0, 810.0, 1500.0]))
    return path


def test_signals_are_series_over_their_own_times(session: Path) -> None:
    drive = obdwatch.load(session)
    coolant = drive.signals["coolant_temperature"]
    assert isinstance(coolant, pd.Series)
    assert coolant.index[1] == 2.0
    assert coolant.iloc[-1] == 40.0


def test_a_table_leaves_old_values_out(session: Path) -> None:
    table = obdwatch.load(session).table(["engine_speed"], step=1.0, max_age=5.0)
    assert table.loc[1.0, "engine_speed"] == 810.0
    assert np.isnan(table.loc[20.0, "engine_speed"])


def test_findings_speak(session: Path) -> None:
    for finding in obdwatch.load(session).findings:
        assert finding.headline
        assert finding.verdict is not Verdict.FAULT
        assert finding.drive_to_get or finding.verdict is Verdict.HEALTHY


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(SessionFileError, match="nowhere"):
        obdwatch.load(tmp_path / "nowhere.obdw")
