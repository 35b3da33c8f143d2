"""The car's own test results beside their limits: published frames, margins, parts, and what has not run."""

from __future__ import annotations

import csv
from dataclasses import replace

import numpy as np
import pytest

from obdwatch.decoding.monitors import decode_results, encode_result, monitor_name, result_of
from obdwatch.decoding.monitors import test_name as name_of_test
from obdwatch.detectors.monitor_results import DRIVE_TO_GET, detect
from obdwatch.detectors.monitor_results_margin import judge, margin_of, sort_results
from obdwatch.explanations.fuel_first import OTHER_FUEL
from obdwatch.explanations.monitor_results_words import monitor_results_words
from obdwatch.records import (
    Car,
    CodeKind,
    CodeReading,
    Drive,
    Finding,
    History,
    MonitorResult,
    Session,
    Signal,
    Urgency,
    Verdict,
)
from tests.shared_data import shared


def frames(*texts: str, t: float = 100.0, ecu: int = 0x7E8) -> tuple[MonitorResult, ...]:
    return tuple(one for text in texts for one in decode_results(bytes.fromhex(text), t, ecu))


def drive_with(*results: MonitorResult, codes: tuple[str, ...] = ()) -> Drive:
    read = tuple(CodeReading(1.0, CodeKind.STORED, code, 0x7E8) for code in codes)
    return Drive(Session("results", None), {}, codes=read, monitors=results)


def value(finding: Finding, name: str) -> float:
    return next(one.value for one in finding.measures if one.name == name)


PASSING = (
    "46 01 05 10 0050 0000 00C8",  # 80 ms of 0 to 200
    "46 21 80 20 004D 0000 00BF",  # 0.3008 of up to 0.7461
    "46 35 80 9C FE70 FC18 03E8",  # -4.00 deg of +-10
    "46 81 80 AF F830 F63C 09C4",  # -20 % of +-25
)
"""Frames after SAE J1979 and the values they mean, computed from the published scalings; the limits are invented."""


@pytest.mark.parametrize(("text", "margin"), list(zip(PASSING, (60.0, 59.69, 30.0, 10.0), strict=True)))
def test_margins_of_published_frames(text: str, margin: float) -> None:
    result = frames(text)[0]
    found = judge(result, (result,))
    assert found is not None
    assert found.margin == pytest.approx(margin, abs=0.01)


def test_all_published_frames_that_pass_are_healthy() -> None:
    finding = detect(drive_with(*frames(*PASSING)), None, History())
    assert finding.verdict is Verdict.HEALTHY
    assert value(finding, "results_judged") == 4
    assert value(finding, "result_81_80") == pytest.approx(-20.0)


def test_the_published_frame_that_fails_is_a_fault() -> None:
    """46 35 81 9D FFF0 FFF6 000A: -8 degrees where +-5 is allowed."""
    finding = detect(drive_with(*frames(*PASSING, "46 35 81 9D FFF0 FFF6 000A")), None, History())
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "test_failed")
    assert (value(finding, "monitor"), value(finding, "test")) == (0x35, 0x81)
    assert value(finding, "result_35_81") == pytest.approx(-8.0)
    assert (value(finding, "lower_limit"), value(finding, "upper_limit")) == pytest.approx((-5.0, 5.0))
    assert value(finding, "bank") == 1
    assert finding.urgency is Urgency.NEXT_SERVICE


@pytest.mark.parametrize("raw", ["00C8", "0000"])
def test_a_result_equal_to_a_limit_passes(raw: str) -> None:
    """40 CFR 86.010-18(k)(4)(v), and the wording of SAE J1979."""
    finding = detect(drive_with(*frames(f"46 01 05 10 {raw} 0000 00C8")), None, History())
    assert finding.verdict is Verdict.HEALTHY
    assert detect(drive_with(*frames("46 01 05 10 00C9 0000 00C8")), None, History()).verdict is Verdict.FAULT


def test_all_zero_means_not_run() -> None:
    """After an erase value and limits are zero (40 CFR 86.010-18(k)(4)(v)): no result, and not a good one."""
    empty = frames("46 21 80 20 0000 0000 0000")
    alone = detect(drive_with(*empty), None, History())
    assert (alone.verdict, alone.signature) == (Verdict.NOT_ENOUGH_DATA, "none_run")
    assert "70 to 100 km/h" in alone.drive_to_get
    beside = detect(drive_with(*frames(PASSING[0]), *empty), None, History())
    assert beside.verdict is Verdict.HEALTHY
    assert (value(beside, "results_not_run"), value(beside, "not_run_21")) == (1, 1)
    assert beside.confidence < 0.8


def test_no_results_at_all() -> None:
    finding = detect(drive_with(), None, History())
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "no_results")
    assert finding.drive_to_get == DRIVE_TO_GET["no_results"]


def test_misfire_is_left_to_its_own_detector() -> None:
    failing = frames("46 A1 81 2F 00C8 0000 0064", "46 A2 0C 24 0BB8 0000 0064")
    finding = detect(drive_with(*failing), None, History())
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "only_misfire")
    assert finding.drive_to_get == DRIVE_TO_GET["only_misfire"]
    words = " ".join((said := monitor_results_words(finding, "metric")).reasons)
    assert "only those of misfire were read" in said.headline
    assert "misfire test has failed" in words
    support = frames("46 A0 C0 00 00 01")
    assert detect(drive_with(*support), None, History()).signature == "no_results"


def test_a_failed_misfire_test_is_never_said_to_have_passed() -> None:
    """46 A1 81 2F 00C8 0000 0064: 2 % where 1 % is allowed (SAE J1979 frame, invented limit)."""
    passed = detect(drive_with(*frames(*PASSING)), None, History())
    missed = detect(drive_with(*frames(*PASSING, "46 A1 81 2F 00C8 0000 0064")), None, History())
    assert missed.verdict is Verdict.HEALTHY  # of the tests judged here; misfire has an answer of its own
    assert value(missed, "misfire_tests_failed") == 1
    assert monitor_results_words(passed, "metric").headline == "The car's own tests have all passed."
    words = monitor_results_words(missed, "metric")
    assert "all passed" not in " ".join((words.headline, *words.reasons))
    assert "misfire test has failed" in " ".join(words.reasons)


@pytest.mark.parametrize(("trim", "alike"), [(35.0, True), (8.0, False)])
def test_a_lean_fuel_system_result_sends_to_the_tank_first(trim: float, alike: bool) -> None:
    """46 81 80 AF 0DAC F63C 09C4: +35 % where 25 % is allowed, with trims that are lean alike, and with usual ones."""
    results = frames("46 81 80 AF 0DAC F63C 09C4")
    times = np.arange(0.0, 900.0)
    steady = {
        "short_term_fuel_trim_bank_1": (0.0, "%"),
        "long_term_fuel_trim_bank_1": (trim, "%"),
        "coolant_temperature": (92.0, "degC"),
    }
    signals = {key: Signal(key, unit, times, np.full(len(times), level)) for key, (level, unit) in steady.items()}
    finding = detect(replace(drive_with(*results), signals=signals), None, History())
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "test_failed")
    assert any(one.name == "lean_alike" for one in finding.measures) is alike
    assert (OTHER_FUEL in monitor_results_words(finding, "metric").reasons) is alike


def test_an_unknown_scaling_stays_raw_and_is_counted() -> None:
    finding = detect(drive_with(*frames(PASSING[0], "46 21 80 7E FFFF 0000 0001")), None, History())
    assert finding.verdict is Verdict.HEALTHY
    assert value(finding, "results_unknown") == 1
    only = detect(drive_with(*frames("46 21 80 7E FFFF 0000 0001")), None, History())
    assert only.signature == "not_comparable"


def test_constants_of_a_sensor_are_no_results() -> None:
    """Tests 01 to 04 say which thresholds the car uses (SAE J1979), whatever stands in their limits."""
    assert sort_results(drive_with(*frames("46 01 01 0B 01C2 0000 0001"))).judged == ()


def test_results_without_limits_are_not_judged() -> None:
    assert detect(drive_with(*frames("46 21 80 20 004D 0000 0000")), None, History()).signature == "not_comparable"
    imported = replace(result_of(0x21, 0x80, 0x20, 0.3, 0.0, 0.0), minimum=None, maximum=None)
    assert detect(drive_with(imported), None, History()).signature == "not_comparable"


def test_a_limit_on_one_side_only() -> None:
    """An import may give one limit; a car writes the end of the scale instead."""
    imported = replace(result_of(0x41, 0x80, 0x0E, 0.4, 0.5, 0.0), maximum=None)
    assert detect(drive_with(imported), None, History()).verdict is Verdict.FAULT
    on_the_bus = frames("46 41 80 0E 0190 01F4 FFFF")
    finding = detect(drive_with(*on_the_bus), None, History())
    assert finding.verdict is Verdict.FAULT
    assert value(finding, "margin") == pytest.approx(-20.0)
    assert not any(one.name == "upper_limit" for one in finding.measures)


def test_a_signed_result_with_an_upper_limit_only() -> None:
    found = judge(frames("46 3C 80 FE FF38 8000 0064")[0], ())  # -50 Pa, up to 25 Pa
    assert found is not None
    assert found.margin == pytest.approx(300.0)


@pytest.mark.parametrize(
    ("low", "high", "number", "margin"),
    [(0.0, 10.0, 5.0, 50.0), (2.0, 2.0, 2.0, 0.0), (2.0, 2.0, 3.0, -100.0), (None, 0.0, 0.5, -100.0)],
)
def test_margins_at_the_edge(low: float | None, high: float | None, number: float, margin: float) -> None:
    assert margin_of(number, low, high) == pytest.approx(margin)


@pytest.mark.parametrize(
    ("text", "part", "bank"),
    [
        ("46 01 05 10 0190 0000 00C8", "oxygen_sensor_upstream", 1),
        ("46 05 06 10 0190 0000 00C8", "oxygen_sensor_upstream", 2),
        ("46 21 80 20 00E0 0000 00BF", "catalytic_converter", 1),
        ("46 22 80 20 00E0 0000 00BF", "catalytic_converter", 2),
        ("46 36 80 9C 1388 FC18 03E8", "cam_timing_solenoid_intake", 2),
        ("46 45 80 0E 0001 0064 0BB8", "oxygen_sensor_upstream", 2),
        ("46 61 80 01 0001 0064 0BB8", "catalytic_converter", 1),
        ("46 81 80 AF 0A28 F63C 09C4", "intake_leak", 1),
        ("46 81 80 AF F448 F63C 09C4", "fuel_injector", 1),
        ("46 85 80 01 0001 0064 0BB8", "intake_leak", 1),
    ],
)
def test_which_part_a_failed_monitor_means(text: str, part: str, bank: int) -> None:
    finding = detect(drive_with(*frames(text)), None, History())
    assert (finding.verdict, finding.parts[0], value(finding, "bank")) == (Verdict.FAULT, part, bank)


@pytest.mark.parametrize(
    "text",
    [
        "46 02 05 10 0190 0000 00C8",
        "46 31 80 01 0001 0064 0BB8",
        "46 3C 80 FE 0FA0 8000 0064",
        "46 71 80 01 0001 0064 0BB8",
    ],
)
def test_a_failed_monitor_of_no_followed_part_blames_none(text: str) -> None:
    finding = detect(drive_with(*frames(text)), None, History())
    assert (finding.verdict, finding.parts) == (Verdict.FAULT, ())


def test_intake_or_exhaust_cam() -> None:
    both = frames("46 35 80 9C 0000 FC18 03E8", "46 35 81 9C 1388 FC18 03E8")
    assert detect(drive_with(*both), None, History()).parts[0] == "cam_timing_solenoid_exhaust"
    assert detect(drive_with(*both, codes=("P0011",)), None, History()).parts[0] == "cam_timing_solenoid_intake"
    intake_only = Car("one", cam_timing=("intake",))
    assert detect(drive_with(*both), intake_only, History()).parts == ("cam_timing_solenoid_intake",)


def test_one_lean_bank_alone_is_its_own_matter() -> None:
    lean, centred = "46 81 80 AF 0A28 F63C 09C4", "46 82 80 AF 0000 F63C 09C4"
    assert detect(drive_with(*frames(lean, centred)), None, History()).parts[0] == "fuel_injector"
    assert detect(drive_with(*frames(lean, lean.replace("81", "82", 1))), None, History()).parts[0] == "intake_leak"


def test_the_worst_is_named_and_the_others_are_shown() -> None:
    finding = detect(drive_with(*frames("46 01 05 10 00DC 0000 00C8", "46 21 80 20 0180 0000 00BF")), None, History())
    assert value(finding, "monitor") == 0x21
    assert value(finding, "results_failed") == 2
    assert value(finding, "result_01_05") == 220.0


def test_the_last_completed_result_counts() -> None:
    first, last = frames("46 21 80 20 00E0 0000 00BF", t=10.0), frames(PASSING[1], t=900.0)
    assert detect(drive_with(*first, *last), None, History()).verdict is Verdict.HEALTHY
    erased = frames("46 21 80 20 0000 0000 0000", t=1000.0)
    assert value(detect(drive_with(*last, *erased), None, History()), "results_judged") == 1


def test_a_result_that_fails_again_and_again_but_not_at_the_end_is_watched() -> None:
    failing = [one for at in (10.0, 40.0, 70.0) for one in frames("46 35 80 9C 1388 FC18 03E8", t=at)]
    finding = detect(drive_with(*failing, *frames(PASSING[2], t=100.0)), None, History())
    assert (finding.signature, finding.urgency) == ("test_failed_at_times", Urgency.WATCH)
    assert value(finding, "failing_readings") == 3


def test_limits_the_wrong_way_round_are_not_judged() -> None:
    assert detect(drive_with(*frames("46 41 80 01 0032 0064 000A")), None, History()).signature == "not_comparable"


def test_a_failed_test_without_any_code_is_less_sure() -> None:
    failing = drive_with(*frames("46 21 80 20 00E0 0000 00BF"))
    silent = replace(failing, codes_read=frozenset({CodeKind.PENDING}))
    assert detect(silent, None, History()).confidence < detect(failing, None, History()).confidence
    assert value(detect(silent, None, History()), "no_code") == 1.0


def test_two_control_units_are_kept_apart() -> None:
    engine, other = frames(PASSING[1]), frames("46 21 80 20 00E0 0000 00BF", ecu=0x7E9)
    finding = detect(drive_with(*engine, *other), None, History())
    assert value(finding, "results_judged") == 2
    assert finding.verdict is Verdict.FAULT


def test_a_result_from_before_can_has_no_unit_and_less_weight() -> None:
    """Six bytes: test, component, value, limit; the top bit of the component byte says that it is a least value."""
    old = decode_results(bytes.fromhex("46 03 01 0190 00C8"), 9.0, 0x10, can=False)
    finding = detect(drive_with(*old), None, History())
    assert (finding.verdict, finding.urgency, finding.parts) == (Verdict.FAULT, Urgency.WATCH, ())
    assert finding.confidence < 0.7
    least = decode_results(bytes.fromhex("46 03 81 0190 00C8"), 9.0, 0x10, can=False)
    assert detect(drive_with(*least), None, History()).verdict is Verdict.HEALTHY


def test_every_published_monitor_and_test_can_be_judged() -> None:
    """Ids and names of the reference tables: each monitor takes a result, and none crashes the detector."""
    with shared("reference/j1979_mids.csv").open(encoding="utf-8") as file:
        monitors = [int(row["mid_hex"], 16) for row in csv.DictReader(file)]
    with shared("reference/j1979_tids.csv").open(encoding="utf-8") as file:
        tests = [int(row["tid_hex"][:2], 16) for row in csv.DictReader(file)]
    seen = 0
    for monitor in monitors:
        if monitor % 0x20 == 0 or 0xA1 <= monitor <= 0xAD:
            continue
        assert not monitor_name(monitor).startswith("Monitor ")
        for test in tests:
            assert name_of_test(test)
            text = encode_result(result_of(monitor, test, 0x01, 500.0, 10.0, 100.0)).hex()
            finding = detect(drive_with(*frames("46" + text)), None, History())
            constant = monitor <= 0x10 and test <= 4
            assert (finding.verdict is Verdict.FAULT) is not constant
            seen += 1
    assert seen > 400
