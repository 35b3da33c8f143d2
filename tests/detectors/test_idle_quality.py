"""The idle detector on an idling car whose physics is written in the tests, with and without a past."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from obdwatch.decoding.parameter_table import read_fields, read_lengths
from obdwatch.detectors.idle_quality import DRIVE_TO_GET, NAME, USES, detect
from obdwatch.explanations.idle_quality_words import FAULTS, MISSING, idle_quality_words
from obdwatch.records import Car, Drive, Event, EventKind, Feature, Finding, FloatArray, History, Urgency, Verdict
from tests.detectors.idling_car import IdlingCar, drive

START = datetime(2024, 3, 1, tzinfo=UTC)
CAR = Car("car", displacement_l=2.0, fuel="e10")


def value(finding: Finding, name: str) -> float:
    return next(one.value for one in (*finding.measures, *finding.learnt) if one.name == name)


def features(finding: Finding, number: int) -> tuple[Feature, ...]:
    return tuple(
        Feature(
            f"drive-{number}",
            NAME,
            one.name,
            one.value,
            one.unit,
            one.interval,
            START + timedelta(days=number),
            100_000.0 + 50.0 * number,
            finding.verdict is Verdict.HEALTHY,
        )
        for one in (*finding.measures, *finding.learnt)
    )


def past(car: IdlingCar, drives: int = 5, profile: Car | None = CAR) -> History:
    """Earlier drives in changing weather and with accessories on now and then."""
    known: tuple[Feature, ...] = ()
    for number in range(drives):
        one = replace(car, air=5.0 + 6.0 * number, accessories=0.1 * (number % 3))
        known += features(detect(drive(one, seed=10 + number), profile, History()), number)
    return History(known)


@pytest.mark.parametrize("metering", ["air_flow", "pressure", "both"])
@pytest.mark.parametrize("accessories", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("barometer", [101.0, 80.0])
def test_a_sound_idle_is_healthy_on_the_first_drive(metering: str, accessories: float, barometer: float) -> None:
    car = IdlingCar(metering=metering, accessories=accessories, barometer=barometer)
    for profile in (CAR, None):
        assert detect(drive(car), profile, History()).verdict is Verdict.HEALTHY


@pytest.mark.parametrize("metering", ["air_flow", "pressure", "both"])
@pytest.mark.parametrize(
    ("air", "accessories", "barometer"), [(-5.0, 0.0, 101.0), (35.0, 0.6, 99.0), (20.0, 0.2, 90.0)]
)
def test_weather_load_and_height_do_not_look_like_deposits(
    metering: str, air: float, accessories: float, barometer: float
) -> None:
    car = IdlingCar(metering=metering)
    today = replace(car, air=air, accessories=accessories, barometer=barometer)
    assert detect(drive(today, seed=99), CAR, past(car)).verdict is Verdict.HEALTHY


@pytest.mark.parametrize("metering", ["air_flow", "pressure", "both"])
def test_deposits_show_against_the_cars_own_past(metering: str) -> None:
    car = IdlingCar(metering=metering)
    finding = detect(drive(replace(car, deposits=14.0), seed=99), CAR, past(car))
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "throttle_deposits")
    assert finding.parts == ("throttle_body",)
    assert finding.urgency in (Urgency.WATCH, Urgency.NEXT_SERVICE)
    truth = (
        drive(replace(car, deposits=14.0)).signals["relative_throttle_position"].values[40:150].mean()
        - drive(car).signals["relative_throttle_position"].values[40:150].mean()
    )
    assert value(finding, "throttle_shift") == pytest.approx(truth, abs=0.3)


def test_a_cleaned_throttle_starts_a_new_past() -> None:
    dirty = IdlingCar(metering="both", deposits=14.0)
    cleaned = Event("car", START + timedelta(days=10), EventKind.REPAIR, 101_000.0, "throttle_body")
    known = replace(past(dirty), events=(cleaned,))
    finding = detect(drive(replace(dirty, deposits=0.0), seed=99), CAR, known)
    assert finding.verdict is Verdict.HEALTHY
    assert not any(one.name == "throttle_shift" for one in finding.measures)


@pytest.mark.parametrize("drives", [1, 2])
def test_few_earlier_drives_tell_thick_deposits_and_not_thin_ones(drives: int) -> None:
    car = IdlingCar()
    finding = detect(drive(replace(car, deposits=14.0), seed=99), CAR, past(car, drives))
    assert (finding.signature, finding.parts) == ("throttle_deposits", ("throttle_body",))
    thin = detect(drive(replace(car, deposits=2.0), seed=99), CAR, past(car, drives))
    assert thin.verdict is Verdict.HEALTHY
    for accessories in (0.0, 0.5):
        sound = replace(car, accessories=accessories, air=30.0)
        assert detect(drive(sound, seed=98), CAR, past(car, drives)).verdict is Verdict.HEALTHY


def test_deposits_that_creep_up_over_many_drives_are_not_taken_for_usual() -> None:
    car = IdlingCar(metering="both")
    known: tuple[Feature, ...] = ()
    found = []
    for number in range(45):
        one = replace(car, deposits=0.3 * number, air=5.0 + number % 20)
        finding = detect(drive(one, seed=number), CAR, History(known))
        known += features(finding, number)
        found.append(finding.signature)
    assert found[:16] == [""] * 16
    assert found[-1] == "throttle_deposits"


def test_a_leak_shows_where_pressure_is_measured_and_is_left_to_the_trims_where_air_is() -> None:
    car = IdlingCar(metering="pressure")
    finding = detect(drive(replace(car, leak=6.0), seed=99), CAR, past(car))
    assert (finding.signature, finding.parts[0]) == ("extra_air", "intake_leak")
    metered = IdlingCar(metering="both")
    assert detect(drive(replace(metered, leak=6.0), seed=99), CAR, past(metered)).verdict is Verdict.HEALTHY


def test_a_shut_throttle_that_still_idles_fast_needs_no_past() -> None:
    leaking = IdlingCar(metering="pressure", leak=15.0, speed=900.0)
    finding = detect(drive(leaking), CAR, History())
    assert (finding.signature, finding.parts[0]) == ("throttle_shut", "intake_leak")
    without_charge = drive(leaking)
    volts = without_charge.signals["control_module_voltage"]
    flat = {**without_charge.signals, volts.key: replace(volts, values=volts.values - 2.0)}
    assert detect(replace(without_charge, signals=flat), CAR, History()).verdict is Verdict.HEALTHY


def test_overlapping_cams_show_in_the_filling() -> None:
    car = IdlingCar(metering="both")
    cams = replace(CAR, cam_timing=("intake", "exhaust"))
    finding = detect(drive(replace(car, overlap=0.15), seed=99), cams, past(car))
    assert (finding.signature, finding.parts[0]) == ("low_filling", "cam_timing_solenoid_intake")
    plain = detect(drive(replace(car, overlap=0.15), seed=99), replace(CAR, cam_timing=()), past(car))
    assert not any(part.startswith("cam") for part in plain.parts)


def test_an_air_sensor_that_reads_low_is_neither_cam_nor_deposits() -> None:
    car = IdlingCar(metering="both")
    today = drive(car, seed=99)
    lower = {
        key: replace(signal, values=signal.values * 0.85) if key in ("air_flow", "absolute_load") else signal
        for key, signal in today.signals.items()
    }
    trim = today.signals["short_term_fuel_trim_bank_1"]
    lower[trim.key] = replace(trim, values=trim.values + 17.6)
    assert detect(replace(today, signals=lower), CAR, past(car)).verdict is Verdict.HEALTHY


def test_high_pressure_counts_only_with_a_rough_idle() -> None:
    car = IdlingCar(metering="both", overlap=0.3, accessories=1.0)
    assert detect(drive(car), CAR, History()).verdict is Verdict.HEALTHY
    finding = detect(drive(replace(car, rough=45.0)), CAR, History())
    assert (finding.signature, finding.parts[0]) == ("high_pressure", "cam_timing_solenoid_intake")


def test_rough_and_hunting_idles() -> None:
    assert detect(drive(IdlingCar(rough=45.0)), CAR, History()).signature == "rough"
    finding = detect(drive(replace(IdlingCar(hunting=45.0), minutes=10.0)), CAR, History())
    assert finding.signature in ("hunting", "rough")


def test_a_steady_hunt_is_named_with_its_period() -> None:
    car = drive(IdlingCar(hunting=40.0))
    standing = {**car.signals}
    speed, vehicle = standing["engine_speed"], standing["vehicle_speed"]
    still = (speed.times % 60.0) < 40.0
    steady = speed.values.copy()
    steady[~still] = 750.0 + 40.0 * 1.414 * _wave(speed.times[~still])
    standing["engine_speed"] = replace(speed, values=steady)
    standing["vehicle_speed"] = replace(vehicle, values=vehicle.values * 0.0)
    finding = detect(replace(car, signals=standing), CAR, History())
    assert finding.signature == "hunting"
    assert value(finding, "hunting_period") == pytest.approx(4.0, abs=0.5)


def _wave(times: FloatArray) -> FloatArray:
    return np.asarray(np.sin(2.0 * np.pi * times / 4.0))


def test_slow_sampling_tells_no_roughness() -> None:
    finding = detect(drive(IdlingCar(rough=45.0), every=1.0), CAR, History())
    assert finding.verdict is Verdict.HEALTHY
    assert not any(one.name == "roughness" for one in finding.measures)


@pytest.mark.parametrize(
    ("gone", "missing"),
    [
        (("engine_speed",), "speed_missing"),
        (("vehicle_speed",), "speed_missing"),
        (("coolant_temperature",), "coolant_missing"),
    ],
)
def test_what_is_missing_is_named(gone: tuple[str, ...], missing: str) -> None:
    whole = drive(IdlingCar())
    cut = Drive(whole.session, {key: signal for key, signal in whole.signals.items() if key not in gone})
    finding = detect(cut, CAR, History())
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, missing)
    assert finding.drive_to_get == DRIVE_TO_GET[missing]


def test_a_cold_engine_and_engine_speed_alone_are_too_little() -> None:
    assert detect(drive(IdlingCar(coolant=60.0)), CAR, History()).signature == "too_little_idle"
    whole = drive(IdlingCar())
    keys = ("engine_speed", "vehicle_speed", "coolant_temperature")
    bare = Drive(whole.session, {key: whole.signals[key] for key in keys})
    assert detect(bare, CAR, History()).signature == "too_little_recorded"
    assert detect(whole, replace(CAR, fuel="diesel"), History()).signature == "diesel"
    assert detect(Drive(whole.session, {}), None, History()).verdict is Verdict.NOT_ENOUGH_DATA


@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_answer_has_words(units: str) -> None:
    for signature in (*FAULTS, *MISSING):
        verdict = Verdict.FAULT if signature in FAULTS else Verdict.NOT_ENOUGH_DATA
        words = idle_quality_words(Finding(NAME, verdict, signature), units)
        assert words.headline.endswith(".")
        assert words.reasons
    assert set(DRIVE_TO_GET) == set(MISSING)
    healthy = idle_quality_words(detect(drive(IdlingCar(metering="both")), CAR, History()), units)
    assert any("rpm" in reason for reason in healthy.reasons)


def test_uses_names_real_parameters() -> None:
    lengths = read_lengths()
    known = {parameter.key for fields in read_fields(lengths).values() for parameter in fields}
    assert known >= USES
