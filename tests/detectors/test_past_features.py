"""The features of a car's past as detectors look them up: by detector and name, oldest first, finite ones only."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace
from datetime import UTC, datetime, timedelta
from math import inf, nan

import numpy as np
import pytest

from obdwatch.detectors.oxygen_sensors_baseline import features_of, since_repair
from obdwatch.detectors.sampled import MOST_KEPT, once
from obdwatch.records import Event, EventKind, Feature, History, Signal

DAY = datetime(2026, 1, 1, tzinfo=UTC)


def feature(day: int, detector: str, name: str, value: float) -> Feature:
    return Feature(f"s{day}", detector, name, value, "", None, DAY + timedelta(days=day))


PAST = tuple(
    feature(day, detector, name, value)
    for day in range(5)
    for detector, name, value in (
        ("charging", "idle_voltage", 13.0 + day),
        ("cooling", "level", 90.0 + day if day != 2 else nan),
        ("cooling", "idle_voltage", inf),
        ("charging", "outside_air", 20.0 - day),
    )
)


def test_features_are_found_as_by_reading_all_of_them() -> None:
    history = History(PAST)
    for detector in ("charging", "cooling", "nobody"):
        own = [one for one in PAST if one.detector == detector and np.isfinite(one.value)]
        assert list(features_of(history, detector)) == own
        for name in ("idle_voltage", "level", "outside_air"):
            assert list(features_of(history, detector, name)) == [one for one in own if one.name == name]


def test_only_what_came_after_the_repair_is_returned() -> None:
    repair = Event("fern", DAY + timedelta(days=2), EventKind.REPAIR, part="alternator")
    history = History(PAST, (repair,))
    later = since_repair(history, "charging", ("alternator",), "idle_voltage")
    assert [one.value for one in later] == [16.0, 17.0]
    assert len(since_repair(history, "charging", ("battery",), "idle_voltage")) == 5


def test_a_history_stays_a_frozen_record() -> None:
    asked, fresh = History(PAST), History(PAST)
    assert asked.by_name["charging"]["outside_air"]
    assert asked == fresh
    assert hash(asked) == hash(fresh)
    assert not features_of(replace(asked, features=()), "charging")
    with pytest.raises(FrozenInstanceError):
        asked.features = ()  # type: ignore[misc]


def test_what_is_kept_of_a_thing_belongs_to_it_and_to_what_stood_beside_it() -> None:
    one, other = (Signal("a", "", np.zeros(1), np.zeros(1)) for _ in range(2))
    assert once(one, "sum", lambda: 1, beside=one.times) == once(one, "sum", lambda: 2, beside=one.times) == 1
    assert once(one, "sum", lambda: 3, beside=other.times) == 3
    assert once(other, "sum", lambda: 4, beside=one.times) == 4


def test_the_oldest_results_are_forgotten_first() -> None:
    signal = Signal("a", "", np.zeros(1), np.zeros(1))
    for number in range(MOST_KEPT + 1):
        once(signal, str(number), lambda: "first")
    assert once(signal, str(MOST_KEPT), lambda: "again") == "first"
    assert once(signal, "0", lambda: "again") == "again"
