"""What the warm-up detector does with recordings that lack, damage or contradict something: it says so, or bears it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors.warm_up import DRIVE_TO_GET, detect
from obdwatch.explanations.warm_up_words import MISSING
from obdwatch.records import Car, Drive, Finding, FloatArray, History, Session, Signal, Verdict
from tests.detectors.warming_car import Trip, WarmingCar, record

HEALTHY_TRIP = Trip(style="mixed", minutes=22.0, air=12.0)


def changed(drive: Drive, key: str, values: FloatArray | None = None, times: FloatArray | None = None) -> Drive:
    """The drive with one signal changed, or taken out where neither values nor times are given."""
    signals = dict(drive.signals)
    old = signals.pop(key)
    if values is not None or times is not None:
        new_times = old.times if times is None else times
        signals[key] = replace(old, times=new_times, values=old.values if values is None else values)
    return replace(drive, signals=signals)


def only(drive: Drive, *keys: str) -> Drive:
    return replace(drive, signals={key: drive.signals[key] for key in keys})


def ask(drive: Drive, car: Car | None = None) -> Finding:
    return detect(drive, car, History())


def refused(finding: Finding, signature: str) -> None:
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, signature)
    assert finding.drive_to_get


@pytest.fixture(scope="module")
def healthy() -> Drive:
    return record(WarmingCar(), HEALTHY_TRIP)


def test_every_refusal_has_words_and_a_drive_to_get() -> None:
    assert set(DRIVE_TO_GET) == set(MISSING)


def test_an_empty_drive_misses_the_coolant() -> None:
    refused(ask(Drive(Session("empty", None), {})), "coolant_missing")


@pytest.mark.parametrize("values", [np.array([]), np.full(50, np.nan), np.full(50, np.inf)])
def test_a_coolant_signal_without_values_is_missing(healthy: Drive, values: FloatArray) -> None:
    refused(ask(changed(healthy, "coolant_temperature", values, np.arange(float(len(values))))), "coolant_missing")


def test_coolant_alone_does_not_tell_the_heat(healthy: Drive) -> None:
    refused(ask(only(healthy, "coolant_temperature", "ambient_air_temperature")), "heat_missing")


def test_neither_air_temperature_nor_a_known_stand_is_not_enough(healthy: Drive) -> None:
    bare = changed(changed(healthy, "ambient_air_temperature"), "intake_air_temperature")
    refused(ask(bare), "air_temperature_missing")
    soaked = replace(bare, session=replace(bare.session, soak_hours=12.0))
    assert ask(soaked).verdict is Verdict.HEALTHY


def test_readings_a_minute_apart_are_too_slow() -> None:
    refused(ask(record(WarmingCar(), replace(HEALTHY_TRIP, every=60.0))), "sampling_too_slow")


@pytest.mark.parametrize("every", [0.5, 1.0, 5.0])
def test_usual_sampling_gives_the_same_answer(every: float) -> None:
    assert ask(record(WarmingCar(), replace(HEALTHY_TRIP, every=every))).verdict is Verdict.HEALTHY
    stuck = ask(record(WarmingCar(leak=0.8), replace(HEALTHY_TRIP, every=every)))
    assert stuck.signature == "stuck_open"


def test_a_coolant_signal_that_jumps_is_withheld(healthy: Drive) -> None:
    old = healthy.signals["coolant_temperature"]
    values = old.values.copy()
    values[100::40] -= 15.0
    finding = ask(changed(healthy, "coolant_temperature", values))
    refused(finding, "coolant_jumps")
    assert finding.parts == ("coolant_temperature_sensor",)


def test_one_stray_coolant_reading_changes_nothing(healthy: Drive) -> None:
    values = healthy.signals["coolant_temperature"].values.copy()
    values[300] = 140.0
    assert ask(changed(healthy, "coolant_temperature", values)).measures == ask(healthy).measures


def test_an_open_sensor_is_not_a_cold_engine(healthy: Drive) -> None:
    values = np.full(len(healthy.signals["coolant_temperature"].values), -40.0)
    refused(ask(changed(healthy, "coolant_temperature", values)), "coolant_not_rational")


def test_coolant_far_colder_than_the_air_is_not_rational(healthy: Drive) -> None:
    values = healthy.signals["coolant_temperature"].values - 30.0
    refused(ask(changed(healthy, "coolant_temperature", values)), "coolant_not_rational")


def test_a_sensor_that_never_moves_is_not_a_stuck_thermostat(healthy: Drive) -> None:
    values = np.full(len(healthy.signals["coolant_temperature"].values), 20.0)
    refused(ask(changed(healthy, "coolant_temperature", values)), "coolant_frozen")


@pytest.mark.parametrize(("bias", "agrees"), [(0.0, True), (-9.0, False), (12.0, False)])
def test_after_a_long_stand_all_temperatures_must_agree(healthy: Drive, bias: float, agrees: bool) -> None:
    # After 8 h standing, coolant, intake and ambient air agree within about 5 K (common practice).
    session = replace(healthy.session, soak_hours=10.0)
    values = healthy.signals["coolant_temperature"].values + bias
    intake = healthy.signals["intake_air_temperature"]
    cool = Signal(intake.key, intake.unit, intake.times, np.full(len(intake.times), 12.0))
    soaked = replace(healthy, session=session, signals={**healthy.signals, "intake_air_temperature": cool})
    finding = ask(changed(soaked, "coolant_temperature", values))
    assert (finding.signature == "coolant_disagrees_cold") is not agrees


def test_without_a_known_stand_a_warm_engine_is_nothing_odd(healthy: Drive) -> None:
    assert ask(record(WarmingCar(), replace(HEALTHY_TRIP, start=30.0))).verdict is Verdict.HEALTHY


def test_intake_temperature_serves_where_ambient_is_missing() -> None:
    for leak, verdict in ((0.0, Verdict.HEALTHY), (0.8, Verdict.FAULT)):
        drive = record(WarmingCar(leak=leak), replace(HEALTHY_TRIP, ambient_sensor=False))
        assert ask(drive).verdict is verdict


def test_spikes_of_the_intake_temperature_are_thrown_away(healthy: Drive) -> None:
    bare = changed(healthy, "ambient_air_temperature")
    values = bare.signals["intake_air_temperature"].values.copy()
    values[::37] = 150.0
    values[::53] = -40.0
    spiked = ask(changed(bare, "intake_air_temperature", values))
    assert spiked.verdict is Verdict.HEALTHY


def test_a_gap_of_ten_minutes_is_not_bridged(healthy: Drive) -> None:
    start, end = 300.0, 900.0
    signals = {}
    for key, old in healthy.signals.items():
        kept = (old.times < start) | (old.times > end)
        signals[key] = replace(old, times=old.times[kept], values=old.values[kept])
    gapped = replace(healthy, signals=signals)
    heat = {one.name: one.value for one in ask(gapped).measures}["fuel_heat"]
    whole = {one.name: one.value for one in ask(healthy).measures}["fuel_heat"]
    assert heat < 0.75 * whole
    assert ask(gapped).verdict is not Verdict.FAULT


def test_start_stop_and_a_long_stop_are_no_fault(healthy: Drive) -> None:
    speed, flow = healthy.signals["engine_speed"], healthy.signals["air_flow"]
    rpm = np.where((speed.times % 120.0) < 25.0, 0.0, speed.values)
    rpm = np.where((speed.times > 700.0) & (speed.times < 950.0), 0.0, rpm)
    air = np.where(np.interp(flow.times, speed.times, rpm) < 200.0, 0.0, flow.values)
    stopping = changed(changed(healthy, "engine_speed", rpm), "air_flow", air)
    assert ask(stopping).verdict is not Verdict.FAULT


def test_the_engine_off_before_the_start_is_not_part_of_the_warm_up(healthy: Drive) -> None:
    signals = {key: replace(old, times=old.times + 60.0) for key, old in healthy.signals.items()}
    waiting = np.arange(0.0, 60.0)
    for key, value in (("coolant_temperature", 12.0), ("engine_speed", 0.0), ("air_flow", 0.0)):
        old = signals[key]
        signals[key] = replace(
            old, times=np.r_[waiting, old.times], values=np.r_[np.full(len(waiting), value), old.values]
        )
    assert ask(replace(healthy, signals=signals)).verdict is Verdict.HEALTHY


def test_unsorted_and_nan_readings_are_put_in_order(healthy: Drive) -> None:
    old = healthy.signals["air_flow"]
    order = np.random.default_rng(1).permutation(len(old.times))
    mixed = changed(healthy, "air_flow", old.values[order], old.times[order])
    assert ask(mixed).verdict is Verdict.HEALTHY


def test_a_drive_that_grows_can_be_asked_all_along() -> None:
    drive = record(WarmingCar(leak=0.8), Trip(style="mixed", minutes=30.0, air=0.0))
    answers = []
    for end in range(30, 1800, 120):
        signals = {
            key: replace(old, times=old.times[old.times < end], values=old.values[old.times < end])
            for key, old in drive.signals.items()
        }
        answers.append(ask(replace(drive, signals=signals)).verdict)
    assert Verdict.HEALTHY not in answers
    assert answers[-1] is Verdict.FAULT


def test_the_drive_is_not_changed_and_the_answer_is_repeatable(healthy: Drive) -> None:
    before = {key: signal.values.copy() for key, signal in healthy.signals.items()}
    first, second = ask(healthy), ask(healthy)
    assert first == second
    for key, values in before.items():
        np.testing.assert_array_equal(healthy.signals[key].values, values)
