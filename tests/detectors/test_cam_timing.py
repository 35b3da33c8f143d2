"""Cams: the car's own tests come first, then its codes, then its air; which cam and bank is named."""

from __future__ import annotations

from dataclasses import replace

import pytest

from obdwatch.decoding.monitors import decode_results
from obdwatch.detectors import air_filling
from obdwatch.detectors.cam_timing import DRIVE_TO_GET, detect
from obdwatch.records import Car, CodeKind, Drive, Finding, History, MonitorResult, Session, Urgency, Verdict
from tests.detectors.breathing_car import SIX, BreathingCar, cam_results, drive, trip, with_codes
from tests.detectors.breathing_history import past, remembered
from tests.detectors.real_drives import read_drive
from tests.shared_data import shared

NOTHING = History()
INTAKE, EXHAUST = "cam_timing_solenoid_intake", "cam_timing_solenoid_exhaust"
FOUR = replace(SIX, id="four", cam_timing=("intake",), cylinders=4)


def own_tests(*values: float) -> Drive:
    return Drive(Session("tests only", None), {}, monitors=cam_results(values))


def value(finding: Finding, name: str) -> float:
    return next(one.value for one in finding.measures if one.name == name)


def test_published_frames_are_judged_as_the_standard_says() -> None:
    """Frames with invented limits: -4.00 deg of +-10 passes, -8 deg of +-5 fails (SAE J1979, service 06)."""
    passes = decode_results(bytes.fromhex("46 35 80 9C FE70 FC18 03E8"), 5.0, 0x7E8)
    fails = decode_results(bytes.fromhex("46 35 81 9D FFF0 FFF6 000A"), 5.0, 0x7E8)
    assert detect(Drive(Session("a", None), {}, monitors=passes), SIX, NOTHING).verdict is Verdict.HEALTHY
    finding = detect(Drive(Session("b", None), {}, monitors=(*passes, *fails)), SIX, NOTHING)
    assert (finding.signature, finding.parts[0]) == ("exhaust_cam_off_target", EXHAUST)
    assert value(finding, "cam_result") == pytest.approx(-8.0)


@pytest.mark.parametrize("profile", [SIX, FOUR, None])
def test_results_well_within_their_limits_clear_the_cams_whatever_the_air_says(profile: Car | None) -> None:
    bad_air = drive(BreathingCar(high_loss=0.25), monitors=True)
    finding = detect(bad_air, profile, NOTHING)
    assert finding.verdict is Verdict.HEALTHY
    assert finding.learnt


def test_a_result_at_its_limit_passes_and_is_watched() -> None:
    finding = detect(own_tests(10.0, 0.0), SIX, NOTHING)
    assert (finding.signature, finding.urgency) == ("intake_cam_near_limit", Urgency.WATCH)


@pytest.mark.parametrize(
    ("values", "profile", "part"),
    [
        ((14.0, 0.5), SIX, INTAKE),
        ((0.5, -14.0), SIX, EXHAUST),
        ((14.0,), FOUR, INTAKE),
        ((14.0,), replace(FOUR, cam_timing=("exhaust",)), EXHAUST),
        ((0.5, 14.0), FOUR, INTAKE),  # two tests of the one cam it has
    ],
)
def test_the_cam_beyond_its_limit_is_named(values: tuple[float, ...], profile: Car, part: str) -> None:
    finding = detect(own_tests(*values), profile, NOTHING)
    assert finding.verdict is Verdict.FAULT
    assert finding.parts[0] == part
    assert finding.urgency is Urgency.NEXT_SERVICE
    assert finding.learnt == ()


def test_the_bank_is_named() -> None:
    both = Drive(Session("vee", None), {}, monitors=(*cam_results((0.2, 0.1)), *cam_results((12.5, 0.1), bank=2)))
    finding = detect(both, SIX, NOTHING)
    assert (value(finding, "bank"), value(finding, "banks_seen")) == (2.0, 2.0)


@pytest.mark.parametrize(("code", "signature"), [("P0011", "intake_cam_advanced"), ("P0012", "intake_cam_retarded")])
def test_the_direction_comes_from_the_code_and_a_stored_one_makes_it_urgent(code: str, signature: str) -> None:
    finding = detect(with_codes(own_tests(-18.0, 0.0), code), SIX, NOTHING)
    assert (finding.signature, finding.urgency) == (signature, Urgency.SOON)
    pending = detect(with_codes(own_tests(-18.0, 0.0), code, kind=CodeKind.PENDING), SIX, NOTHING)
    assert (pending.signature, pending.urgency) == (signature, Urgency.NEXT_SERVICE)


@pytest.mark.parametrize(
    ("code", "signature", "part"),
    [
        ("P0010", "intake_cam_circuit", INTAKE),
        ("P0013", "exhaust_cam_circuit", EXHAUST),
        ("P0014", "exhaust_cam_advanced", EXHAUST),
        ("P0015", "exhaust_cam_retarded", EXHAUST),
        ("P0016", "intake_cam_chain", INTAKE),
        ("P0022", "intake_cam_retarded", INTAKE),
        ("P0025", "exhaust_cam_retarded", EXHAUST),
        ("P000A", "intake_cam_slow", INTAKE),
    ],
)
def test_a_code_alone_is_enough(code: str, signature: str, part: str) -> None:
    """Meanings of the codes: SAE J2012 (A is the intake cam, B the exhaust cam)."""
    bare = Drive(Session("codes", None), {})
    finding = detect(with_codes(bare, code), None, NOTHING)
    assert (finding.signature, finding.parts[0], finding.urgency) == (signature, part, Urgency.SOON)
    pending = detect(with_codes(bare, code, kind=CodeKind.PENDING), None, NOTHING)
    assert (pending.signature, pending.urgency) == (signature, Urgency.WATCH)


def test_the_own_test_beats_an_old_code_but_does_not_silence_it() -> None:
    finding = detect(with_codes(own_tests(0.3, 0.2), "P0012"), SIX, NOTHING)
    assert (finding.signature, finding.urgency) == ("intake_cam_at_times", Urgency.WATCH)


def test_a_permanent_code_of_the_past_and_codes_of_others_accuse_no_cam() -> None:
    one = with_codes(own_tests(0.3, 0.2), "P0012", kind=CodeKind.PERMANENT)
    assert detect(one, SIX, NOTHING).verdict is Verdict.HEALTHY
    assert detect(with_codes(own_tests(0.3, 0.2), "P0420", "P0301"), SIX, NOTHING).verdict is Verdict.HEALTHY


def test_one_reading_beyond_the_limit_is_a_glitch_two_are_not() -> None:
    def readings(*values: float) -> Drive:
        results: tuple[MonitorResult, ...] = ()
        for n, one in enumerate(values):
            results += cam_results((one,), at=30.0 * n)
        return Drive(Session("many", None), {}, monitors=results)

    assert detect(readings(0.0, 15.0, 0.0, 0.0), FOUR, NOTHING).verdict is Verdict.HEALTHY
    assert detect(readings(0.0, 15.0, 12.0, 0.0), FOUR, NOTHING).signature == "intake_cam_at_times"


def test_a_result_that_moves_towards_its_limit_is_watched_before_it_is_near() -> None:
    known = History(tuple(f for day in range(4) for f in remembered(detect(own_tests(0.5), FOUR, NOTHING), day)))
    assert detect(own_tests(5.5), FOUR, NOTHING).verdict is Verdict.HEALTHY
    assert detect(own_tests(5.5), FOUR, known).signature == "intake_cam_near_limit"
    assert detect(own_tests(1.5), FOUR, known).verdict is Verdict.HEALTHY


def test_a_test_that_has_not_run_clears_nobody() -> None:
    waiting = MonitorResult(5.0, 0x7E8, 0x35, 0x80, 0x9D, (0, 0, 0), 0.0, 0.0, 0.0, "deg", False)
    finding = detect(Drive(Session("erased", None), {}, monitors=(waiting,)), SIX, NOTHING)
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "not_run")
    assert finding.drive_to_get == DRIVE_TO_GET["not_run"]


def test_air_alone_accuses_only_a_car_known_to_have_variable_cams() -> None:
    bad = drive(BreathingCar(high_loss=0.2))
    finding = detect(bad, SIX, NOTHING)
    assert (finding.signature, finding.parts[0], finding.urgency) == ("filling_lost_high", INTAKE, Urgency.WATCH)
    assert finding.parts == air_filling.detect(bad, SIX, NOTHING).parts  # both say the same
    assert detect(bad, None, NOTHING).verdict is Verdict.NOT_ENOUGH_DATA
    assert detect(bad, replace(SIX, cam_timing=()), NOTHING).signature == "no_cam_timing"


def test_flaps_and_a_dirty_sensor_are_no_cams() -> None:
    for bad in (BreathingCar(low_loss=0.15), BreathingCar(sensor=0.8, trim=12.0)):
        assert detect(drive(bad), SIX, NOTHING).verdict is Verdict.NOT_ENOUGH_DATA


def test_overlap_at_idle_is_found_against_the_cars_own_past() -> None:
    known = past(air_filling.detect, BreathingCar(), SIX)
    bad = drive(BreathingCar(idle_pressure=46.0, idle_filling=26.0), trip(pulls=0))
    assert detect(bad, SIX, known).signature == "overlap_at_idle"


def test_nothing_known_is_said_so() -> None:
    assert detect(Drive(Session("empty", None), {}), None, NOTHING).signature == "no_evidence"
    assert detect(drive(BreathingCar()), replace(SIX, fuel="diesel"), NOTHING).signature == "diesel"


def test_real_drives_accuse_nobody() -> None:
    for path in sorted(shared("data/warmup_drives").glob("*.csv.gz"))[1::5]:
        assert detect(read_drive(path), None, NOTHING).verdict is Verdict.NOT_ENOUGH_DATA
