"""A single impossible value goes, everything a car can really do stays."""

from __future__ import annotations

import csv
import gzip
from pathlib import Path

import numpy as np
import pytest

from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.records import FloatArray
from obdwatch.signals.drives import ADAPTER_VOLTAGE
from obdwatch.signals.plausibility import Inertia, inertia_by_key, isolated_jumps
from tests.shared_data import shared


def jumps(key: str, values: list[float], step: float = 1.0) -> list[int]:
    times = np.arange(len(values)) * step
    return np.flatnonzero(isolated_jumps(key, times, np.array(values, dtype=np.float64))).tolist()


@pytest.mark.parametrize(
    ("key", "values"),
    [
        ("coolant_temperature", [83, 83, 19, 84, 84]),
        ("coolant_temperature", [83, 83, 99, 84, 84]),
        ("control_module_voltage", [14.1, 14.1, 30.5, 14.2, 14.1]),
        ("control_module_voltage", [14.1, 14.1, 1.8, 14.2, 14.1]),
        ("barometric_pressure", [99, 99, 83, 99, 99]),
        ("run_time", [100, 101, 4198, 103, 104]),
        ("odometer", [1000.1, 1000.1, 1409.7, 1000.2, 1000.2]),
    ],
)
def test_a_single_value_that_jumps_away_and_back_is_found(key: str, values: list[float]) -> None:
    assert jumps(key, values) == [2]


@pytest.mark.parametrize(
    ("key", "values", "step"),
    [
        ("coolant_temperature", [83, 83, -40, -40, -40], 1.0),  # a sensor that fails stays failed
        ("coolant_temperature", [83, 83, 84, 85, 84], 1.0),
        ("coolant_temperature", [20, 20, 60, 20, 20], 60.0),  # a minute is long enough for anything
        ("coolant_temperature", [83, 83, -40, 140, 83], 1.0),  # neighbours that disagree say nothing
        ("vehicle_speed", [50, 40, 28, 17, 6, 0], 0.3),  # full braking
        ("vehicle_speed", [50, 48, 45, 48, 50], 0.2),
        ("control_module_voltage", [12.6, 12.5, 8.1, 10.9, 14.1], 0.2),  # a start
        ("control_module_voltage", [12.6, 12.6, 6.2, 13.9, 14.1], 1.0),  # a start seen once
        ("adapter_voltage", [12.6, 12.6, 9.4, 13.9, 14.1], 2.0),
        ("engine_speed", [800, 2600, 4200, 2500, 900], 0.25),  # a blip of the throttle
        ("engine_speed", [0, 210, 190, 1150, 900], 0.1),
        ("run_time", [100, 101, 0, 1, 2], 1.0),  # the engine was started again
        ("distance_since_erase", [4000, 4000, 0, 0, 1], 30.0),  # codes were erased
        ("throttle_position", [14, 14, 90, 14, 14], 0.1),  # a foot has no inertia
        ("calculated_load", [20, 20, 100, 20, 20], 0.1),
    ],
)
def test_what_a_car_can_really_do_stays(key: str, values: list[float], step: float) -> None:
    assert jumps(key, values, step) == []


def test_the_ends_of_a_signal_have_one_neighbour_and_stay() -> None:
    assert jumps("coolant_temperature", [19, 83, 83, 83, 19]) == []
    assert jumps("coolant_temperature", [83, 19]) == []
    assert jumps("coolant_temperature", []) == []


def test_a_second_control_unit_is_judged_like_the_first() -> None:
    assert jumps("coolant_temperature@7E9", [83, 83, 19, 83, 83]) == [2]


def test_two_flips_apart_are_both_found() -> None:
    assert jumps("vehicle_speed", [60, 60, 124, 60, 60, 0, 60, 60], 0.2) == [2, 5]


def test_the_smallest_step_that_goes_is_the_one_in_the_table() -> None:
    limits = inertia_by_key()["coolant_temperature"]
    allowed = limits.jump_up + limits.rate * 1.0
    assert jumps("coolant_temperature", [80, 80, 80 + allowed, 80, 80]) == []
    assert jumps("coolant_temperature", [80, 80, 80 + allowed + 0.1, 80, 80]) == [2]


@pytest.mark.parametrize(("key", "limits"), inertia_by_key().items(), ids=list(inertia_by_key()))
def test_every_limit_is_of_a_known_key_and_has_an_origin(key: str, limits: Inertia) -> None:
    assert key in PARAMETER_BY_KEY or key == ADAPTER_VOLTAGE
    assert limits.origin
    assert min(limits.jump_up, limits.jump_down, limits.rate) > 0


# Columns of the open recordings, in the order in which the car was asked for them.
REAL_KEYS = ["coolant_temperature", "intake_manifold_pressure", "engine_speed", "vehicle_speed"]
REAL_KEYS += ["intake_air_temperature", "air_flow", "throttle_position", "ambient_air_temperature"]


def test_nothing_is_taken_from_twelve_real_drives() -> None:
    """Open recordings of one healthy car over CAN, in which no damaged reply is known (see the NOTES beside them)."""
    files = sorted(shared("data/warmup_drives").glob("*.csv.gz"))
    assert len(files) == 12
    for file in files:
        for key, (times, values) in real_series(file).items():
            taken = np.flatnonzero(isolated_jumps(key, times, values))
            assert [values[place - 1 : place + 2].tolist() for place in taken] == [], f"{file.name} {key}"


def real_series(path: Path) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Read a file whose every row holds one fresh value, column after column; the others are carried forward."""
    with gzip.open(path, "rt", encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    columns = len(rows[0]) - 1
    series = {}
    for place, key in enumerate(REAL_KEYS):
        fresh = [row for row in rows[place::columns] if row[place + 1]]
        values = np.array([float(row[place + 1]) for row in fresh])
        series[key] = np.array([seconds(row[0]) for row in fresh]), values
    return series


def seconds(clock: str) -> float:
    hours, minutes, rest = clock.split(":")
    return 3600 * int(hours) + 60 * int(minutes) + float(rest)
