"""Misfire on what recordings really hold: sparse counters, one reading, none at all, codes only, damage, a past."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from obdwatch.analysis import Analysis, features_of
from obdwatch.decoding.monitors import decode_results, result_of
from obdwatch.detectors import monitor_results
from obdwatch.detectors.misfire import DRIVE_TO_GET, NAME, detect
from obdwatch.detectors.misfire_counts import read_counters
from obdwatch.records import (
    CodeKind,
    CodeReading,
    Drive,
    Event,
    EventKind,
    Feature,
    Finding,
    FloatArray,
    FreezeFrame,
    History,
    MonitorResult,
    Readiness,
    Session,
    Signal,
    Urgency,
    Verdict,
)
from tests.detectors.misfiring_car import INLINE_FOUR, Trip, frame, normal, record
from tests.detectors.test_misfire_patterns import anywhere, value, weak_spark


def code(name: str, kind: CodeKind = CodeKind.STORED) -> CodeReading:
    return CodeReading(1800.0, kind, name, 0x7E8)


def without_counters(drive: Drive) -> Drive:
    return replace(drive, monitors=())


def test_the_published_frame_is_three_misfires() -> None:
    """46 A2 0B 24 0003 0000 FFFF: three counts of cylinder 1 as the ten-cycle average."""
    results = decode_results(bytes.fromhex("46A20B2400030000FFFF"), 0.0, 0x7E8)
    counters = read_counters(Drive(Session("one", None), {}, monitors=results), None)
    assert counters is not None
    assert counters.averages.tolist() == [3.0]
    assert counters.ran


def test_the_published_percent_frame_fails_its_own_limit() -> None:
    """46 A1 81 2F 00C8 0000 0064: 2 % where 1 % is allowed."""
    drive, _ = record(normal)
    own = decode_results(bytes.fromhex("46A1812F00C800000064"), 1700.0, 0x7E8)
    finding = detect(replace(drive, monitors=(*drive.monitors, *own)), INLINE_FOUR, History())
    assert finding.verdict is Verdict.FAULT
    assert value(finding, "car_own_result") == pytest.approx(2.0)


@pytest.mark.parametrize("every", [5.0, 60.0, 240.0, 800.0])
def test_a_weak_coil_is_found_however_seldom_the_counters_are_read(every: float) -> None:
    drive, _ = record(weak_spark((4,), 0.1), trip=Trip(every=every))
    finding = detect(drive, INLINE_FOUR, History())
    assert (finding.signature, value(finding, "cylinder")) == ("one_cylinder", 4)
    low, high = next(one.interval for one in finding.measures if one.name == "worst_200" and one.interval)
    assert low <= value(finding, "worst_200") <= high
    if every >= 60.0:
        assert value(finding, "turns_between_readings") > 200.0
        assert high > 2.0 * low  # what a long gap hides is not claimed


def test_a_single_reading_of_an_import_stands_for_the_whole_drive() -> None:
    drive, missed = record(anywhere((3,), 0.2))
    once = tuple(
        replace(result_of(0xA2 + place, 0x0C, 0x24, float(count), 0.0, 0.0), minimum=None, maximum=None)
        for place, count in enumerate(missed)
    )
    imported = replace(drive, session=Session("import", None, origin="imported"), monitors=once)
    finding = detect(imported, None, History())
    assert (finding.signature, value(finding, "cylinder")) == ("one_cylinder", 3)
    assert value(finding, "misfire_percent") == pytest.approx(5.0, rel=0.1)
    assert finding.confidence < 0.95


def test_a_single_reading_at_the_start_of_a_recording_may_be_the_last_drive() -> None:
    drive, _ = record(normal, trip=Trip(every=1e6, standing=400.0))
    finding = detect(drive, INLINE_FOUR, History())
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "read_once")


def test_counts_that_stood_before_the_recording_are_not_of_its_turns() -> None:
    drive, _ = record(normal, trip=Trip(standing=5000.0))
    assert detect(drive, INLINE_FOUR, History()).verdict is Verdict.HEALTHY


def test_a_counter_that_is_set_back_counts_on_from_there() -> None:
    drive, missed = record(anywhere((1,), 0.05))
    half = 900.0
    cut = next(r.raw[0] for r in reversed(drive.monitors) if r.monitor == 0xA2 and r.t <= half)
    shown = []
    for one in drive.monitors:
        later = one.t > half and one.monitor == 0xA2
        reply = frame(0xA2, 0x0C, 0x24, one.raw[0] - cut, 0, 0xFFFF) if later else b""
        shown += decode_results(reply, one.t, 0x7E8) if later else [one]
    finding = detect(replace(drive, monitors=tuple(shown)), INLINE_FOUR, History())
    assert value(finding, "count_cylinder_1") == pytest.approx(missed[0], abs=60.0)


def test_only_the_sum_of_all_cylinders() -> None:
    drive, _ = record(anywhere((1, 2, 3, 4), 0.05))
    total: dict[float, int] = {}
    for result in drive.monitors:
        total[round(result.t)] = total.get(round(result.t), 0) + result.raw[0]
    sums = [decode_results(frame(0xA1, 0x0C, 0x24, count, 0, 0xFFFF), at, 0x7E8)[0] for at, count in total.items()]
    finding = detect(replace(drive, monitors=tuple(sums)), INLINE_FOUR, History())
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "unknown_cylinders")


def test_empty_counters_are_not_a_clean_bill() -> None:
    drive, _ = record(normal)
    empty = [decode_results(frame(0xA2 + n, 0x0C, 0x24, 0, 0, 0), 600.0, 0x7E8)[0] for n in range(4)]
    finding = detect(replace(drive, monitors=tuple(empty)), INLINE_FOUR, History())
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "not_run")
    assert finding.drive_to_get == DRIVE_TO_GET["not_run"]


def test_earlier_drives_speak_through_the_cars_own_average() -> None:
    drive, _ = record(normal, trip=Trip(averages=(2.0, 180.0, 1.0, 3.0)))
    finding = detect(drive, INLINE_FOUR, History())
    assert (finding.signature, finding.urgency) == ("earlier_drives", Urgency.WATCH)
    assert value(finding, "cylinder") == 2
    mended = Event("four", datetime(2026, 1, 1, tzinfo=UTC), EventKind.REPAIR, part="ignition_coil")
    assert detect(drive, INLINE_FOUR, History(events=(mended,))).verdict is Verdict.HEALTHY


# --- without counters


def test_without_counters_or_codes_nothing_is_cleared() -> None:
    drive, _ = record(normal)
    finding = detect(without_counters(drive), INLINE_FOUR, History())
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "no_counters")
    assert finding.drive_to_get


def test_codes_that_were_read_and_empty_clear_with_little_confidence() -> None:
    drive, _ = record(normal)
    read = replace(without_counters(drive), codes_read=frozenset({CodeKind.STORED}))
    finding = detect(read, INLINE_FOUR, History())
    assert (finding.verdict, finding.signature) == (Verdict.HEALTHY, "no_codes")
    assert finding.confidence <= 0.5
    said = replace(
        without_counters(drive), readiness=(Readiness(9.0, 0x7E8, False, 0, False, {"misfire": (True, True)}),)
    )
    assert detect(said, INLINE_FOUR, History()).signature == "no_codes"


@pytest.mark.parametrize(
    ("codes", "signature", "cylinder"),
    [
        (("P0303",), "code_one_cylinder", 3),
        (("P0300", "P0302"), "code_one_cylinder", 2),
        (("P0302", "P0303"), "code_two_neighbours", 2),
        (("P0300",), "code_all_cylinders", None),
    ],
)
def test_a_code_alone_is_a_fault_of_unknown_size(codes: tuple[str, ...], signature: str, cylinder: int | None) -> None:
    drive, _ = record(normal)
    bare = replace(without_counters(drive), codes=tuple(code(name) for name in codes))
    finding = detect(bare, INLINE_FOUR, History())
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, signature)
    assert finding.confidence < 0.9
    if cylinder is not None:
        assert value(finding, "cylinder") == cylinder


def test_the_freeze_frame_says_when() -> None:
    drive, _ = record(normal)
    values = {"engine_speed": 3100.0, "calculated_load": 92.0, "coolant_temperature": 90.0}
    noted = replace(
        without_counters(drive), codes=(code("P0301"),), freeze_frames=(FreezeFrame(9.0, 0x7E8, 0, "P0301", values),)
    )
    finding = detect(noted, INLINE_FOUR, History())
    assert value(finding, "frame_calculated_load") == 92.0


def test_a_pending_code_is_watched_and_a_permanent_one_is_history() -> None:
    drive, _ = record(normal)
    pending = replace(drive, codes=(code("P0301", CodeKind.PENDING),))
    assert detect(pending, INLINE_FOUR, History()).urgency is Urgency.WATCH
    permanent = replace(drive, codes=(code("P0301", CodeKind.PERMANENT),))
    assert detect(permanent, INLINE_FOUR, History()).verdict is Verdict.HEALTHY


def idle_only(scatter: float, every: float = 0.25, hunting: float = 0.0, seed: int = 5) -> Drive:
    """Five minutes of warm idle; dips as noise, hunting as a slow swing of six seconds."""
    generator = np.random.default_rng(seed)
    t = np.arange(0.0, 300.0, every)
    rpm = 720.0 + generator.normal(0.0, scatter, len(t)) + hunting * np.sin(2.0 * np.pi * t / 6.0)
    values = {"engine_speed": rpm, "vehicle_speed": 0.0 * t, "coolant_temperature": 90.0 + 0.0 * t}
    return Drive(Session("idle", None), {key: Signal(key, "", t, v) for key, v in values.items()})


def test_only_an_idle_that_no_sound_engine_has_is_a_hint() -> None:
    rough = detect(idle_only(60.0), None, History())
    assert (rough.signature, rough.urgency) == ("rough_idle", Urgency.WATCH)
    assert rough.confidence < 0.5
    assert detect(idle_only(12.0), None, History()).verdict is Verdict.NOT_ENOUGH_DATA
    assert detect(idle_only(3.0, hunting=120.0), None, History()).verdict is Verdict.NOT_ENOUGH_DATA
    assert detect(idle_only(60.0, every=4.0), None, History()).verdict is Verdict.NOT_ENOUGH_DATA


def test_an_idle_rougher_than_the_cars_own() -> None:
    own = tuple(Feature(f"s{n}", NAME, "idle_scatter", 6.0 + 0.3 * n, "1/min") for n in range(5))
    assert detect(idle_only(20.0), None, History(own)).signature == "rough_idle"
    assert detect(idle_only(8.0), None, History(own)).verdict is Verdict.NOT_ENOUGH_DATA


# --- the car's own past


def past_drives(chance_size: float, count: int, start: datetime) -> tuple[Feature, ...]:
    features: list[Feature] = []
    for number in range(count):
        drive, _ = record(anywhere((2,), chance_size), trip=Trip(seed=50 + number))
        session = Session(f"s{number}", start + timedelta(days=number))
        found = replace(detect(drive, INLINE_FOUR, History()), verdict=Verdict.HEALTHY)
        features += features_of(Analysis(session, INLINE_FOUR, (found,), ()))
    return tuple(features)


def test_a_cylinder_that_has_always_missed_a_little_is_let_be_until_it_grows() -> None:
    start = datetime(2026, 3, 1, tzinfo=UTC)
    history = History(past_drives(0.002, 4, start))
    same, _ = record(anywhere((2,), 0.002))
    more, _ = record(anywhere((2,), 0.008))
    assert detect(same, INLINE_FOUR, History()).verdict is Verdict.FAULT  # nobody knows its past
    assert detect(same, INLINE_FOUR, history).verdict is Verdict.HEALTHY
    grown = detect(more, INLINE_FOUR, history)
    assert (grown.verdict, grown.urgency) == (Verdict.FAULT, Urgency.WATCH)


def test_a_short_past_without_misfires_does_not_hide_new_ones() -> None:
    features = (
        Feature("s0", NAME, "counted_turns", 1500.0, ""),
        *(Feature("s0", NAME, f"count_cylinder_{cylinder}", 0.0, "") for cylinder in (1, 2, 3, 4)),
    )
    drive, _ = record(anywhere((2,), 0.004))
    assert detect(drive, INLINE_FOUR, History(features)).verdict is Verdict.FAULT


def test_lean_at_full_load_points_to_fuel_even_where_counters_were_read_once() -> None:
    drive, missed = record(weak_spark((1, 2, 3, 4), 0.1), trip=Trip(lean_under_load=True))
    once = tuple(result_of(0xA2 + place, 0x0C, 0x24, float(n), 0.0, 65535.0) for place, n in enumerate(missed))
    imported = replace(drive, session=Session("import", None, origin="imported"), monitors=once)
    assert detect(imported, INLINE_FOUR, History()).parts[0] == "fuel_pump"


def test_a_repair_starts_a_new_past() -> None:
    start = datetime(2026, 3, 1, tzinfo=UTC)
    features = past_drives(0.002, 3, start)
    repaired = Event("four", start + timedelta(days=30), EventKind.REPAIR, part="spark_plugs")
    same, _ = record(anywhere((2,), 0.002))
    assert detect(same, INLINE_FOUR, History(features, (repaired,))).verdict is Verdict.FAULT


# --- missing, strange and damaged


def test_a_diesel_is_not_judged() -> None:
    drive, _ = record(weak_spark((1,), 0.5))
    finding = detect(drive, replace(INLINE_FOUR, fuel="diesel"), History())
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "diesel")


def test_counters_without_engine_speed_still_compare_cylinders() -> None:
    bad, _ = record(weak_spark((1,), 0.5), trip=Trip(drop=("engine_speed",)))
    assert value(detect(bad, INLINE_FOUR, History()), "cylinder") == 1
    good, _ = record(normal, trip=Trip(drop=("engine_speed",)))
    assert detect(good, INLINE_FOUR, History()).signature == "speed_missing"


@pytest.mark.parametrize(
    "drop",
    [
        ("calculated_load",),
        ("coolant_temperature",),
        ("vehicle_speed",),
        ("calculated_load", "coolant_temperature", "vehicle_speed", "fuel_system_status"),
    ],
)
def test_conditions_may_be_missing(drop: tuple[str, ...]) -> None:
    drive, _ = record(weak_spark((2,), 0.3), trip=Trip(drop=drop))
    finding = detect(drive, INLINE_FOUR, History())
    assert (finding.signature, value(finding, "cylinder")) == ("one_cylinder", 2)


def test_a_short_drive_is_too_short() -> None:
    drive, _ = record(normal, trip=Trip(minutes=1.0))
    assert detect(drive, INLINE_FOUR, History()).signature == "too_short"


def test_an_empty_drive() -> None:
    finding = detect(Drive(Session("empty", None), {}), None, History())
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "engine_missing")
    assert finding.drive_to_get


def damaged(drive: Drive, generator: np.random.Generator) -> Drive:
    """Throw away, blank, freeze and scramble at random."""
    signals = {}
    for key, signal in drive.signals.items():
        kind = generator.integers(0, 6)
        times, values = signal.times.copy(), signal.values.copy()
        if kind == 0:
            continue
        if kind == 1:
            kept = generator.random(len(times)) < 0.02
            times, values = times[kept], values[kept]
        if kind == 2:
            values[generator.random(len(values)) < 0.5] = np.nan
        if kind == 3:
            values[:] = values[0]
        if kind == 4:
            cut: FloatArray = np.sort(generator.uniform(0.0, times[-1], 2))
            kept = (times < cut[0]) | (times > cut[1])
            times, values = times[kept], values[kept]
        signals[key] = Signal(key, signal.unit, times, values)
    monitors = [one for one in drive.monitors if generator.random() < 0.5]
    strange: list[MonitorResult] = [
        MonitorResult(float("nan"), None, 0xA3, 0x0C, 0x24, (5, 0, 0), 5.0, 0.0, 0.0, "count", True),
        MonitorResult(3.0, None, 0xAD, 0x0C, 0x7E, (9, 0, 1), None, None, None, "", True),
    ]
    return replace(drive, signals=signals, monitors=(*monitors, *strange))


@pytest.mark.parametrize("seed", range(40))
def test_damage_never_raises_and_never_makes_a_sound_engine_stop(seed: int) -> None:
    generator = np.random.default_rng(seed)
    drive, _ = record(normal, trip=Trip(seed=seed, minutes=12.0))
    finding: Finding = detect(damaged(drive, generator), INLINE_FOUR if seed % 2 else None, History())
    assert finding.urgency not in (Urgency.SOON, Urgency.STOP)
    assert all(np.isfinite(measure.value) for measure in finding.measures)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        assert finding.drive_to_get


def test_a_clock_that_jumps_a_year_does_not_fill_the_memory() -> None:
    drive, _ = record(normal, trip=Trip(minutes=5.0))
    speed = drive.signals["engine_speed"]
    times = speed.times.copy()
    times[-1] += 3e7
    jumped = replace(drive, signals=drive.signals | {"engine_speed": replace(speed, times=times)})
    assert detect(jumped, INLINE_FOUR, History()).verdict is not Verdict.FAULT


@pytest.mark.parametrize("seed", range(60))
def test_any_bytes_of_service_06_are_borne(seed: int) -> None:
    """Random results of every monitor and scaling, out of order, from several control units; both detectors answer."""
    generator = np.random.default_rng(1000 + seed)
    drive, _ = record(normal, trip=Trip(minutes=6.0, seed=seed))
    strange = []
    for _ in range(40):
        body = bytes(int(byte) for byte in generator.integers(0, 256, 9))
        if body[0] % 0x20:  # those are support bitmaps
            unit = (None, 0x7E8, 0x7E9)[int(generator.integers(3))]
            strange += decode_results(b"\x46" + body, float(generator.uniform(-9.0, 400.0)), unit)
    both = [*drive.monitors, *strange]
    shuffled = replace(drive, monitors=tuple(both[place] for place in generator.permutation(len(both))))
    for finding in (detect(shuffled, None, History()), monitor_results.detect(shuffled, INLINE_FOUR, History())):
        assert all(np.isfinite(measure.value) for measure in (*finding.measures, *finding.learnt))
        assert (finding.verdict is not Verdict.NOT_ENOUGH_DATA) or finding.drive_to_get
