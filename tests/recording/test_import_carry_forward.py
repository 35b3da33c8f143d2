"""Carried-forward tables lose exactly what was never read; all other tables keep every value."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from obdwatch.recording.importing.carry_forward import changes_of, fresh_rows, gaps, recognise, round_of
from obdwatch.records import FloatArray
from tests.recording.tables import Imported, imported, random_walk, round_robin

KEYS = ("coolant_temperature", "engine_speed", "vehicle_speed", "air_flow", "throttle_position")
ROWS = 3000


def signals(seed: int = 0) -> dict[str, FloatArray]:
    rng = np.random.default_rng(seed)
    steps = {"coolant_temperature": 1.0, "engine_speed": 13.0, "vehicle_speed": 1.0, "air_flow": 0.25}
    starts = {"coolant_temperature": 60.0, "engine_speed": 1500.0, "vehicle_speed": 50.0, "air_flow": 20.0}
    return {key: random_walk(rng, ROWS, steps.get(key, 0.5), starts.get(key, 30.0)) for key in KEYS}


def readings(result: Imported, key: str) -> list[tuple[float, float]]:
    return list(zip(result.times(key), result.values(key), strict=True))


@pytest.mark.parametrize("seed", range(3))
def test_a_round_robin_table_comes_back_as_what_was_read(tmp_path: Path, seed: int) -> None:
    text, truth = round_robin(signals(seed), ROWS)
    result = imported(tmp_path, text)
    assert result.report.round_rows == len(KEYS)
    for key in KEYS:
        assert readings(result, key) == truth[key]


def test_a_table_that_starts_filled_is_undone_too(tmp_path: Path) -> None:
    text, truth = round_robin(signals(), ROWS, filled=True)
    result = imported(tmp_path, text)
    for key in KEYS:
        assert set(truth[key][3:]) <= set(readings(result, key))
        assert len(readings(result, key)) <= len(truth[key]) + 1


def test_a_constant_signal_among_carried_ones_keeps_one_reading_per_round(tmp_path: Path) -> None:
    table = signals() | {"coolant_temperature": np.full(ROWS, 90.0)}
    text, truth = round_robin(table, ROWS)
    result = imported(tmp_path, text)
    assert len(result.times("coolant_temperature")) == len(truth["coolant_temperature"])
    assert float(np.diff(result.times("coolant_temperature")).max()) == pytest.approx(0.5)


def test_missed_readings_shift_the_order_and_nothing_old_is_believed(tmp_path: Path) -> None:
    """Rows are dropped now and then, as a logger does after a timeout; every change must still be there, in time."""
    rng = np.random.default_rng(4)
    text, _ = round_robin(signals(), ROWS)
    head, *lines = text.splitlines()
    kept = [line for line in lines if rng.random() > 0.005]
    result = imported(tmp_path, "\n".join([head, *kept]) + "\n")
    assert result.report.round_rows == len(KEYS)
    shown = np.array([[float(cell or "nan") for cell in line.split(",")] for line in kept])
    for column, key in enumerate(KEYS, 1):
        changed = {(shown[row, 0], shown[row, column]) for row in changes_of(shown[:, column])}
        assert changed <= set(readings(result, key))
        assert len(readings(result, key)) < 1.1 * len(kept) / len(KEYS)


def test_what_is_only_repeated_after_a_gap_is_not_believed(tmp_path: Path) -> None:
    text, _ = round_robin(signals(), ROWS)
    head, *lines = text.splitlines()
    later = [f"{float(line.split(',', 1)[0]) + 600:.1f},{line.split(',', 1)[1]}" for line in lines[1503:]]
    result = imported(tmp_path, "\n".join([head, *lines[:1503], *later]) + "\n")
    first_after = {key: min(t for t in result.times(key) if t > 700) for key in KEYS}
    gap_end = 0.1 * 1503 + 600
    shown = np.array([[float(cell or "nan") for cell in line.split(",")] for line in [*lines[:1503], *later]])
    for column, key in enumerate(KEYS, 1):
        changed = [float(shown[row, 0]) for row in changes_of(shown[:, column]) if row >= 1503]
        assert first_after[key] <= changed[0]
        assert first_after[key] in changed or first_after[key] >= gap_end + 0.5 - 1e-9


def test_signals_read_at_different_rates(tmp_path: Path) -> None:
    """Order of reading: speed, temperature, speed, flow, speed, throttle; the table still repeats the others."""
    order = ("engine_speed", "coolant_temperature", "engine_speed", "air_flow", "engine_speed", "throttle_position")
    values, shown, read = signals(), dict[str, float](), dict[str, list[tuple[float, float]]]()
    lines = ["time_s," + ",".join(dict.fromkeys(order))]
    for row in range(ROWS):
        key = order[row % len(order)]
        shown[key] = values[key][row]
        read.setdefault(key, []).append((round(row * 0.1, 6), float(shown[key])))
        lines.append(
            f"{row * 0.1:.1f}," + ",".join(f"{shown[k]:g}" if k in shown else "" for k in dict.fromkeys(order))
        )
    result = imported(tmp_path, "\n".join(lines) + "\n")
    for key in dict.fromkeys(order):
        assert readings(result, key) == read[key]


def test_signals_read_in_no_fixed_order_keep_their_changes(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    values, shown = signals(), dict[str, float]()
    lines, changed = ["time_s," + ",".join(KEYS)], {key: set[float]() for key in KEYS}
    for row in range(ROWS):
        key = KEYS[rng.integers(len(KEYS))] if row >= len(KEYS) else KEYS[row]
        if shown.get(key) != values[key][row]:
            changed[key].add(round(row * 0.1, 6))
        shown[key] = float(values[key][row])
        lines.append(f"{row * 0.1:.1f}," + ",".join(f"{shown[k]:g}" if k in shown else "" for k in KEYS))
    result = imported(tmp_path, "\n".join(lines) + "\n")
    assert result.report.round_rows == len(KEYS)
    for key in KEYS:
        assert changed[key] <= set(result.times(key))
        assert len(result.times(key)) < 0.55 * ROWS


def table_of(columns: dict[str, FloatArray]) -> str:
    rows = zip(*columns.values(), strict=True)
    lines = [f"{n * 0.5}," + ",".join("" if np.isnan(v) else f"{v:g}" for v in row) for n, row in enumerate(rows)]
    return "time_s," + ",".join(columns) + "\n" + "\n".join(lines) + "\n"


def honest_tables() -> dict[str, dict[str, FloatArray]]:
    """Tables whose every row was really read."""
    rng = np.random.default_rng(6)
    n = 1200
    walk = {key: random_walk(rng, n, 1.0, 50.0) for key in KEYS}
    idle = walk | {"vehicle_speed": np.zeros(n), "throttle_position": np.full(n, 15.0)}
    sparse = {key: np.where(np.arange(n) % 5 == k, values, np.nan) for k, (key, values) in enumerate(walk.items())}
    return {
        "all signals move": walk,
        "some signals stand still": idle,
        "everything stands still": {key: np.full(n, 50.0) for key in KEYS},
        "a counter beside moving signals": walk | {"run_time": np.floor(np.arange(n) * 0.5)},
        "blanks where nothing was read": sparse,
        "one signal": {"engine_speed": walk["engine_speed"]},
        "few rows": {key: values[:15] for key, values in walk.items()},
    }


@pytest.mark.parametrize("name", honest_tables())
def test_a_table_that_was_really_read_loses_nothing(tmp_path: Path, name: str) -> None:
    columns = honest_tables()[name]
    result = imported(tmp_path, table_of(columns))
    assert result.report.round_rows is None
    for key, values in columns.items():
        assert len(result.times(key)) == np.count_nonzero(np.isfinite(values)), key
    assert all(signal.repeated == 0 for signal in result.report.signals)


def test_every_cell_of_a_row_is_either_kept_or_counted_as_repeated(tmp_path: Path) -> None:
    text, _ = round_robin(signals(), ROWS)
    result = imported(tmp_path, text)
    cells = sum(bool(cell) for line in text.splitlines()[1:] for cell in line.split(",")[1:])
    assert cells == sum(signal.count + signal.repeated for signal in result.report.signals)


def test_round_of_distances_needs_evidence() -> None:
    assert round_of(np.array([10] * 19)) is None
    assert round_of(np.array([10, 20, 30, 10] * 6)) == 10
    assert round_of(np.array([1, 2, 3, 5, 7] * 8)) == 1
    assert round_of(np.array([10] * 30 + [9, 11, 7])) == 10  # a shift now and then


def test_gaps_are_pauses_longer_than_a_few_rounds() -> None:
    times = np.concatenate((np.arange(50) * 0.1, 30 + np.arange(50) * 0.1))
    assert gaps(times, 10).tolist() == [50]
    assert gaps(times, 200).tolist() == []  # 30 s are no gap to a logger that comes round every 20 s
    assert gaps(np.array([0.0]), 10).tolist() == []


def test_fresh_rows_after_a_gap_wait_for_a_whole_round() -> None:
    values = np.full(12, 5.0)
    fresh = fresh_rows(values, 3, np.array([5]))
    assert np.flatnonzero(fresh).tolist() == [0, 3, 9]


def test_recognise_takes_no_table_for_carried_without_columns() -> None:
    assert not recognise({}).found
    assert not recognise({0: np.array([])}).found
