"""The fuel-trim detector on damaged, sparse and strange recordings: it says what is missing and never raises."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from obdwatch.decoding.parameter_table import read_fields, read_lengths
from obdwatch.detectors.fuel_trims import DRIVE_TO_GET, USES, detect
from obdwatch.records import Car, Drive, Finding, History, Session, Signal, Verdict
from tests.detectors.real_drives import read_drive
from tests.detectors.trimmed_car import ROAD, TrimmedCar, profile, record
from tests.shared_data import shared

NOTHING = History()
SOUND = TrimmedCar()
LEAKY = TrimmedCar(hole=2.0)


def without(drive: Drive, *keys: str) -> Drive:
    return replace(drive, signals={key: one for key, one in drive.signals.items() if key not in keys})


def changed(drive: Drive, key: str, change: Callable[[Signal], Signal]) -> Drive:
    return replace(drive, signals={**drive.signals, key: change(drive.signals[key])})


def value(finding: Finding, name: str) -> float | None:
    return next((one.value for one in finding.measures if one.name == name), None)


@pytest.mark.parametrize(
    ("keys", "signature"),
    [
        (("short_term_fuel_trim_bank_1",), "trims_missing"),
        (("long_term_fuel_trim_bank_1",), "trims_missing"),
        (("coolant_temperature",), "signals_missing"),
        (("engine_speed",), "signals_missing"),
        (("air_flow", "absolute_load", "calculated_load"), "air_missing"),
    ],
)
def test_what_is_missing_is_said_with_what_to_do(keys: tuple[str, ...], signature: str) -> None:
    finding = detect(without(record(LEAKY), *keys), profile(LEAKY), NOTHING)
    assert finding.verdict is Verdict.NOT_ENOUGH_DATA
    assert finding.drive_to_get
    assert finding.signature == signature


@pytest.mark.parametrize("key", sorted(record(SOUND).signals))
@pytest.mark.parametrize("car", [profile(SOUND), None])
def test_any_signal_may_be_missing_empty_single_or_out_of_range(key: str, car: Car | None) -> None:
    drive = record(SOUND)
    nothing = np.empty(0)
    stuck = drive.signals[key]
    for broken in (
        without(drive, key),
        changed(drive, key, lambda one: replace(one, times=nothing, values=nothing)),
        changed(drive, key, lambda one: replace(one, times=one.times[:1], values=one.values[:1])),
        changed(drive, key, lambda one: replace(one, values=np.full(len(one.times), np.nan))),
        changed(drive, key, lambda one: replace(one, values=np.full(len(one.times), 1e9))),
        changed(drive, key, lambda one: replace(one, times=np.append(one.times[:-1], 1e12))),
        changed(drive, key, lambda one: replace(one, times=one.times[::-1], values=one.values[::-1])),
    ):
        finding = detect(broken, car, NOTHING)
        assert finding.verdict is not Verdict.FAULT, (key, finding)
        assert finding.verdict is Verdict.HEALTHY or finding.drive_to_get
    assert stuck is drive.signals[key]  # the input is not changed


def test_an_empty_drive_and_a_drive_of_nothing_but_trims() -> None:
    assert detect(Drive(Session("empty", None), {}), None, NOTHING).verdict is Verdict.NOT_ENOUGH_DATA
    drive = record(SOUND)
    trims = {key: one for key, one in drive.signals.items() if "trim" in key}
    assert detect(replace(drive, signals=trims), None, NOTHING).signature == "signals_missing"


def test_a_diesel_is_left_alone() -> None:
    finding = detect(record(LEAKY), Car("oil", fuel="diesel"), NOTHING)
    assert finding.signature == "diesel"


def test_a_cold_engine_is_not_judged() -> None:
    finding = detect(record(LEAKY, coolant=55.0), profile(LEAKY), NOTHING)
    assert finding.signature == "never_hot"


@pytest.mark.parametrize(
    ("parts", "signature"),
    [(((0, 400),), "flow_missing"), (((80, 15), (80, 500)), "idle_missing"), (((0, 20),), "too_little")],
)
def test_a_sound_car_half_seen_is_told_what_to_drive(parts: tuple[tuple[float, float], ...], signature: str) -> None:
    finding = detect(record(SOUND, parts), profile(SOUND), NOTHING)
    assert finding.verdict is Verdict.NOT_ENOUGH_DATA
    assert finding.signature == signature
    assert finding.drive_to_get == DRIVE_TO_GET[signature]


def test_idle_alone_shows_a_large_leak_and_names_leaks_first() -> None:
    finding = detect(record(LEAKY, ((0, 400),)), profile(LEAKY), NOTHING)
    assert finding.verdict is Verdict.FAULT
    assert finding.signature == "lean_idle_only_seen"
    assert finding.parts[0] == "intake_leak"


@pytest.mark.parametrize("every", [0.3, 1.0, 2.0, 3.0])
def test_slow_recordings_still_show_a_leak(every: float) -> None:
    drive = record(LEAKY, ROAD + ROAD, every=every)
    assert detect(drive, profile(LEAKY), NOTHING).signature == "unmetered_air"
    assert detect(record(SOUND, ROAD + ROAD, every=every), None, NOTHING).verdict is Verdict.HEALTHY


@pytest.mark.parametrize("car", [TrimmedCar(hole=1.8), SOUND])
def test_gaps_stay_gaps(car: TrimmedCar) -> None:
    drive = record(car)
    generator = np.random.default_rng(3)

    def holes(one: Signal) -> Signal:
        gone = [(100.0, 220.0), (500.0, 530.0)]
        keep = generator.random(len(one.times)) > 0.3
        for begin, end in gone:
            keep &= (one.times < begin) | (one.times > end)
        return replace(one, times=one.times[keep], values=one.values[keep])

    finding = detect(replace(drive, signals={k: holes(one) for k, one in drive.signals.items()}), None, NOTHING)
    assert finding.verdict is (Verdict.FAULT if car.hole else Verdict.HEALTHY)
    for span in finding.spans:
        assert not span.start < 150.0 < span.end


def test_without_loop_status_it_is_assumed_and_said() -> None:
    finding = detect(without(record(LEAKY), "fuel_system_status"), profile(LEAKY), NOTHING)
    assert finding.signature == "unmetered_air"
    assert value(finding, "loop_assumed") == 1.0


def test_without_vehicle_speed_a_slow_engine_is_taken_to_idle() -> None:
    assert detect(without(record(LEAKY), "vehicle_speed"), profile(LEAKY), NOTHING).signature == "unmetered_air"
    assert detect(without(record(SOUND), "vehicle_speed"), profile(SOUND), NOTHING).verdict is Verdict.HEALTHY


def test_open_loop_is_not_judged() -> None:
    drive = changed(record(LEAKY), "fuel_system_status", lambda one: replace(one, values=np.full(len(one.times), 8.0)))
    assert detect(drive, profile(LEAKY), NOTHING).signature == "never_steady"


def test_an_unknown_engine_size_gives_shares_and_no_grams() -> None:
    drive = without(record(TrimmedCar(metering="pressure", exhaust=0.2)), "absolute_load", "air_flow")
    finding = detect(drive, None, NOTHING)
    assert finding.verdict is Verdict.FAULT
    assert value(finding, "leak_share") is not None
    assert value(finding, "leak_flow") is None
    assert value(finding, "air_at_idle") is None


def test_without_pressure_the_vacuum_is_guessed_from_load_and_said() -> None:
    finding = detect(record(LEAKY), profile(LEAKY), NOTHING)
    assert value(finding, "vacuum_guessed") == 1.0
    both = detect(record(replace(LEAKY, metering="both")), profile(replace(LEAKY, metering="both")), NOTHING)
    assert value(both, "vacuum_guessed") is None


def test_the_signals_it_rests_on_are_known_parameters() -> None:
    known = {one.key for fields in read_fields(read_lengths()).values() for one in fields}
    assert known >= USES


def test_no_false_alarm_on_real_drives() -> None:
    folder = shared("data/warmup_drives")
    for path in sorted(folder.glob("*.csv.gz")):
        finding = detect(read_drive(path), None, NOTHING)
        assert finding.verdict is Verdict.NOT_ENOUGH_DATA
        assert finding.signature == "trims_missing"
