"""Sensors that cannot be right, on drives whose truth stands in the test."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors.rationality import DRIVE_TO_GET, NAME, detect, untrusted
from obdwatch.physics.air import speed_density_air_flow
from obdwatch.records import Car, Drive, Finding, FloatArray, History, Session, Signal, Verdict
from tests.detectors.damage import pierced_and_frozen
from tests.detectors.hot_car import healthy_drive
from tests.detectors.real_drives import read_drive
from tests.detectors.test_cooling_history import REAL
from tests.detectors.warming_car import Trip, WarmingCar, any_car, any_trip, record
from tests.shared_data import shared


def cold(hours: float | None = 12.0, **values: float) -> Drive:
    """Ten seconds with the ignition on after a stand: one reading a second of each temperature."""
    times = np.arange(0.0, 10.0)
    signals = {
        key: Signal(key, "degC", times + 0.1 * place, np.full(10, value))
        for place, (key, value) in enumerate(values.items())
    }
    signals["engine_speed"] = Signal("engine_speed", "1/min", times, np.zeros(10))
    return Drive(Session("cold", None, soak_hours=hours), signals)


def temperatures(coolant: float, intake: float, ambient: float, **more: float) -> dict[str, float]:
    names = {"coolant_temperature": coolant, "intake_air_temperature": intake, "ambient_air_temperature": ambient}
    return names | more


def asked(drive: Drive, car: Car | None = None) -> Finding:
    return detect(drive, car, History())


@pytest.mark.parametrize(
    ("values", "signature"),
    [
        (temperatures(8.0, 20.0, 20.0), "coolant_reads_low"),
        (temperatures(-2.0, 21.0, 20.0), "coolant_reads_low"),
        (temperatures(33.0, 20.0, 21.0), "coolant_reads_high"),
        (temperatures(33.0, 20.0, 21.0, engine_oil_temperature=21.0), "coolant_reads_high"),
    ],
)
def test_the_coolant_sensor_disagrees_after_a_night(values: dict[str, float], signature: str) -> None:
    drive = cold(12.0, **values)
    finding = asked(drive)
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, signature)
    assert finding.parts == ("coolant_temperature_sensor",)
    away = abs(values["coolant_temperature"] - values["ambient_air_temperature"])
    assert set(untrusted(drive, None)) == {"coolant_temperature"}
    assert any(f"{away + d:.0f} °C" in untrusted(drive, None)["coolant_temperature"] for d in (-1.0, 0.0))


def test_a_run_time_of_zero_before_the_start_is_no_running_engine() -> None:
    """Key on at 0, cranked at 6 s: the first run time says that the engine stands, the second when it began to run."""
    drive = cold(12.0, **temperatures(31.5, 20.0, 20.0))
    drive.signals["engine_speed"].values[7:] = 900.0
    ran = Signal("run_time", "s", np.array([0.5, 8.5]), np.array([0.0, 2.0]))
    assert asked(replace(drive, signals={**drive.signals, "run_time": ran})).signature == "coolant_reads_high"
    long_before = Signal("run_time", "s", np.array([0.5, 8.5]), np.array([20.0, 28.0]))
    assert asked(replace(drive, signals={**drive.signals, "run_time": long_before})).verdict is not Verdict.FAULT


@pytest.mark.parametrize(
    ("hours", "values"),
    [
        (12.0, temperatures(20.0, 20.0, 20.0)),
        (12.0, temperatures(16.0, 20.0, 21.0)),  # a morning that warmed quickly
        (8.0, temperatures(29.0, 20.0, 19.0)),  # not quite cold yet: 75 K exp(-8/3) are 5 K
        (6.0, temperatures(34.0, 20.0, 19.0)),
        (12.0, temperatures(20.0, 38.0, 21.0)),  # sun on the bonnet
        (12.0, temperatures(20.0, 21.0, 31.0)),  # the outside sensor in the sun
        (0.5, temperatures(85.0, 45.0, 20.0)),  # hot restart
        (3.0, temperatures(50.0, 25.0, 20.0)),  # a short stand
        (None, temperatures(60.0, 25.0, 20.0)),  # nobody knows
        (12.0, temperatures(60.0, 20.0, 20.0, engine_oil_temperature=58.0)),  # the stand was noted wrongly
    ],
)
def test_what_is_innocent_after_a_stand(hours: float | None, values: dict[str, float]) -> None:
    drive = cold(hours, **values)
    assert asked(drive).verdict is not Verdict.FAULT
    assert untrusted(drive, None) == {}


def test_a_block_heater_is_asked_about_and_not_blamed_on_the_sensor() -> None:
    drive = cold(12.0, **temperatures(28.0, -12.0, -14.0))
    finding = asked(drive)
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "coolant_warm_or_wrong")
    assert finding.drive_to_get == DRIVE_TO_GET["coolant_warm_or_wrong"]
    assert untrusted(drive, None) == {}


def test_coolant_far_below_all_air_is_wrong_whatever_the_stand() -> None:
    for hours in (None, 1.0, 12.0):
        assert set(untrusted(cold(hours, **temperatures(-5.0, 18.0, 20.0)), None)) == {"coolant_temperature"}
    # One air sensor alone may stand in the sun; a garage may be ten kelvin colder than the air in front of it.
    assert untrusted(cold(None, coolant_temperature=5.0, intake_air_temperature=20.0), None) == {}
    assert untrusted(cold(None, **temperatures(12.0, 20.0, 21.0)), None) == {}


def test_the_odd_one_out_among_three_is_found() -> None:
    assert set(untrusted(cold(12.0, **temperatures(20.0, -5.0, 21.0)), None)) == {"intake_air_temperature"}
    assert set(untrusted(cold(12.0, **temperatures(20.0, 21.0, 50.0)), None)) == {"ambient_air_temperature"}


@pytest.mark.parametrize("ran", [10.0, 30.0, 55.0])
def test_an_engine_that_ran_before_the_recording_has_warmed_its_coolant(ran: float) -> None:
    """Balance: 8 kW into 25 kJ of coolant and head per kelvin are 0.32 K/s at most, a fast idle a third of it."""
    for rate, verdict in ((0.25, Verdict.HEALTHY), (0.1, Verdict.HEALTHY)):
        drive = cold(12.0, **temperatures(20.0 + rate * ran, 20.0, 21.0))
        running = replace(drive.signals["engine_speed"], values=np.full(10, 1100.0))
        since = Signal("run_time", "s", np.arange(0.0, 10.0), ran + np.arange(0.0, 10.0))
        finding = asked(replace(drive, signals={**drive.signals, "engine_speed": running, "run_time": since}))
        assert finding.verdict is verdict
        wrong = {**drive.signals, "engine_speed": running, "run_time": since}
        key = "coolant_temperature"
        wrong[key] = replace(wrong[key], values=wrong[key].values + 25.0)
        assert asked(replace(drive, signals=wrong)).signature == "coolant_reads_high"


def test_an_engine_that_ran_for_nobody_knows_how_long_proves_no_sensor_high() -> None:
    drive = cold(12.0, **temperatures(34.0, 20.0, 21.0))
    assert asked(drive).signature == "coolant_reads_high"
    running = replace(drive.signals["engine_speed"], values=np.full(10, 1100.0))
    assert asked(replace(drive, signals={**drive.signals, "engine_speed": running})).verdict is not Verdict.FAULT
    untold = {key: one for key, one in drive.signals.items() if key != "engine_speed"}
    assert asked(replace(drive, signals=untold)).verdict is not Verdict.FAULT
    low = cold(12.0, **temperatures(5.0, 20.0, 21.0))
    low = replace(low, signals={**low.signals, "engine_speed": running})
    assert asked(low).signature == "coolant_reads_low"  # an engine that runs makes nothing colder


def test_a_recording_that_began_late_proves_nothing() -> None:
    drive = cold(12.0, **temperatures(60.0, 20.0, 20.0))
    late = {**drive.signals, "run_time": Signal("run_time", "s", np.array([0.0, 5.0]), np.array([400.0, 405.0]))}
    assert asked(replace(drive, signals=late)).verdict is Verdict.NOT_ENOUGH_DATA


def pressures(rest: float | None, outside: FloatArray | None, running: float = 35.0) -> Drive:
    """Ignition on for 8 s, then the engine runs for 100 s."""
    times = np.arange(0.0, 108.0, 0.5)
    speed = np.where(times < 8.0, 0.0, 800.0)
    signals = {"engine_speed": Signal("engine_speed", "1/min", times, speed)}
    manifold = np.where(times < 8.0, rest if rest is not None else running, running)
    signals["intake_manifold_pressure"] = Signal("intake_manifold_pressure", "kPa", times, manifold)
    if rest is None:
        signals["engine_speed"] = Signal("engine_speed", "1/min", times, np.full(len(times), 800.0))
    if outside is not None:
        at = np.arange(len(outside)) * 20.0
        signals["barometric_pressure"] = Signal("barometric_pressure", "kPa", at, outside)
    return Drive(Session("pressure", None), signals)


@pytest.mark.parametrize(
    ("rest", "outside", "wrong"),
    [
        (100.0, 101.0, set()),
        (97.0, 101.0, set()),  # two sensors of 1.5 kPa each
        (70.0, 70.0, set()),  # 3,000 m: ISO 2533 gives 70.1 kPa
        (88.0, 101.0, {"intake_manifold_pressure"}),
        (112.0, 100.0, {"intake_manifold_pressure"}),
        (50.0, None, {"intake_manifold_pressure"}),
        (120.0, None, {"intake_manifold_pressure"}),
        (90.0, None, set()),
        (None, 101.0, set()),
        (None, 40.0, {"barometric_pressure"}),
    ],
)
def test_at_rest_the_manifold_shows_the_outside_pressure(
    rest: float | None, outside: float | None, wrong: set[str]
) -> None:
    drive = pressures(rest, None if outside is None else np.full(5, outside))
    assert set(untrusted(drive, None)) == wrong


def test_a_manifold_that_is_still_filling_up_is_not_at_rest() -> None:
    # Engine off at 60 s: vacuum for two seconds more; only later readings count, and there are none.
    times = np.arange(0.0, 64.0, 0.5)
    speed = np.where(times < 60.0, 800.0, 0.0)
    signals = {
        "engine_speed": Signal("engine_speed", "1/min", times, speed),
        "intake_manifold_pressure": Signal("intake_manifold_pressure", "kPa", times, np.full(len(times), 35.0)),
        "barometric_pressure": Signal("barometric_pressure", "kPa", times[:5], np.full(5, 100.0)),
    }
    assert untrusted(Drive(Session("off", None), signals), None) == {}


def test_outside_pressure_falls_with_a_pass_and_does_not_jump() -> None:
    # 1,500 m up in 15 min: 84.6 kPa there by ISO 2533, 1 kPa of resolution.
    climb = np.round(np.linspace(101.0, 84.6, 46))
    assert untrusted(pressures(100.0, climb), None) == {}
    jump = np.where(np.arange(46) < 20, 101.0, 85.0)
    assert set(untrusted(pressures(100.0, jump), None)) == {"barometric_pressure"}


def breathing_drive(share: float, flat: bool = False, size: float = 2.0, blown: bool = False) -> tuple[Drive, Car]:
    """An engine that breathes `share` of what speed and pressure let in, told by its air-mass sensor."""
    generator = np.random.default_rng(5)
    times = np.arange(0.0, 400.0, 0.5)
    speed = 1500.0 + 900.0 * np.sin(times / 17.0)
    pressure = (90.0 if blown else 55.0) + 30.0 * np.sin(times / 11.0)
    flow = speed_density_air_flow(speed, pressure, np.full(len(times), 30.0), size, share)
    flow = np.full(len(times), 12.0) if flat else flow * generator.normal(1.0, 0.03, len(times))
    signals = {
        "engine_speed": Signal("engine_speed", "1/min", times, speed),
        "intake_manifold_pressure": Signal("intake_manifold_pressure", "kPa", times, np.round(pressure)),
        "air_flow": Signal("air_flow", "g/s", times, np.round(flow, 2)),
        "intake_air_temperature": Signal("intake_air_temperature", "degC", times[::10], np.full(80, 30.0)),
        "short_term_fuel_trim_bank_1": Signal("short_term_fuel_trim_bank_1", "%", times, np.zeros(len(times))),
    }
    return Drive(Session("breathing", None), signals), Car("made", displacement_l=size, fuel="petrol")


@pytest.mark.parametrize("share", [0.55, 0.7, 0.85, 1.0])
@pytest.mark.parametrize("size", [1.0, 3.5])
def test_air_flow_that_an_engine_can_breathe_is_believed(share: float, size: float) -> None:
    drive, car = breathing_drive(share, size=size)
    assert asked(drive, car).verdict is Verdict.HEALTHY
    assert asked(drive, None).verdict is Verdict.HEALTHY


@pytest.mark.parametrize(("share", "signature"), [(0.3, "flow_too_low"), (1.4, "flow_too_high")])
def test_air_flow_that_no_engine_breathes(share: float, signature: str) -> None:
    drive, car = breathing_drive(share)
    finding = asked(drive, car)
    assert (finding.verdict, finding.signature, finding.parts[0]) == (Verdict.FAULT, signature, "maf_sensor")
    seen = next(one.value for one in finding.measures if one.name == "breathing")
    assert seen == pytest.approx(100.0 * share, rel=0.03)
    assert "air_flow" in untrusted(drive, car)
    assert untrusted(drive, None) == {}  # without the engine size nothing can be said


def test_a_profile_that_its_own_sensors_contradict_is_not_held_against_the_sensor() -> None:
    drive, car = breathing_drive(0.8, size=4.0)
    flow, speed = drive.signals["air_flow"], drive.signals["engine_speed"]
    load = flow.values * 12000.0 / (1.184 * 4.0) / speed.values  # SAE J1979, definition of parameter 43
    told = {**drive.signals, "absolute_load": Signal("absolute_load", "%", flow.times, load)}
    assert untrusted(replace(drive, signals=told), replace(car, displacement_l=2.0)) == {}


def test_air_flow_that_does_not_move_or_is_not_there() -> None:
    drive, car = breathing_drive(0.8, flat=True)
    assert (asked(drive, car).signature, asked(drive, None).signature) == ("flow_stuck", "flow_stuck")
    nothing = replace(drive.signals["air_flow"], values=np.zeros(800))
    drive = replace(drive, signals={**drive.signals, "air_flow": nothing})
    assert asked(drive, car).signature == "flow_dead"
    assert asked(drive, car).parts == ("maf_sensor",)


def test_manifold_pressure_that_does_not_move() -> None:
    drive, _ = breathing_drive(0.8)
    still = replace(drive.signals["intake_manifold_pressure"], values=np.full(800, 60.0))
    drive = replace(drive, signals={**drive.signals, "intake_manifold_pressure": still})
    assert "intake_manifold_pressure" in untrusted(drive, None)


def throttled(position: FloatArray | None = None, pressure: FloatArray | None = None) -> Drive:
    """Five minutes in which the throttle opens and shuts and the manifold pressure follows it, 30 to 98 kPa."""
    times = np.arange(0.0, 300.0, 0.5)
    speed = 1800.0 + 600.0 * np.sin(times / 23.0)
    truth = 14.0 + 33.0 * (1.0 + np.sin(times / 9.0)) ** 1.5
    follows = 30.0 + 68.0 * np.minimum(1.0, (truth - 14.0) / 50.0)
    flow = speed_density_air_flow(speed, follows, np.full(len(times), 25.0), 2.0, 0.8)
    signals = {
        "engine_speed": Signal("engine_speed", "1/min", times, speed),
        "throttle_position": Signal("throttle_position", "%", times, truth if position is None else position),
        "intake_manifold_pressure": Signal(
            "intake_manifold_pressure", "kPa", times, np.round(follows if pressure is None else pressure)
        ),
        "air_flow": Signal("air_flow", "g/s", times, flow),
        "barometric_pressure": Signal("barometric_pressure", "kPa", times[::60], np.full(10, 100.0)),
        "short_term_fuel_trim_bank_1": Signal("short_term_fuel_trim_bank_1", "%", times, np.zeros(len(times))),
    }
    return Drive(Session("throttled", None), signals)


def test_a_throttle_that_fits_its_pressure_is_believed() -> None:
    assert untrusted(throttled(), None) == {}


def test_a_throttle_that_says_the_opposite_of_its_pressure() -> None:
    drive = throttled()
    turned = 107.0 - drive.signals["throttle_position"].values
    finding = asked(throttled(position=turned))
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "throttle_contradicts")
    assert finding.parts == ("throttle_body",)
    assert "throttle_position" in untrusted(throttled(position=turned), None)


def test_an_engine_that_meters_air_with_its_valves_keeps_the_throttle_open() -> None:
    times = np.arange(0.0, 300.0, 0.5)
    drive = throttled(position=np.full(600, 80.0), pressure=95.0 + 2.0 * np.sin(times / 9.0))
    assert "throttle_position" not in untrusted(drive, None)


def test_a_charger_hides_the_outside_pressure() -> None:
    drive = throttled()
    truth = drive.signals["intake_manifold_pressure"].values
    charged = throttled(pressure=np.where(truth > 90.0, 180.0, truth))
    wide = np.where(truth > 60.0, 90.0, drive.signals["throttle_position"].values)
    blown = {key: one for key, one in charged.signals.items() if key != "barometric_pressure"}
    blown["throttle_position"] = replace(blown["throttle_position"], values=wide)
    assert untrusted(replace(drive, signals=blown), None) == {}


def test_a_throttle_that_does_not_move() -> None:
    drive = throttled(position=np.full(600, 16.0))
    only_flow = {key: one for key, one in drive.signals.items() if key != "intake_manifold_pressure"}
    assert asked(replace(drive, signals=only_flow)).signature == "throttle_stuck"
    assert "throttle_position" in untrusted(drive, None)


def changed(drive: Drive, key: str, values: FloatArray) -> Drive:
    return replace(drive, signals={**drive.signals, key: replace(drive.signals[key], values=values)})


@pytest.mark.parametrize("end", [-40.0, 215.0])
def test_an_open_or_shorted_sensor(end: float) -> None:
    drive = record(WarmingCar(), Trip(minutes=12.0))
    for key in ("coolant_temperature", "intake_air_temperature"):
        dead = changed(drive, key, np.full(len(drive.signals[key].values), end))
        assert key in untrusted(dead, None)
    finding = asked(
        changed(drive, "coolant_temperature", np.full(len(drive.signals["coolant_temperature"].values), end))
    )
    assert finding.signature == "coolant_at_end"
    assert finding.parts == ("coolant_temperature_sensor",)


def test_a_loose_contact() -> None:
    drive = record(WarmingCar(), Trip(minutes=20.0))
    values = drive.signals["coolant_temperature"].values.copy()
    for place in (300, 500, 700, 900):
        values[place : place + 12] -= 20.0
    assert asked(changed(drive, "coolant_temperature", values)).signature == "coolant_jumps"


def test_a_frozen_coolant_sensor() -> None:
    drive = record(WarmingCar(), Trip(minutes=20.0))
    still = np.full(len(drive.signals["coolant_temperature"].values), 11.0)
    finding = asked(changed(drive, "coolant_temperature", still))
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "coolant_frozen")


@pytest.mark.parametrize("style", ["town", "mixed"])
@pytest.mark.parametrize("time_constant", [100.0, 180.0])
def test_a_slow_coolant_sensor(style: str, time_constant: float) -> None:
    drive = record(WarmingCar(), Trip(style=style, minutes=25.0, air=12.0))
    coolant = drive.signals["coolant_temperature"]
    shown = coolant.values.copy()
    for i in range(1, len(shown)):
        shown[i] = (
            shown[i - 1]
            + (coolant.values[i] - shown[i - 1]) * (coolant.times[i] - coolant.times[i - 1]) / time_constant
        )
    finding = asked(changed(drive, "coolant_temperature", np.round(shown)))
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "coolant_slow")
    assert finding.parts[0] == "coolant_temperature_sensor"
    lag = next(one for one in finding.measures if one.name == "coolant_lag")
    assert lag.interval is not None
    # What is seen is the sensor's lag and that of metal and coolant together; long lags look much alike.
    assert lag.interval[0] <= time_constant + 80.0
    assert lag.interval[1] >= 0.8 * time_constant


def test_healthy_warm_ups_raise_no_alarm() -> None:
    generator = np.random.default_rng(44)
    for number in range(80):
        car, trip = any_car(generator), any_trip(generator)
        stood = 14.0 if trip.start is None or trip.start <= trip.air + 3.0 else 2.0
        finding = asked(record(car, trip, soak_hours=stood))
        assert finding.verdict is not Verdict.FAULT, (number, finding)
    for number in range(60):
        drive, known = healthy_drive(number)
        assert asked(drive, known).verdict is not Verdict.FAULT


def test_thermostat_faults_are_no_sensor_faults() -> None:
    for leak in (0.2, 0.5, 1.0):
        for seed in range(6):
            drive = record(WarmingCar(leak=leak), Trip(minutes=25.0, air=0.0, seed=seed), soak_hours=12.0)
            assert untrusted(drive, None) == {}


def test_intake_air_cannot_be_far_colder_than_outside() -> None:
    drive = record(WarmingCar(), Trip(style="motorway", minutes=20.0, air=20.0))
    intake = drive.signals["intake_air_temperature"]
    assert "intake_air_temperature" in untrusted(changed(drive, intake.key, intake.values - 25.0), None)
    assert untrusted(changed(drive, intake.key, intake.values - 8.0), None) == {}


def test_an_empty_drive_says_what_to_record() -> None:
    finding = asked(Drive(Session("empty", None), {}))
    assert (finding.detector, finding.verdict) == (NAME, Verdict.NOT_ENOUGH_DATA)
    assert finding.drive_to_get == DRIVE_TO_GET["nothing_to_compare"]


def test_damaged_drives_never_raise() -> None:
    generator = np.random.default_rng(11)
    base, car = breathing_drive(0.8)
    warm = record(WarmingCar(), Trip(minutes=12.0), soak_hours=12.0)
    base = replace(warm, signals={**warm.signals, **{k: v for k, v in base.signals.items() if k not in warm.signals}})
    for _ in range(150):
        worse = pierced_and_frozen(base, generator, 12)
        finding = asked(worse, car)
        assert finding.verdict is not Verdict.NOT_ENOUGH_DATA or finding.drive_to_get
        assert all(reason for reason in untrusted(worse, None).values())


@pytest.mark.parametrize("name", REAL)
def test_no_real_drive_raises_an_alarm(name: str) -> None:
    drive = read_drive(shared(f"data/warmup_drives/{name}.csv.gz"))
    assert asked(drive).verdict is not Verdict.FAULT
