"""The charging detector on drives whose alternator, regulator and belt are written in the test, and on damaged ones."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from obdwatch.detectors.charging import detect
from obdwatch.detectors.charging_start import latest_usual
from obdwatch.records import Car, Drive, Event, EventKind, Finding, History, Session, Signal, Urgency, Verdict
from tests.detectors.charging_car import ChargingCar, record
from tests.detectors.real_drives import read_drive
from tests.detectors.starting_car import StartingCar, history_of
from tests.detectors.starting_car import record as start_of
from tests.detectors.test_cranking import NAMES, damaged
from tests.shared_data import shared


def judge(car: ChargingCar, history: History | None = None, profile: Car | None = None) -> Finding:
    return detect(record(car), profile, history or History())


def value(finding: Finding, name: str) -> float:
    return next(one.value for one in finding.measures if one.name == name)


def past() -> History:
    return history_of([judge(ChargingCar(seed=50 + i, air=10.0 + i)) for i in range(5)])


@pytest.mark.parametrize("air", [-15.0, 5.0, 20.0, 35.0])
def test_one_earlier_drive_tells_a_regulator_that_is_lower_now(air: float) -> None:
    history = history_of([judge(ChargingCar(seed=50, air=12.0))])
    assert judge(ChargingCar(air=air), history).verdict is Verdict.HEALTHY
    assert judge(ChargingCar(air=air, regulated=13.6)).verdict is Verdict.HEALTHY  # without a past it is usual
    assert judge(ChargingCar(air=12.0, regulated=13.6), history).signature == "lower_than_before"


def test_a_slipping_belt_is_heard_at_a_slow_rate_too() -> None:
    finding = judge(ChargingCar(belt=0.1, every=5.0, minutes=40.0))
    assert (finding.signature, finding.parts[0]) == ("belt_slips", "drive_belt")
    assert judge(ChargingCar(every=5.0, minutes=40.0)).verdict is Verdict.HEALTHY


@pytest.mark.parametrize("air", [-15.0, 5.0, 20.0, 35.0])
@pytest.mark.parametrize("regulated", [13.8, 14.2, 14.5])
@pytest.mark.parametrize("every", [0.5, 2.0, 8.0])
def test_a_sound_system_is_healthy(air: float, regulated: float, every: float) -> None:
    finding = judge(ChargingCar(air=air, regulated=regulated, every=every))
    assert finding.verdict is Verdict.HEALTHY


@pytest.mark.parametrize("seed", range(12))
def test_sound_systems_with_other_loads_and_alternators_raise_no_alarm(seed: int) -> None:
    generator = np.random.default_rng(seed)
    load, largest = generator.uniform(20.0, 55.0), generator.uniform(90.0, 180.0)
    car = ChargingCar(
        load=load, largest=largest, air=generator.uniform(-10, 35), every=generator.uniform(0.3, 2.5), seed=seed
    )
    assert judge(car).verdict is not Verdict.FAULT


@pytest.mark.parametrize("led", ["overrun", "steps"])
@pytest.mark.parametrize("seed", range(5))
def test_a_system_that_charges_only_now_and_then_is_not_blamed(led: str, seed: int) -> None:
    finding = judge(ChargingCar(led=led, seed=seed), past() if seed == 0 else None)
    assert finding.verdict is Verdict.HEALTHY
    assert value(finding, "led_charging") == 1.0


def test_the_level_is_that_of_the_regulator() -> None:
    """14.2 V at 20 degC, 0.01 V less per kelvin, 0.1 V lost on the way to the control unit."""
    assert value(judge(ChargingCar(air=30.0)), "charging_voltage") == pytest.approx(14.0, abs=0.02)


def test_too_high_a_voltage_boils_the_battery() -> None:
    finding = judge(ChargingCar(regulated=15.6))
    assert (finding.signature, finding.urgency, finding.parts[0]) == ("overcharges", Urgency.SOON, "alternator")
    assert judge(ChargingCar(regulated=15.05, air=20.0)).urgency is Urgency.NEXT_SERVICE
    assert judge(ChargingCar(regulated=14.95, air=-20.0)).verdict is Verdict.HEALTHY  # cold batteries want more


def test_a_dead_alternator_is_told_in_any_weather() -> None:
    for air in (-15.0, 15.0, 35.0):
        finding = judge(ChargingCar(largest=2.0, air=air))
        assert (finding.signature, finding.urgency, finding.parts[0]) == ("not_charging", Urgency.SOON, "alternator")
    idle = judge(ChargingCar(largest=2.0, idle_only=True, minutes=12.0))
    assert idle.signature == "not_charging"


def test_a_regulator_that_is_low_everywhere_undercharges() -> None:
    finding = judge(ChargingCar(regulated=12.95))
    assert (finding.signature, finding.parts[0]) == ("undercharges", "alternator")


@pytest.mark.parametrize("seed", range(4))
def test_dips_while_the_speed_rises_are_the_belt(seed: int) -> None:
    finding = judge(ChargingCar(belt=0.3, load=60.0, seed=seed), profile=Car("one", coolant_pump="belt"))
    assert (finding.signature, finding.parts[0]) == ("belt_slips", "drive_belt")
    assert value(finding, "answer_to_rising_speed") < -0.25
    assert value(finding, "belt_drives_pump") == 1.0
    assert len(finding.spans) > 1


def test_an_idle_that_drains_in_mild_weather_is_watched_and_an_idle_with_heaters_is_not() -> None:
    finding = judge(ChargingCar(largest=62.0))
    assert (finding.signature, finding.urgency) == ("weak_at_idle", Urgency.WATCH)
    assert judge(ChargingCar(largest=62.0, air=32.0)).verdict is Verdict.HEALTHY
    assert judge(ChargingCar(largest=62.0, coolant=102.0)).verdict is Verdict.HEALTHY  # the fan may run
    for air in (-5.0, 15.0, 32.0):
        heavy = judge(ChargingCar(load=60.0, air=air))  # too much for any idle, not for the alternator
        assert value(heavy, "idle_voltage") < 12.65
        assert heavy.verdict is Verdict.HEALTHY


def test_more_load_than_any_alternator_carries_is_asked_about_in_the_cold() -> None:
    finding = judge(ChargingCar(load=118.0, air=-12.0))
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "heavy_load")
    assert "Switch off" in finding.drive_to_get


def test_the_car_knows_its_own_level() -> None:
    history = past()
    assert judge(ChargingCar(air=25.0), history).verdict is Verdict.HEALTHY
    assert judge(ChargingCar(regulated=13.6), history).signature == "lower_than_before"
    assert judge(ChargingCar(regulated=14.7), history).signature == "higher_than_before"
    assert judge(ChargingCar(regulated=13.6)).verdict is Verdict.HEALTHY  # without a past it is usual
    repair = Event("car", datetime(2026, 2, 1, tzinfo=UTC), EventKind.REPAIR, part="alternator")
    assert judge(ChargingCar(regulated=13.6), replace(history, events=(repair,))).verdict is Verdict.HEALTHY


def test_the_adapter_is_not_held_against_the_control_unit() -> None:
    history = history_of([judge(ChargingCar(seed=50 + i, drop=0.5)) for i in range(5)])
    assert judge(ChargingCar(source="adapter_voltage"), history).verdict is Verdict.HEALTHY


def test_short_and_idle_drives() -> None:
    assert judge(ChargingCar(minutes=4.0)).verdict is Verdict.HEALTHY
    assert judge(ChargingCar(idle_only=True, minutes=12.0)).verdict is Verdict.HEALTHY
    low = judge(ChargingCar(idle_only=True, minutes=12.0, load=66.0, air=-5.0))
    assert (low.verdict, low.signature) == (Verdict.NOT_ENOUGH_DATA, "idle_only")
    assert low.drive_to_get


def test_a_low_flat_voltage_without_overrun_may_be_led() -> None:
    times = np.arange(0.0, 900.0, 1.0)
    signals = {
        "engine_speed": Signal("engine_speed", "1/min", times, np.full(len(times), 2200.0)),
        "control_module_voltage": Signal("control_module_voltage", "V", times, np.full(len(times), 12.8)),
        "ambient_air_temperature": Signal("ambient_air_temperature", "degC", times, np.full(len(times), 18.0)),
    }
    finding = detect(Drive(Session("steady", None), signals), None, History())
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "perhaps_smart")


def started(seed: int, late: float = 0.0, air: float = 15.0, every: float = 0.08, battery: float = 12.5) -> Drive:
    """A drive with its start: the alternator takes over `late` [s] after the engine fires."""
    begin = start_of(StartingCar(seed=seed, charges_after=late, coolant=air, every=every, volts=battery))
    since = max(signal.times[-1] for signal in begin.signals.values())
    drive = record(ChargingCar(seed=seed, air=air))
    signals = {}
    for key, signal in drive.signals.items():
        times, values, first = signal.times + since, signal.values, begin.signals.get(key)
        if first is not None:
            times, values = np.r_[first.times, times], np.r_[first.values, values]
        signals[key] = replace(signal, times=times, values=values)
    return Drive(Session(f"started-{seed}", None), signals)


def starts(*late: float, air: float = 15.0) -> History:
    drives = [started(90 + number, one, air) for number, one in enumerate(late)]
    return history_of([detect(one, None, History()) for one in drives])


def test_the_delay_is_that_of_the_equations() -> None:
    """250 to 1,000 of 1,150 1/min: 0.15 ln(900 / 150) = 0.27 s; 12.1 to 13.02 of 14.1 V: 0.3 ln(2 / 1.08) = 0.18 s."""
    found = value(detect(started(3, late=0.3), None, History()), "charging_delay")
    assert found == pytest.approx(0.3 + 0.18 - 0.27, abs=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_a_belt_that_slips_as_the_engine_fires_makes_the_charging_late(seed: int) -> None:
    history = starts(0.2, 0.22, 0.19)
    finding = detect(started(seed, late=0.4), None, history)
    assert (finding.signature, finding.urgency, finding.parts[0]) == ("charges_late", Urgency.WATCH, "drive_belt")
    assert detect(started(seed, late=0.21), None, history).verdict is Verdict.HEALTHY
    assert detect(started(seed, late=0.21, battery=12.3), None, history).verdict is Verdict.HEALTHY
    flat = detect(started(seed, late=0.4, battery=11.9), None, history)  # the battery's business
    assert flat.verdict is Verdict.HEALTHY


def test_a_late_charging_is_only_judged_where_the_car_was_known_to_be_prompt() -> None:
    assert detect(started(5, late=0.5), None, starts(0.2)).verdict is Verdict.HEALTHY  # one start proves no habit
    assert detect(started(5, late=0.5), None, starts(0.2, 0.2, air=-12.0)).verdict is Verdict.HEALTHY  # other weather
    slowly = starts(1.5, 2.0, 1.8)  # a regulator that lets the alternator come in slowly on purpose
    assert detect(started(5, late=2.6), None, slowly).verdict is Verdict.HEALTHY


@pytest.mark.parametrize("count", [2, 3, 8])
@pytest.mark.parametrize("spread", [0.01, 0.025])
def test_a_sound_belt_is_seldom_called_late(count: int, spread: float) -> None:
    """Cars drawn from the norm or steadier: 2.5 in 1,000 at most."""
    generator, cars = np.random.default_rng(9), 3000
    usual = generator.uniform(0.1, 0.35, cars)
    delays = np.maximum(0.0, usual[:, None] + generator.normal(0.0, spread, (cars, count + 1)))
    found = 0
    for *before, now in delays:
        latest = latest_usual(15.0, [(15.0, float(one)) for one in before])
        assert latest is not None
        found += now > latest[0]
    assert found / cars <= 0.0025 + 3.0 * np.sqrt(0.0025 / cars)


def test_a_start_that_was_hardly_seen_has_no_delay() -> None:
    finding = detect(started(5, late=0.5, every=0.4), None, starts(0.2, 0.2))
    assert finding.verdict is Verdict.HEALTHY
    assert "charging_delay" not in {one.name for one in finding.measures}


@pytest.mark.parametrize("missing", ["engine_speed", "control_module_voltage"])
def test_missing_signals_are_named(missing: str) -> None:
    drive = record(ChargingCar(minutes=3.0))
    less = replace(drive, signals={k: s for k, s in drive.signals.items() if k != missing})
    finding = detect(less, None, History())
    assert finding.verdict is Verdict.NOT_ENOUGH_DATA
    assert finding.drive_to_get


@pytest.mark.parametrize("name", NAMES)
def test_real_drives_raise_no_alarm(name: str) -> None:
    finding = detect(read_drive(shared(f"data/warmup_drives/{name}")), None, History())
    assert finding.verdict is Verdict.NOT_ENOUGH_DATA


def test_damaged_recordings_never_raise() -> None:
    generator = np.random.default_rng(6)
    sound, history = record(ChargingCar()), past()
    for i in range(300):
        finding = detect(damaged(sound, generator), None, history if i % 2 else History())
        assert all(np.isfinite(one.value) for one in finding.measures)
        if finding.verdict is Verdict.NOT_ENOUGH_DATA:
            assert finding.drive_to_get
