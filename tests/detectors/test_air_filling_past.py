"""A car's own surface: level and shape are taken apart, first drives make the baseline, a repair starts it anew."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from obdwatch.detectors.air_filling import detect
from obdwatch.detectors.air_filling_past import MOST_DRIVES, cells_of_drives, own_shape, surface
from obdwatch.records import Event, EventKind, Feature, History, Verdict
from tests.detectors.breathing_car import BreathingCar, drive
from tests.detectors.breathing_history import remembered

DAY = datetime(2024, 1, 1, tzinfo=UTC)
CURVE = {1500: 80.0, 2000: 84.0, 3000: 90.0, 4000: 92.0, 5000: 89.0, 6000: 82.0}


def feature(day: int, name: str, value: float, dated: bool = True) -> Feature:
    at = DAY + timedelta(days=day) if dated else None
    return Feature(f"day {day:03d}", "air_filling", name, value, "%", None, at, None, healthy=day % 2 == 0)


def drives(levels: list[float], scatter: float, seed: int = 0) -> tuple[Feature, ...]:
    random = np.random.default_rng(seed)
    return tuple(
        feature(day, f"full_{speed}", value * level * (1.0 + scatter * random.standard_normal()))
        for day, level in enumerate(levels)
        for speed, value in CURVE.items()
    )


def test_level_and_shape_are_taken_apart() -> None:
    """Drives that differ by 4 % as a whole, cells by 0.5 % within: the truth is written into the drives."""
    levels = list(1.0 + 0.04 * np.random.default_rng(3).standard_normal(40))
    cells = cells_of_drives(History(drives(levels[:MOST_DRIVES], 0.005)), "air_filling", "full_", ())
    own = own_shape(cells, "full_")
    assert own is not None
    assert own.level == pytest.approx(0.04, rel=0.6)
    assert own.shape == pytest.approx(0.005, rel=0.4)
    ratio = [own.middle[f"full_{speed}"] / value for speed, value in CURVE.items()]
    assert np.ptp(ratio) < 0.01  # the curve comes back, whatever its level


def test_cells_that_some_drives_lack_are_filled_in_without_bending_the_curve() -> None:
    whole = drives([1.0, 0.9, 1.1, 1.0, 0.95], 0.0)
    sparse = tuple(one for n, one in enumerate(whole) if n % 4 or one.name == "full_4000")
    own = own_shape(cells_of_drives(History(sparse), "air_filling", "full_", ()), "full_")
    assert own is not None
    assert own.middle["full_6000"] / own.middle["full_4000"] == pytest.approx(82.0 / 92.0, rel=0.01)


def test_two_drives_are_no_baseline() -> None:
    cells = cells_of_drives(History(drives([1.0, 1.0], 0.01)), "air_filling", "full_", ())
    assert own_shape(cells, "full_") is None
    assert surface(History(drives([1.0, 1.0], 0.01)), "air_filling", "full_", ()) == {}


def test_the_first_drives_are_the_baseline_so_that_wear_shows() -> None:
    wearing = [1.0 - 0.002 * day for day in range(80)]
    base = surface(History(drives(wearing, 0.0)), "air_filling", "full_", ())["full_3000"]
    assert base.drives == MOST_DRIVES
    assert base.middle == pytest.approx(90.0, rel=0.025)


def test_a_repair_starts_anew_and_undated_drives_are_taken_as_before_it() -> None:
    features = (*drives([1.0] * 4, 0.0), *(feature(50, "full_3000", 70.0, dated=False),))
    repair = Event("car", DAY + timedelta(days=10), EventKind.REPAIR, part="maf_sensor")
    other = Event("car", DAY + timedelta(days=10), EventKind.REPAIR, part="thermostat")
    after = tuple(feature(20 + day, "full_3000", 95.0) for day in range(3))
    history = History((*features, *after), (repair, other))
    base = surface(history, "air_filling", "full_", ("maf_sensor",))
    assert base["full_3000"].middle == 95.0
    assert "full_4000" not in base
    assert surface(history, "air_filling", "full_", ("fuel_pump",))["full_4000"].drives == 4


def test_another_detectors_cells_and_broken_numbers_are_left_out() -> None:
    odd = tuple(Feature(f"day {n}", "cooling", "full_3000", 1.0, "%") for n in range(5))
    broken = tuple(feature(60 + n, "full_3000", value) for n, value in enumerate((np.nan, np.inf, -np.inf)))
    history = History((*odd, *broken, *drives([1.0] * 3, 0.0)))
    assert surface(history, "air_filling", "full_", ())["full_3000"].middle == pytest.approx(90.0)


@pytest.mark.parametrize(("now", "verdict"), [(34.0, Verdict.HEALTHY), (0.0, Verdict.FAULT)])
def test_the_first_hot_day_after_a_winter_is_no_loss_of_air(now: float, verdict: Verdict) -> None:
    """An engine whose charge is not warmed fills in proportion to density: at 34 degC 5.7 % less than is corrected."""
    car = BreathingCar()
    features: tuple[Feature, ...] = ()
    for day in range(4):
        winter = drive(replace(car, seed=200 + day, intake_air=float(day) - 1.0))
        features += remembered(detect(winter, None, History(features)), day)
    today = drive(replace(car, seed=300, intake_air=now))
    thin = {
        key: replace(one, values=one.values * (273.15 / 307.15) ** 0.5)
        for key, one in today.signals.items()
        if key in ("absolute_load", "air_flow", "calculated_load")
    }
    finding = detect(replace(today, signals={**today.signals, **thin}), None, History(features))
    assert finding.verdict is verdict
    assert finding.signature == ("everywhere" if verdict is Verdict.FAULT else "")
