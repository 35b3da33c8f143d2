"""The door before the detectors: what is in order passes untouched, what is not is mended or cut, and told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from obdwatch.decoding.monitors import decode_results
from obdwatch.records import CodeKind, CodeReading, Drive, FloatArray, Session, Signal
from obdwatch.signals.orderly import CLOCK_BACK, FAR_APART, LONGEST_GAP, NO_NUMBERS, UNSORTED, orderly

TIMES = np.arange(0.0, 100.0)


def made(times: FloatArray, values: FloatArray | None = None) -> Drive:
    second = Signal("vehicle_speed", "km/h", times, np.full(len(times), 50.0))
    first = Signal("engine_speed", "1/min", times, times if values is None else values)
    return Drive(Session("door", None), {first.key: first, second.key: second})


def speed(drive: Drive) -> Signal:
    return drive.signals["engine_speed"]


def test_a_drive_in_order_is_the_same_drive() -> None:
    drive = made(TIMES)
    assert orderly(drive) is drive
    empty = Drive(Session("empty", None), {})
    assert orderly(empty) is empty
    twice = made(np.repeat(TIMES, 2))
    assert orderly(twice) is twice


def test_rows_in_no_order_are_sorted() -> None:
    mixed = np.random.default_rng(2).permutation(TIMES)
    found = orderly(made(mixed))
    assert np.array_equal(speed(found).times, TIMES)
    assert np.array_equal(speed(found).values, TIMES)
    assert found.problems == (UNSORTED,)


@pytest.mark.parametrize("wrong", [np.inf, -np.inf, 1e300])
def test_numbers_that_measure_nothing_are_left_out(wrong: float) -> None:
    found = orderly(made(TIMES, np.where(TIMES == 40.0, wrong, TIMES)))
    assert 40.0 not in speed(found).times
    assert len(speed(found).times) == 99
    assert found.problems == (NO_NUMBERS,)


def test_an_unknown_value_is_unknown_and_no_problem() -> None:
    found = orderly(made(TIMES, np.where(TIMES == 40.0, np.nan, TIMES)))
    assert len(speed(found).times) == 99
    assert found.problems == ()


@pytest.mark.parametrize("wrong", [np.inf, np.nan])
def test_an_impossible_time_is_left_out(wrong: float) -> None:
    found = orderly(made(np.where(TIMES == 40.0, wrong, TIMES), TIMES))
    assert np.array_equal(speed(found).times, np.delete(TIMES, 40))
    assert NO_NUMBERS in found.problems


def test_a_clock_that_jumps_back_leaves_the_longer_part() -> None:
    """Set back by an hour after 30 of 100 s, two signals alike: times of both parts would lie among each other."""
    found = orderly(made(np.where(TIMES >= 30.0, TIMES - 40.0, TIMES), TIMES))
    assert np.array_equal(speed(found).values, np.arange(30.0, 100.0))
    assert len(found.signals["vehicle_speed"].times) == 70
    assert found.problems == (CLOCK_BACK,)


def test_two_drives_in_one_file_are_told_apart() -> None:
    later = np.where(TIMES >= 40.0, TIMES + LONGEST_GAP + 1.0, TIMES)
    drive = replace(
        made(later),
        codes=(CodeReading(30.0, CodeKind.STORED, "P0171"), CodeReading(later[-1] + 5.0, CodeKind.STORED, "P0302")),
    )
    found = orderly(drive)
    assert speed(found).times[0] == later[40]
    assert len(speed(found).times) == 60
    assert [one.code for one in found.codes] == ["P0302"]
    assert found.problems == (FAR_APART,)
    pause = made(np.where(TIMES >= 40.0, TIMES + LONGEST_GAP / 4.0, TIMES))
    assert orderly(pause) is pause


def test_a_result_without_numbers_is_no_result() -> None:
    good = decode_results(bytes.fromhex("46 01 05 10 0050 0000 00C8"), 9.0, 0x7E8)
    wrong = [replace(good[0], **{name: np.nan}) for name in ("t", "value", "minimum", "maximum")]
    found = orderly(replace(made(TIMES), monitors=(*good, *wrong)))
    assert found.monitors == tuple(good)
    assert found.problems == (NO_NUMBERS,)
