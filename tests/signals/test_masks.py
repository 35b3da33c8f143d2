"""Each mask on a short drive whose states are plain to see, and on drives that lack what it needs."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from obdwatch.records import BoolArray, Drive, FloatArray
from obdwatch.signals import masks
from tests.signals.recordings import Series, drive_of

SECONDS = list(range(60))
AT = np.arange(60.0)
Mask = Callable[[Drive, FloatArray], BoolArray]


def phases(idle: float, cruise: float, coast: float, pull: float) -> Series:
    """One value for each quarter minute: standing at idle, cruising, coasting with the fuel cut, full throttle."""
    return SECONDS, [value for value in (idle, cruise, coast, pull) for _ in range(15)]


FOUR_PHASES = {
    "engine_speed": phases(750, 2000, 2200, 4000),
    "vehicle_speed": phases(0, 80, 60, 90),
    "calculated_load": phases(25, 40, 10, 98),
    "throttle_position": phases(15, 25, 14, 82),
    "fuel_system_status": phases(2, 2, 4, 4),
    "coolant_temperature": phases(60, 70, 75, 90),
}


def phases_of(mask: Mask, drive: Drive) -> list[int]:
    """The phases in whose middle the mask is true."""
    return np.flatnonzero(mask(drive, np.array([10.0, 25.0, 40.0, 55.0]))).tolist()


@pytest.mark.parametrize(
    ("mask", "expected"),
    [
        (masks.idling, [0]),
        (masks.closed_loop, [0, 1]),
        (masks.overrun, [2]),
        (masks.full_throttle, [3]),
        (masks.warm, [2, 3]),
        (masks.running, [0, 1, 2, 3]),
        (masks.steady, [0, 1, 2, 3]),
    ],
)
def test_each_state_is_found_where_it_is(mask: Mask, expected: list[int]) -> None:
    assert phases_of(mask, drive_of(FOUR_PHASES)) == expected


NEEDS = {
    masks.idling: ["engine_speed", "vehicle_speed"],
    masks.closed_loop: ["fuel_system_status"],
    masks.overrun: ["engine_speed", "vehicle_speed", "calculated_load", "fuel_system_status"],
    masks.full_throttle: ["engine_speed", "calculated_load", "throttle_position"],
    masks.warm: ["coolant_temperature"],
    masks.running: ["engine_speed"],
    masks.steady: ["engine_speed", "vehicle_speed", "calculated_load"],
}


@pytest.mark.parametrize(("mask", "key"), [(mask, key) for mask, keys in NEEDS.items() for key in keys])
def test_a_state_is_unknown_without_what_it_rests_on(mask: Mask, key: str) -> None:
    drive = drive_of({name: series for name, series in FOUR_PHASES.items() if name != key})
    assert not mask(drive, AT).any()


@pytest.mark.parametrize("mask", list(NEEDS))
def test_a_state_is_unknown_once_its_values_are_old(mask: Mask) -> None:
    drive = drive_of(FOUR_PHASES)
    assert not mask(drive, np.array([200.0, 500.0])).any()
    assert mask(drive, np.empty(0)).shape == (0,)
    assert not mask(drive_of({}), AT).any()


@pytest.mark.parametrize("status", [1, 4, 8])
def test_open_loop_of_any_kind_is_not_closed(status: float) -> None:
    assert not masks.closed_loop(drive_of({"fuel_system_status": (SECONDS, [status] * 60)}), AT).any()


def test_closed_loop_with_a_sensor_fault_is_closed() -> None:
    assert masks.closed_loop(drive_of({"fuel_system_status": (SECONDS, [16] * 60)}), AT).all()


def test_enrichment_is_not_overrun() -> None:
    drive = drive_of(FOUR_PHASES | {"fuel_system_status": (SECONDS, [4] * 60)})
    assert phases_of(masks.overrun, drive) == [2]


def test_a_change_ends_the_steady_state_for_the_window() -> None:
    constant = {limit.key: (SECONDS, [50.0] * 60) for limit in masks.STEADY_LIMITS}
    drive = drive_of(constant | {"engine_speed": (SECONDS, [2000.0] * 30 + [2400.0] * 30)})
    unsteady = AT[~masks.steady(drive, AT)]
    # The first two seconds hold too few samples; from second 30 the window still reaches back to 29.
    assert unsteady.tolist() == [0, 1, 30, 31, 32, 33, 34]


@pytest.mark.parametrize("limit", masks.STEADY_LIMITS, ids=lambda limit: limit.key)
def test_steady_allows_exactly_its_spread(limit: masks.SteadyLimit) -> None:
    constant = {one.key: (SECONDS, [50.0] * 60) for one in masks.STEADY_LIMITS}
    for spread, expected in ((limit.spread, True), (limit.spread * 1.01, False)):
        wave = [50.0 + spread * (second % 2) for second in SECONDS]
        drive = drive_of(constant | {limit.key: (SECONDS, wave)})
        assert masks.steady(drive, np.array([30.0]))[0] == expected


def test_too_few_samples_are_not_steady() -> None:
    slow = list(range(0, 60, 3))
    drive = drive_of({limit.key: (slow, [50.0] * len(slow)) for limit in masks.STEADY_LIMITS})
    assert not masks.steady(drive, AT).any()
