"""Ignition advance: lost against the car's own past, or impossible; healthy engines of other tables stay quiet."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from obdwatch.detectors.ignition_timing import DRIVE_TO_GET, detect
from obdwatch.detectors.ignition_timing_judgement import heat_allowance
from obdwatch.records import Car, Drive, Finding, History, Signal, Urgency, Verdict
from tests.detectors.breathing_car import SIX, BreathingCar, cam_results, drive, trip, with_codes
from tests.detectors.breathing_history import past
from tests.detectors.damage import cut_and_thinned
from tests.detectors.real_drives import read_drive
from tests.shared_data import shared

NOTHING = History()
HEALTHY = BreathingCar()
LONG = trip(pulls=3, cruise=600.0)


def value(finding: Finding, name: str) -> float:
    return next(one.value for one in finding.measures if one.name == name)


def with_advance(one: Drive, signal: Signal) -> Drive:
    return replace(one, signals={**one.signals, "timing_advance": signal})


@pytest.fixture(scope="module")
def known() -> History:
    return past(detect, HEALTHY, SIX)


@pytest.mark.parametrize("profile", [SIX, None, replace(SIX, induction="turbo")])
@pytest.mark.parametrize("every", [1, 4])
@pytest.mark.parametrize(
    "day",
    [
        {},
        {"slope": 0.0, "load_slope": -0.35},  # a table cut flat by knock limits
        {"slope": 4.5, "load_slope": -0.15},
        {"retard_all": 12.0},  # an engine that is late by design
        {"intake_air": 70.0, "retard": 12.0},  # heat soak
        {"outside": 80.0},
    ],
)
def test_no_healthy_table_is_accused_on_the_first_drive(profile: Car | None, every: int, day: dict[str, Any]) -> None:
    finding = detect(drive(replace(HEALTHY, **day), LONG, every), profile, NOTHING)
    assert finding.verdict is Verdict.HEALTHY
    assert finding.confidence <= 0.5  # little can be said without a past


@pytest.mark.parametrize("seed", range(4))
def test_advance_lost_to_knock_is_found_against_the_cars_own_past(known: History, seed: int) -> None:
    bad = drive(replace(HEALTHY, retard=6.0, seed=seed), LONG)
    assert detect(bad, SIX, NOTHING).verdict is Verdict.HEALTHY
    finding = detect(bad, SIX, known)
    assert (finding.signature, finding.parts[0], finding.urgency) == ("lost_under_load", "spark_plugs", Urgency.WATCH)
    assert value(finding, "advance_lost_under_load") == pytest.approx(6.0, abs=1.0)
    assert finding.learnt == ()


def test_much_lost_is_a_matter_for_the_next_service(known: History) -> None:
    assert detect(drive(replace(HEALTHY, retard=9.0), LONG), SIX, known).urgency is Urgency.NEXT_SERVICE


def test_advance_lost_everywhere_points_to_timing(known: History) -> None:
    finding = detect(drive(replace(HEALTHY, retard_all=6.0), LONG), SIX, known)
    assert (finding.signature, finding.parts[0]) == ("lost_everywhere", "cam_timing_solenoid_intake")


def test_the_cam_that_the_car_accuses_comes_first(known: History) -> None:
    bad = replace(drive(replace(HEALTHY, retard=6.0), LONG), monitors=cam_results((0.3, -15.0)))
    assert detect(bad, SIX, known).parts[0] == "cam_timing_solenoid_exhaust"
    coded = with_codes(drive(replace(HEALTHY, retard=6.0), LONG), "P0012")
    assert detect(coded, SIX, known).parts[0] == "cam_timing_solenoid_intake"


def test_a_cam_that_costs_air_and_advance_is_named_by_both(known: History) -> None:
    bad = drive(replace(HEALTHY, retard=6.0, high_loss=0.2), LONG)
    assert detect(bad, SIX, known).parts[0] == "cam_timing_solenoid_intake"


@pytest.mark.parametrize("seed", range(6))
def test_the_cars_own_past_accuses_no_healthy_drive(known: History, seed: int) -> None:
    today = replace(HEALTHY, seed=seed, outside=(101.0, 82.0)[seed % 2], intake_air=(-10.0, 20.0, 45.0)[seed % 3])
    finding = detect(drive(today, LONG), SIX, known)
    assert finding.verdict is Verdict.HEALTHY
    assert abs(value(finding, "advance_lost_under_load")) < 2.5


def test_hot_air_may_cost_advance(known: History) -> None:
    """0.2 deg/K over 30 K of hotter intake air: within what knock control usually takes (common practice)."""
    hot = replace(HEALTHY, intake_air=57.0, retard=6.0)
    assert detect(drive(hot, LONG), SIX, known).verdict is Verdict.HEALTHY
    assert heat_allowance(57.0, 27.0) == pytest.approx(0.3 * 27.0)  # counted from 30 degC on


def test_more_advance_than_before_is_no_fault(known: History) -> None:
    """Fuel of a higher grade gives advance back."""
    assert detect(drive(replace(HEALTHY, retard=-6.0), LONG), SIX, known).verdict is Verdict.HEALTHY


@pytest.mark.parametrize(
    ("day", "signature"),
    [
        ({"slope": -4.0}, "falls_with_speed"),
        ({"load_slope": 0.4}, "rises_with_load"),
        ({"retard_all": 24.0}, "late_under_load"),
    ],
)
def test_what_no_sound_engine_shows_is_found_on_the_first_drive(day: dict[str, Any], signature: str) -> None:
    finding = detect(drive(replace(HEALTHY, **day), LONG), SIX, NOTHING)
    assert (finding.signature, finding.urgency) == (signature, Urgency.WATCH)


def test_advance_that_is_lost_on_the_way_is_found() -> None:
    whole = drive(HEALTHY, trip(pulls=3, cruise=900.0))
    advance, load = whole.signals["timing_advance"], whole.signals["absolute_load"]
    late = (advance.times > advance.times[-1] / 2.0) & (load.values > 55.0)
    bad = with_advance(whole, replace(advance, values=advance.values - np.where(late, 9.0, 0.0)))
    assert detect(bad, SIX, NOTHING).signature == "lost_during_drive"


@pytest.mark.parametrize(
    ("keys", "signature"),
    [(("timing_advance",), "signals_missing"), (("absolute_load", "calculated_load"), "signals_missing"),
     (("engine_speed",), "signals_missing"), (("coolant_temperature",), "too_little_driving")],
)  # fmt: skip
def test_what_is_missing_is_said(keys: tuple[str, ...], signature: str) -> None:
    whole = drive(HEALTHY)
    kept = {key: signal for key, signal in whole.signals.items() if key not in keys}
    finding = detect(replace(whole, signals=kept), SIX, NOTHING)
    assert (finding.signature, finding.drive_to_get) == (signature, DRIVE_TO_GET[signature])


def test_a_control_unit_that_tells_no_advance_is_not_believed() -> None:
    """-64 deg is the lower end of PID 0E (SAE J1979): nothing is told."""
    whole = drive(HEALTHY)
    advance = whole.signals["timing_advance"]
    silent = with_advance(whole, replace(advance, values=np.full(len(advance.values), -64.0)))
    assert detect(silent, SIX, NOTHING).signature == "signals_missing"


def test_a_drive_without_load_is_said_to_show_little() -> None:
    whole = drive(HEALTHY, trip(pulls=0))
    light = {**whole.signals}
    for key in ("absolute_load", "calculated_load"):
        light[key] = replace(light[key], values=light[key].values * 0.6)
    assert detect(replace(whole, signals=light), SIX, NOTHING).signature == "no_load"


def test_a_diesel_is_not_judged() -> None:
    assert detect(drive(HEALTHY), replace(SIX, fuel="diesel"), NOTHING).signature == "diesel"


@pytest.mark.parametrize("seed", range(20))
def test_damaged_recordings_are_answered_and_accuse_nobody(known: History, seed: int) -> None:
    random = np.random.default_rng(seed)
    whole = drive(replace(HEALTHY, seed=seed), LONG)
    worse = cut_and_thinned(whole, random, 8)
    finding = detect(worse, (SIX, None)[seed % 2], known)
    assert finding.verdict is not Verdict.FAULT


def test_real_drives_accuse_nobody() -> None:
    for path in sorted(shared("data/warmup_drives").glob("*.csv.gz"))[2::5]:
        assert detect(read_drive(path), None, NOTHING).verdict is Verdict.NOT_ENOUGH_DATA
