"""Results that drift towards their limit over drives: the statistics against worked examples, and no false drift."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from obdwatch.analysis import Analysis, features_of
from obdwatch.decoding.monitors import result_of
from obdwatch.detectors.monitor_results import NAME, detect
from obdwatch.detectors.monitor_results_trend import drift
from obdwatch.physics.statistics import mann_kendall
from obdwatch.records import Drive, Event, EventKind, Feature, History, Session, Urgency, Verdict
from tests.shared_data import shared

START = datetime(2026, 1, 5, tzinfo=UTC)


def catalyst_drive(number: int, value: float, km: float | None = None) -> Drive:
    """One drive with one catalyst result, up to 0.7 allowed."""
    session = Session(f"s{number}", START + timedelta(days=7 * number), odometer_km=km)
    return Drive(session, {}, monitors=(result_of(0x21, 0x80, 0x20, value, 0.0, 0.7, 100.0, 0x7E8),))


def lived(values: list[float], with_km: bool = False) -> tuple[Feature, ...]:
    """What earlier drives left in the history, each analysed with what came before it."""
    features: list[Feature] = []
    for number, value in enumerate(values):
        drive = catalyst_drive(number, value, 100_000.0 + 400.0 * number if with_km else None)
        finding = detect(drive, None, History(tuple(features)))
        features += features_of(Analysis(drive.session, None, (finding,), ()))
    return tuple(features)


def test_mann_kendall_by_hand() -> None:
    """A worked example on paper: S = 54, variance 332.667, Z 2.9058; Theil and Sen 0.56667 (0.325 to 0.86667)."""
    example = json.loads(shared("reference/trend_examples.json").read_text("utf-8"))["mann_kendall_hand"]
    values = np.array(example["x"])
    rank = mann_kendall(values)
    score, variance, normal = rank.score, rank.variance, rank.normal
    assert (score, variance, normal) == pytest.approx((54.0, 332.6667, 2.9058), rel=1e-4)
    found = drift(np.arange(float(len(values))), values)
    assert found is not None
    assert found.slope == pytest.approx(example["sen_slope"], rel=1e-6)
    assert found.interval == pytest.approx(example["sen_ci95"], rel=1e-6)


def test_the_slope_against_scipy() -> None:
    generator = np.random.default_rng(2)
    at = np.sort(generator.uniform(0.0, 50.0, 15))
    values = 60.0 - 0.8 * at + generator.normal(0.0, 4.0, 15)
    found = drift(at, values)
    assert found is not None
    slope, _, low, high = stats.theilslopes(values, at, 0.95)
    assert (found.slope, *found.interval) == pytest.approx((slope, low, high))


def test_nothing_moves_in_two_points_or_at_one_place() -> None:
    assert drift(np.arange(2.0), np.array([1.0, 2.0])) is None
    assert drift(np.ones(5), np.arange(5.0)) is None


@pytest.mark.parametrize("with_km", [False, True])
def test_a_catalyst_that_tires_is_watched_before_it_fails(with_km: bool) -> None:
    values = [0.30, 0.33, 0.37, 0.42, 0.46, 0.50, 0.54]
    history = History(lived(values, with_km))
    now = catalyst_drive(7, 0.59, 102_800.0 if with_km else None)
    finding = detect(now, None, history)
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "drifts_to_limit")
    assert finding.urgency is Urgency.WATCH
    assert finding.parts[0] == "catalytic_converter"
    slope = next(one for one in finding.measures if one.name == "margin_slope")
    per_drive = -100.0 * (0.59 - 0.30) / 7 / 0.7
    assert slope.value == pytest.approx(per_drive / 0.4 if with_km else per_drive, rel=0.1)  # 400 km per drive


def test_near_the_limit_but_steady_is_healthy() -> None:
    generator = np.random.default_rng(1)
    values = [float(v) for v in 0.60 + generator.normal(0.0, 0.01, 12)]
    assert detect(catalyst_drive(20, 0.61), None, History(lived(values))).verdict is Verdict.HEALTHY
    assert detect(catalyst_drive(0, 0.66), None, History()).verdict is Verdict.HEALTHY


def test_drifting_far_from_the_limit_is_healthy() -> None:
    assert detect(catalyst_drive(9, 0.26), None, History(lived([0.1, 0.12, 0.14, 0.16, 0.18, 0.20, 0.22]))).verdict is (
        Verdict.HEALTHY
    )


def test_a_repair_starts_anew() -> None:
    values = [0.30, 0.33, 0.37, 0.42, 0.46, 0.50, 0.54]
    repaired = Event("car", START + timedelta(days=45), EventKind.REPAIR, part="catalytic_converter")
    assert detect(catalyst_drive(7, 0.59), None, History(lived(values), (repaired,))).verdict is Verdict.HEALTHY


def test_steady_cars_hardly_ever_drift() -> None:
    """300 cars with four results each near a limit, ten drives of noise: at most one in a hundred may be watched."""
    generator = np.random.default_rng(8)
    alarms = 0
    for car in range(300):
        levels = 10.0 + generator.normal(0.0, 2.0, (10, 4))
        features = tuple(
            Feature(f"c{car}-{drive}", NAME, f"margin_{0x81 + test:02X}_80_7E8", float(level), "%")
            for drive, row in enumerate(levels[:-1])
            for test, level in enumerate(row)
        )
        monitors = tuple(
            result_of(0x81 + test, 0x80, 0x01, 1000.0 - 10.0 * float(level), 0.0, 1000.0, 9.0, 0x7E8)
            for test, level in enumerate(levels[-1])
        )
        now = Drive(Session(f"c{car}-now", None), {}, monitors=monitors)
        alarms += detect(now, None, History(features)).verdict is Verdict.FAULT
    assert alarms <= 3


def test_margins_are_learnt_whatever_the_verdict() -> None:
    failing = detect(catalyst_drive(0, 0.9), None, History())
    assert [one.name for one in failing.learnt] == ["margin_21_80_7E8"]
    assert failing.learnt[0].value == pytest.approx(-28.6, abs=0.5)
    unknown_unit = replace(result_of(0x21, 0x80, 0x20, 0.3, 0.0, 0.7), ecu=None)
    drive = Drive(Session("x", None), {}, monitors=(unknown_unit,))
    assert detect(drive, None, History()).learnt[0].name == "margin_21_80_0"
