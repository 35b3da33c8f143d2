"""Filling: where air is missing is found on engines written in the tests, and healthy ones of many kinds stay quiet."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from obdwatch.detectors.air_filling import DRIVE_TO_GET, detect
from obdwatch.records import Car, Drive, Event, EventKind, Finding, History, Urgency, Verdict
from tests.detectors.breathing_car import SIX, BreathingCar, cam_results, drive, trip
from tests.detectors.breathing_history import DAY, past
from tests.detectors.damage import cut_and_thinned
from tests.detectors.real_drives import read_drive
from tests.shared_data import shared

NOTHING = History()
HEALTHY = BreathingCar()


def value(finding: Finding, name: str) -> float:
    return next(one.value for one in finding.measures if one.name == name)


def without(one: Drive, *keys: str) -> Drive:
    return replace(one, signals={key: signal for key, signal in one.signals.items() if key not in keys})


@pytest.mark.parametrize("profile", [SIX, None, replace(SIX, intake_flaps=None, induction=None, cam_timing=None)])
@pytest.mark.parametrize("every", [1, 4, 8])
@pytest.mark.parametrize(
    "day",
    [
        {},
        {"outside": 80.0},  # 1,900 m
        {"intake_air": -15.0},
        {"intake_air": 55.0, "idle_pressure": 52.0, "idle_filling": 35.0},  # air conditioning in a heat wave
        {"sensor": 0.95},  # an air-mass sensor may be 5 % off when new
        {"best": 0.82, "best_speed": 3000.0},  # an older engine made for low speeds
        {"best": 1.02, "best_speed": 5800.0},  # a tuned one
    ],
)
def test_a_healthy_engine_of_any_kind_is_not_accused(profile: Car | None, every: int, day: dict[str, Any]) -> None:
    finding = detect(drive(replace(HEALTHY, **day), trip(pulls=3), every), profile, NOTHING)
    assert finding.verdict is Verdict.HEALTHY
    assert finding.learnt


@pytest.mark.parametrize("seed", range(8))
def test_flaps_that_do_not_move_are_found_on_the_first_drive(seed: int) -> None:
    finding = detect(drive(BreathingCar(low_loss=0.08, seed=seed)), SIX, NOTHING)
    assert (finding.signature, finding.parts[0]) == ("low_speeds", "intake_flap_actuator")
    assert finding.urgency is Urgency.NEXT_SERVICE
    assert 3000.0 <= value(finding, "split_speed") <= 4000.0  # the car of the test changes over at 3,500
    assert value(finding, "air_missing_low") == pytest.approx(8.0, abs=1.5)
    assert value(finding, "air_missing_high") == pytest.approx(0.0, abs=1.0)
    assert finding.learnt == ()


@pytest.mark.parametrize("seed", range(4))
def test_flaps_are_found_with_a_reading_every_two_seconds(seed: int) -> None:
    """An adapter on a slow link, asked for twenty signals in turn; six pulls make up for it."""
    finding = detect(drive(BreathingCar(low_loss=0.1, seed=seed), trip(pulls=6), every=8), SIX, NOTHING)
    assert (finding.signature, finding.parts[0]) == ("low_speeds", "intake_flap_actuator")


def test_a_car_without_flaps_is_not_told_to_mend_them() -> None:
    finding = detect(drive(BreathingCar(low_loss=0.15)), replace(SIX, intake_flaps=False), NOTHING)
    assert finding.signature == "low_speeds"
    assert "intake_flap_actuator" not in finding.parts


def test_a_small_loss_low_down_needs_a_car_known_to_have_flaps() -> None:
    weak = drive(BreathingCar(low_loss=0.05))
    assert detect(weak, SIX, NOTHING).signature == "low_speeds"
    assert detect(weak, None, NOTHING).verdict is Verdict.HEALTHY


@pytest.mark.parametrize("loss", [0.12, 0.25])
def test_a_cam_that_stays_back_is_found_at_high_speeds(loss: float) -> None:
    finding = detect(drive(BreathingCar(high_loss=loss)), SIX, NOTHING)
    assert (finding.signature, finding.parts[0]) == ("high_speeds", "cam_timing_solenoid_intake")
    assert finding.urgency is Urgency.WATCH


def test_the_cam_that_the_car_itself_accuses_comes_first() -> None:
    bad = replace(drive(BreathingCar(high_loss=0.15)), monitors=cam_results((0.5, -14.0)))
    assert detect(bad, SIX, NOTHING).parts[0] == "cam_timing_solenoid_exhaust"


def test_cams_that_pass_their_own_test_leave_the_exhaust_as_the_suspect() -> None:
    finding = detect(drive(BreathingCar(high_loss=0.15), monitors=True), SIX, NOTHING)
    assert finding.parts[0] == "catalytic_converter"
    assert not any(part.startswith("cam_timing") for part in finding.parts)


def test_a_restriction_everywhere_is_found_and_its_air_is_counted() -> None:
    finding = detect(drive(BreathingCar(all_loss=0.2)), replace(SIX, cam_timing=()), NOTHING)
    assert (finding.signature, finding.parts[0]) == ("everywhere", "catalytic_converter")


def test_a_sensor_that_reads_low_is_told_from_missing_air_by_the_trims() -> None:
    finding = detect(drive(BreathingCar(sensor=0.8, trim=12.0)), replace(SIX, cam_timing=()), NOTHING)
    assert (finding.signature, finding.parts[0]) == ("air_reading_low", "maf_sensor")


@pytest.mark.parametrize(
    ("loss", "signature"),
    [({"low_loss": 0.04}, "low_speeds"), ({"high_loss": 0.05}, "high_speeds"), ({"all_loss": 0.08}, "everywhere")],
)
def test_the_cars_own_past_finds_less(loss: dict[str, Any], signature: str) -> None:
    known = past(detect, HEALTHY, replace(SIX, intake_flaps=None))
    bad = drive(replace(HEALTHY, seed=50, **loss))
    assert detect(bad, replace(SIX, intake_flaps=None), NOTHING).verdict is Verdict.HEALTHY
    finding = detect(bad, replace(SIX, intake_flaps=None), known)
    assert finding.signature == signature
    assert value(finding, "own_history_drives") == 5.0


@pytest.mark.parametrize("seed", range(6))
def test_the_cars_own_past_accuses_no_healthy_drive(seed: int) -> None:
    known = past(detect, HEALTHY, SIX)
    today = replace(HEALTHY, seed=seed, outside=(101.3, 84.0)[seed % 2], intake_air=(-10.0, 25.0, 45.0)[seed % 3])
    finding = detect(drive(today), SIX, known)
    assert finding.verdict is Verdict.HEALTHY
    assert abs(value(finding, "air_missing")) < 2.0


def test_a_turbo_is_judged_by_its_own_past_only() -> None:
    turbo = replace(SIX, induction="turbo", intake_flaps=None)
    bad = drive(replace(HEALTHY, high_loss=0.2, seed=7))
    first = detect(bad, turbo, NOTHING)
    assert (first.signature, first.drive_to_get) == ("no_reference", DRIVE_TO_GET["no_reference"])
    assert detect(bad, turbo, past(detect, HEALTHY, turbo)).signature == "high_speeds"


def test_a_repair_starts_a_new_baseline() -> None:
    known = past(detect, HEALTHY, SIX)
    changed = drive(replace(HEALTHY, all_loss=0.08, seed=9))
    assert detect(changed, SIX, known).verdict is Verdict.FAULT
    repair = Event("six", DAY + timedelta(days=30), EventKind.REPAIR, part="maf_sensor")
    assert detect(changed, SIX, replace(known, events=(repair,))).verdict is Verdict.HEALTHY


def test_exhaust_gas_at_idle_is_told_from_air_conditioning() -> None:
    known = past(detect, HEALTHY, SIX)
    # Proportion about 8 kPa of residual gas: (50 - 8) / (36 - 8) = 1.5 times the air for air conditioning.
    cooled = drive(replace(HEALTHY, idle_pressure=50.0, idle_filling=34.0, seed=3), trip(pulls=0))
    overlap = drive(replace(HEALTHY, idle_pressure=46.0, idle_filling=26.0, seed=3), trip(pulls=0))
    assert detect(cooled, SIX, known).verdict is not Verdict.FAULT
    finding = detect(overlap, SIX, known)
    assert (finding.signature, finding.parts[0]) == ("idle_overlap", "cam_timing_solenoid_intake")


def test_a_car_that_works_its_air_out_from_pressure_is_not_judged() -> None:
    bad = drive(BreathingCar(low_loss=0.2))
    said = detect(bad, replace(SIX, air_metering="pressure"), NOTHING)
    assert (said.verdict, said.signature) == (Verdict.NOT_ENOUGH_DATA, "air_not_measured")
    assert detect(without(bad, "air_flow"), None, NOTHING).signature == "air_not_measured"


def test_a_car_without_pressure_sensor_is_judged_by_throttle_and_load() -> None:
    bad = without(drive(BreathingCar(low_loss=0.1)), "intake_manifold_pressure", "air_flow")
    assert detect(bad, replace(SIX, air_metering="air_flow"), NOTHING).signature == "low_speeds"


@pytest.mark.parametrize(
    ("change", "signature"),
    [
        (lambda one: without(one, "engine_speed"), "signals_missing"),
        (lambda one: without(one, "throttle_position", "intake_manifold_pressure"), "signals_missing"),
        (lambda one: without(one, "absolute_load", "air_flow", "calculated_load"), "signals_missing"),
        (lambda one: replace(one, signals={}), "signals_missing"),
    ],
)
def test_what_is_missing_is_said(change: object, signature: str) -> None:
    assert callable(change)
    finding = detect(change(without(drive(HEALTHY), "intake_manifold_pressure")), SIX, NOTHING)
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, signature)
    assert finding.drive_to_get == DRIVE_TO_GET[signature]


def test_without_a_pull_the_drive_to_get_is_said() -> None:
    finding = detect(drive(HEALTHY, trip(pulls=0)), SIX, NOTHING)
    assert (finding.signature, finding.drive_to_get) == ("no_pull", DRIVE_TO_GET["no_pull"])


def test_a_car_whose_calculated_load_knows_no_torque_curve_is_not_judged_by_it() -> None:
    """Some only divide the air by the best they ever had: the torque curve itself would then look like a fault."""
    whole = drive(BreathingCar(best_speed=2500.0, width=6500.0))
    load = whole.signals["absolute_load"]
    shared_load = replace(load, key="calculated_load", values=np.clip(load.values / 0.92, 0.0, 100.0))
    simple = replace(whole, signals={**whole.signals, "calculated_load": shared_load})
    for profile in (SIX, None):
        assert detect(simple, profile, NOTHING).signature == "no_reference"


def test_what_a_pull_did_not_show_is_asked_for() -> None:
    finding = detect(drive(HEALTHY, trip(low=4600.0)), replace(SIX, intake_flaps=False), NOTHING)
    assert finding.verdict is Verdict.HEALTHY
    assert "low speeds" in finding.drive_to_get
    assert "high speeds" in detect(drive(HEALTHY, trip(high=3900.0)), SIX, NOTHING).drive_to_get


def test_flaps_are_not_cleared_by_high_speeds() -> None:
    finding = detect(drive(HEALTHY, trip(low=4600.0)), SIX, NOTHING)
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "low_speeds_unseen")
    assert finding.learnt


def test_a_diesel_is_not_judged() -> None:
    assert detect(drive(HEALTHY), replace(SIX, fuel="diesel"), NOTHING).signature == "diesel"


@pytest.mark.parametrize("seed", range(25))
def test_damaged_recordings_are_answered_and_accuse_nobody(seed: int) -> None:
    """Signals lost, cut, frozen, thinned out, spiked: an answer comes, and no urgent one."""
    random = np.random.default_rng(seed)
    whole = drive(replace(HEALTHY, seed=seed))
    worse = cut_and_thinned(whole, random, 7)
    finding = detect(worse, (SIX, None)[seed % 2], NOTHING)
    assert finding.urgency in (None, Urgency.WATCH)


def test_the_readings_of_a_pull_agree_with_the_definition_of_absolute_load() -> None:
    """Filling at standard air from air flow alone: 120 m / (n Vd 1.184), as SAE J1979 defines PID 43."""
    only_flow = without(drive(replace(HEALTHY, outside=90.0, intake_air=5.0)), "absolute_load")
    finding = detect(only_flow, SIX, NOTHING)
    assert value(finding, "full_throttle_filling") == pytest.approx(92.0, abs=1.0)  # the efficiency of the test's car


def test_real_drives_accuse_nobody() -> None:
    """Open drives of a healthy car (a turbo-diesel; without a profile it must be seen by itself)."""
    for path in sorted(shared("data/warmup_drives").glob("*.csv.gz"))[::4]:
        assert detect(read_drive(path), None, NOTHING).verdict is Verdict.NOT_ENOUGH_DATA
