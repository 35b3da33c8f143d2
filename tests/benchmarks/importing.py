"""What a large table costs to import: time for a million rows, memory for 200 MB.

Run on request: `pytest tests/benchmarks/importing.py -s`. Each import runs in a process of its own, so that its peak
memory is its own.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np

ROWS = 1_000_000
MOST_SECONDS = 30.0  # of processor time for a million rows of ten signals; measured 4-5 s on one core
LARGE_TABLE = 200_000_000  # bytes
MOST_MEMORY_MB = 1000.0
SIGNALS = (
    "coolant_temperature", "engine_speed", "vehicle_speed", "air_flow", "calculated_load", "timing_advance",
    "intake_manifold_pressure", "short_term_fuel_trim_bank_1", "throttle_position", "intake_air_temperature",
)  # fmt: skip
PROGRAM = """
import resource, sys, time
from obdwatch.recording.importers import import_file
path, report = import_file(sys.argv[1], sys.argv[2])
usage = resource.getrusage(resource.RUSAGE_SELF)
print(report.rows_read, len(report.signals), usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)
"""


def table(path: Path, rows: int) -> int:
    """Write a table of so many rows; returns its size [bytes]."""
    values = np.random.default_rng(0).uniform(0, 60, (10_000, len(SIGNALS)))
    body = [",".join(f"{value:.5f}" for value in row) for row in values]
    with path.open("w", encoding="utf-8") as handle:
        handle.write("time_s," + ",".join(SIGNALS) + "\n")
        handle.writelines(f"{row / 10:.1f},{body[row % len(body)]}\n" for row in range(rows))
    return path.stat().st_size


def cost(path: Path, folder: Path) -> tuple[int, float, float]:
    """Import in a fresh process; returns rows, processor seconds, peak memory [MB]."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(path), str(folder)], capture_output=True, text=True, check=True
    )
    rows, signals, seconds, memory = done.stdout.split()
    assert int(signals) == len(SIGNALS)
    return int(rows), float(seconds), float(memory)


def test_a_million_rows_take_seconds(tmp_path: Path) -> None:
    size = table(tmp_path / "a.csv", ROWS)
    rows, seconds, memory = cost(tmp_path / "a.csv", tmp_path / "out")
    print(f"\n{rows:,} rows, {size / 1e6:.0f} MB: {seconds:.1f} s of processor time, {memory:.0f} MB")
    assert rows == ROWS
    assert seconds <= MOST_SECONDS


def test_200_megabytes_need_less_than_a_gigabyte(tmp_path: Path) -> None:
    row_size = table(tmp_path / "small.csv", 1000) / 1000
    size = table(tmp_path / "a.csv", int(LARGE_TABLE / row_size))
    rows, seconds, memory = cost(tmp_path / "a.csv", tmp_path / "out")
    print(f"\n{rows:,} rows, {size / 1e6:.0f} MB: {seconds:.1f} s of processor time, {memory:.0f} MB")
    assert memory <= MOST_MEMORY_MB
