"""Open data sets go through the normal importer and come out as what was measured.

Twelve drives of one car (round-robin logger, wall clock; CC BY 4.0), and trips of ten cars from the Vehicle Energy
Dataset (Oh, Leblanc, Peng, arXiv:1905.02081; Apache-2.0).
"""

from __future__ import annotations

import csv
import gzip
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from obdwatch.errors import ImportFileError
from obdwatch.recording.importers import ImportOptions, import_file
from tests.recording.tables import Imported
from tests.shared_data import SHARED, shared

DRIVES = sorted(path.name for path in (SHARED / "data" / "warmup_drives").glob("*.csv.gz")) or ["none.csv.gz"]
TRIPS = "data/displacement_check/trips.csv"
KEYS = {
    "coolant_temperature", "intake_manifold_pressure", "engine_speed", "vehicle_speed", "intake_air_temperature",
    "air_flow", "throttle_position", "ambient_air_temperature", "accelerator_position_d", "accelerator_position_e",
}  # fmt: skip


def drive(name: str, folder: Path) -> Imported:
    path, report = import_file(shared("data/warmup_drives/" + name), folder)
    return Imported(path, report)


@pytest.mark.parametrize("name", DRIVES)
def test_every_drive_loses_its_repeats_and_nothing_else(name: str, tmp_path: Path) -> None:
    result = drive(name, tmp_path)
    assert result.keys == KEYS
    assert result.report.round_rows == 10
    assert result.report.ignored == ()
    assert result.report.dropped == ()
    rows = result.report.rows_read
    for signal in result.report.signals:
        assert signal.count == pytest.approx(rows / 10, rel=0.02)


@pytest.mark.parametrize("name", DRIVES[1:3])
def test_every_change_in_the_file_is_a_sample_at_its_own_time(name: str, tmp_path: Path) -> None:
    """Read again with the csv module alone: each change of a column is a sample, and no sample has another value."""
    result = drive(name, tmp_path)
    with gzip.open(shared("data/warmup_drives/" + name), "rt", encoding="utf-8") as handle:
        rows = list(csv.reader(handle))[1:]
    clock = [
        sum(float(part) * scale for part, scale in zip(row[0].split(":"), (3600, 60, 1), strict=True)) for row in rows
    ]
    order = [signal.key for signal in result.report.signals]
    for column, key in enumerate(order, 1):
        shown = {round(t - clock[0], 4): float(row[column]) for t, row in zip(clock, rows, strict=True) if row[column]}
        samples = {round(t, 4): v for t, v in zip(result.times(key), result.values(key), strict=True)}
        assert samples.items() <= shown.items()
        before = ""
        for t, row in zip(clock, rows, strict=True):
            if row[column] != before:
                assert round(t - clock[0], 4) in samples
            before = row[column]


def test_a_pause_of_ten_minutes_stays_a_gap_in_every_signal(tmp_path: Path) -> None:
    """The notes of the data set name a gap of 604 s in this drive."""
    result = drive(next(name for name in DRIVES if "07-11" in name or name == "none.csv.gz"), tmp_path)
    for key in KEYS:
        assert float(np.diff(result.times(key)).max()) == pytest.approx(604, abs=5)


def trip(vehicle: str, number: str, folder: Path) -> Imported:
    options = ImportOptions(where={"VehId": vehicle, "Trip": number}, started_at=datetime(2018, 1, 1, tzinfo=UTC))
    path, report = import_file(shared(TRIPS), folder, options)
    return Imported(path, report)


def test_a_trip_of_a_table_with_many(tmp_path: Path) -> None:
    result = trip("298", "863", tmp_path)
    assert result.report.rows_read == 321
    assert result.report.round_rows is None
    assert result.times("engine_speed")[:2] == [0.0, 2.1]
    assert result.values("engine_speed")[:2] == [1757.0, 1824.0]
    assert result.values("air_flow")[0] == pytest.approx(14.85)
    assert result.keys == {"vehicle_speed", "air_flow", "engine_speed", "absolute_load"}


def test_many_trips_at_once_are_refused_with_the_way_out(tmp_path: Path) -> None:
    with pytest.raises(ImportFileError, match=r"line 323: time runs backwards from 672\.1 s to 0 s; .* --where"):
        import_file(shared(TRIPS), tmp_path)
