"""The oxygen sensor detector on a breathing car whose physics is written in the tests, at many rates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from obdwatch.decoding.parameter_table import read_fields, read_lengths
from obdwatch.detectors.oxygen_sensors import DRIVE_TO_GET, NAME, PART, USES, detect
from obdwatch.detectors.oxygen_sensors_answer import answers_of
from obdwatch.detectors.oxygen_sensors_command import after_commands
from obdwatch.detectors.oxygen_sensors_record import Bank, fuel_cuts
from obdwatch.explanations.oxygen_sensors_words import FAULTS, MISSING, oxygen_sensors_words
from obdwatch.records import Car, Drive, Feature, Finding, History, Signal, Urgency, Verdict
from tests.detectors.lambda_car import BreathingCar, drive, two_banks

SOUND, SOUND_WIDE = BreathingCar(), BreathingCar(wide=True)
SLOW, SLOW_WIDE = BreathingCar(lag=1.2), BreathingCar(wide=True, lag=1.3)
FRONT = "oxygen_sensor_voltage_bank_1_sensor_1"


def judge(one: Drive, history: History | None = None) -> Finding:
    return detect(one, None, history or History())


def value(finding: Finding, name: str) -> float:
    return next(one.value for one in (*finding.measures, *finding.learnt) if one.name == name)


def without(one: Drive, *keys: str) -> Drive:
    return replace(one, signals={key: signal for key, signal in one.signals.items() if key not in keys})


@pytest.mark.parametrize("car", [SOUND, SOUND_WIDE, replace(SOUND, lag=0.15), replace(SOUND, stored=0.01)])
@pytest.mark.parametrize("every", [0.1, 0.25, 0.5, 1.0, 2.0, 3.0])
def test_a_sound_sensor_is_never_blamed(car: BreathingCar, every: float) -> None:
    assert judge(drive(car, every)).verdict is not Verdict.FAULT


@pytest.mark.parametrize("car", [SOUND, SOUND_WIDE])
@pytest.mark.parametrize("every", [0.1, 0.25])
def test_a_sound_sensor_is_cleared_at_usual_rates(car: BreathingCar, every: float) -> None:
    finding = judge(drive(car, every))
    assert finding.verdict is Verdict.HEALTHY
    assert value(finding, "answer_after_cut") < 1.0


@pytest.mark.parametrize("car", [SLOW, SLOW_WIDE])
@pytest.mark.parametrize("every", [0.1, 0.25, 0.5])
def test_a_slow_sensor_is_found_and_its_time_measured(car: BreathingCar, every: float) -> None:
    finding = judge(drive(car, every))
    assert (finding.verdict, finding.signature, finding.parts) == (Verdict.FAULT, "slow_response", (PART,))
    # A first-order sensor on its way from 0 to the richest the control can make (1.25 * 1.06) passes 1 / 1.1 at the
    # soonest after ln(1.325 / (1.325 - 0.909)) time constants.
    shortest = 1.158 * car.lag
    measure = next(one for one in finding.measures if one.name == "answer_after_cut")
    assert measure.interval is not None
    assert measure.interval[1] > shortest
    assert measure.value < 3.5 * car.lag + 2.0


def test_the_slower_the_sooner() -> None:
    assert judge(drive(BreathingCar(wide=True, lag=3.0))).urgency is Urgency.NEXT_SERVICE


@pytest.mark.parametrize("every", [0.1, 0.25, 0.5, 1.0, 2.0, 3.0])
def test_exhaust_that_really_stays_lean_is_not_the_sensor(every: float) -> None:
    finding = judge(drive(BreathingCar(lean=0.12), every))
    assert finding.verdict is not Verdict.FAULT


def test_words_send_a_lean_engine_to_the_trims() -> None:
    finding = judge(drive(BreathingCar(lean=0.12)))
    assert any("not to blame" in reason for reason in oxygen_sensors_words(finding, "metric").reasons)


@pytest.mark.parametrize(("stuck", "signature"), [(0.08, "stuck_lean"), (0.82, "stuck_rich")])
def test_a_stuck_sensor_leads_the_trims_astray(stuck: float, signature: str) -> None:
    finding = judge(drive(BreathingCar(stuck=stuck)))
    assert (finding.signature, finding.urgency) == (signature, Urgency.SOON)


def test_a_flat_voltage_with_right_trims_is_not_called_stuck() -> None:
    one = drive(SOUND)
    flat = replace(one.signals[FRONT], values=np.full(len(one.signals[FRONT].values), 0.66))
    finding = judge(replace(one, signals={**one.signals, FRONT: flat}))
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "no_swing")


def test_a_weak_swing_is_found_at_any_rate() -> None:
    for every in (0.1, 0.5, 1.0):
        assert judge(drive(BreathingCar(height=0.1), every)).signature == "weak_swing"


def test_the_rate_is_told_only_where_the_readings_show_it() -> None:
    fast = judge(drive(SOUND, 0.1))
    # Relay control: the period is four delays (0.2 s of gas travel and the sensor's lag), less for the steps.
    assert 1.0 < value(fast, "crossings") < 5.0
    slow = judge(drive(SOUND, 0.5))
    assert not any(one.name == "crossings" for one in slow.measures)
    assert any("cannot be said" in reason for reason in oxygen_sensors_words(slow, "metric").reasons)


def test_the_slow_bank_is_named() -> None:
    finding = judge(two_banks(SOUND, SLOW))
    assert finding.signature == "slow_response"
    assert value(finding, "bank") == 2.0
    words = oxygen_sensors_words(finding, "metric")
    assert "bank 2" in words.headline
    assert any("other bank" in reason for reason in words.reasons)


def test_slower_than_its_own_past() -> None:
    past = tuple(Feature(f"d{n}", NAME, "answer_bank_1", 0.01 * n, "s") for n in range(4))
    today = without(drive(BreathingCar(wide=True, lag=0.9, minutes=30.0)), "oxygen_sensor_voltage_bank_1_sensor_2")
    assert judge(today).verdict is Verdict.HEALTHY
    finding = judge(today, History(past))
    assert (finding.signature, finding.urgency) == ("slower_than_before", Urgency.WATCH)
    assert judge(drive(SOUND_WIDE), History(past)).verdict is Verdict.HEALTHY


def test_a_mixture_that_strays_far_is_not_held_against_the_sensor() -> None:
    """Trims at +20 %: after a cut the exhaust stays lean until they are back, on any sensor."""
    past = tuple(Feature(f"d{n}", NAME, "answer_bank_1", 0.1, "s") for n in range(4))
    today = without(drive(BreathingCar(wide=True, lag=0.9, minutes=30.0)), "oxygen_sensor_voltage_bank_1_sensor_2")
    assert judge(today, History(past)).signature == "slower_than_before"
    trim = today.signals["short_term_fuel_trim_bank_1"]
    lean = replace(trim, key="long_term_fuel_trim_bank_1", values=np.full(len(trim.times), 20.0))
    strayed = judge(replace(today, signals={**today.signals, lean.key: lean}), History(past))
    assert strayed.verdict is not Verdict.FAULT
    assert strayed.learnt == ()


@pytest.mark.parametrize("answer", [0.05, 0.3, 1.0])
def test_an_answer_never_comes_before_its_cause(answer: float) -> None:
    """Cuts whose end is known to two seconds, seen by a sensor that is read every half second, drawn in the test.

    The interval holds the true time in about 95 of 100 drives (two standard errors of a normal distribution); at few
    cuts the scatter is estimated poorly, and 90 is asked.
    """
    generator = np.random.default_rng(8)
    held = 0
    for _ in range(400):
        back = generator.uniform(0.0, 2.0, 6)
        phase = generator.uniform(0.0, 0.5, 6)
        seen = np.ceil((back + answer - phase) / 0.5) * 0.5 + phase  # the first reading that can show it
        found = answers_of([(at - 0.5 - 2.0, at, 0.0) for at in seen]).possible()
        if found is None:
            continue  # rarely, by chance, and then nothing is said
        typical, (low, high) = found
        assert 0.0 <= low <= typical <= high
        held += low <= answer <= high
    assert held >= 360


def test_a_status_that_always_comes_late_tells_no_time() -> None:
    """Twenty answers just after the last reading of the cut, the next reading three seconds later: not by chance."""
    late = answers_of([(-3.0, 0.1, float(at)) for at in range(20)])
    assert late.middle()[0] < -1.0
    assert late.possible() is None


def test_without_a_rear_sensor_the_switching_time_is_the_second_witness() -> None:
    for car, verdict in ((SOUND, Verdict.HEALTHY), (BreathingCar(lag=2.5), Verdict.FAULT)):
        assert judge(without(drive(car, 0.1), "oxygen_sensor_voltage_bank_1_sensor_2")).verdict is verdict


def following(lag: float, every: float) -> tuple[Bank, Signal]:
    """A wide-range sensor of one time constant behind a command that steps to 0.88 and back; truth in 10 ms steps."""
    times = np.arange(0.0, 400.0, 0.01)
    commanded = np.where((times % 20.07) < 6.0, 0.88, 1.0)  # no multiple of any sampling
    seen = np.empty(len(times))
    now = 1.0
    for index, target in enumerate(commanded):
        now += (target - now) * (1.0 - np.exp(-0.01 / lag))
        seen[index] = now
    take = round(every / 0.01)
    key = "oxygen_sensor_equivalence_ratio_bank_1_sensor_1"
    front = Signal(key, "ratio", times[::take], seen[::take])
    command = Signal("commanded_equivalence_ratio", "ratio", times[7::take], commanded[7::take])
    return Bank(1, True, front, None), command


@pytest.mark.parametrize("lag", [0.1, 0.5, 1.0])
@pytest.mark.parametrize("every", [0.1, 0.27, 0.53])
def test_half_way_to_a_command_takes_the_logarithm_of_two(lag: float, every: float) -> None:
    answers = after_commands(*following(lag, every))
    truth = np.log(2.0) * lag
    assert len(answers) >= 35
    assert np.all((answers.low <= truth + 0.02) & (answers.high >= truth - 0.02))
    typical, error = answers.middle()
    assert typical == pytest.approx(truth, abs=3.0 * error + 0.02)


def test_a_sensor_that_lags_every_command_is_slow_even_without_cuts_and_rear_sensor() -> None:
    one = without(drive(SOUND_WIDE), "oxygen_sensor_voltage_bank_1_sensor_2", "fuel_system_status")
    for lag, verdict in ((1.6, Verdict.FAULT), (0.1, Verdict.HEALTHY)):
        bank, command = following(lag, 0.25)
        finding = judge(replace(one, signals={**one.signals, bank.front.key: bank.front, command.key: command}))
        assert finding.verdict is verdict


def test_a_voltage_no_switching_sensor_can_give_is_not_judged_as_one() -> None:
    one = drive(BreathingCar(height=0.1))
    front = one.signals[FRONT]
    computed = replace(front, values=np.where(front.values < 0.4, 1.2, front.values))
    assert judge(replace(one, signals={**one.signals, FRONT: computed})).verdict is Verdict.NOT_ENOUGH_DATA


def test_a_status_that_is_early_is_no_slow_sensor() -> None:
    one = without(drive(BreathingCar(wide=True, lag=3.5)), "oxygen_sensor_voltage_bank_1_sensor_2")
    assert judge(one).signature == "slow_after_cuts"
    load = one.signals["calculated_load"]
    late = replace(load, times=load.times + 6.0)
    assert judge(replace(one, signals={**one.signals, load.key: late})).verdict is not Verdict.FAULT


def test_without_fuel_system_status_the_rear_sensor_still_tells() -> None:
    assert judge(without(drive(SLOW_WIDE), "fuel_system_status")).signature == "slow_response"
    assert judge(without(drive(SOUND), "fuel_system_status")).verdict is Verdict.HEALTHY


def test_cuts_are_bracketed_by_the_readings_of_the_status() -> None:
    cuts = fuel_cuts(drive(SOUND))
    assert len(cuts) == 8  # four rounds of 90 s longer stretches in 15 minutes hold two cuts each
    assert np.all(cuts.end_before > cuts.end_after)
    assert np.all(cuts.end_before - cuts.end_after < 1.5)


def test_enrichment_is_no_cut() -> None:
    one = drive(SOUND)
    load = one.signals["calculated_load"]
    full = replace(load, values=np.full(len(load.values), 90.0))
    assert len(fuel_cuts(replace(one, signals={**one.signals, load.key: full}))) == 0


def test_what_is_missing_is_named() -> None:
    one = drive(SOUND)
    assert judge(without(one, FRONT)).signature == "no_sensor"
    assert judge(drive(SOUND, 5.0)).signature == "sampling_too_slow"
    assert judge(drive(replace(SOUND, minutes=0.15))).signature == "too_few_cuts"
    assert detect(one, Car("car", fuel="diesel"), History()).signature == "diesel"
    unused = replace(one.signals[FRONT], values=np.full(len(one.signals[FRONT].values), 1.275))
    assert judge(replace(one, signals={**one.signals, FRONT: unused})).signature == "no_sensor"


@pytest.mark.parametrize("key", sorted(drive(SOUND).signals))
def test_no_damage_raises_or_blames(key: str) -> None:
    one = drive(SOUND)
    signal = one.signals[key]
    empty = np.empty(0)
    damaged = (
        Signal(key, signal.unit, empty, empty),
        Signal(key, signal.unit, signal.times[:1], signal.values[:1]),
        Signal(key, signal.unit, signal.times, np.full(len(signal.values), np.nan)),
        Signal(key, signal.unit, signal.times[::50], signal.values[::50]),
        Signal(key, signal.unit, signal.times, np.where(np.arange(len(signal.times)) % 7 == 0, np.nan, signal.values)),
    )
    for worse in damaged:
        finding = judge(replace(one, signals={**one.signals, key: worse}))
        assert finding.verdict is not Verdict.FAULT
        assert bool(finding.drive_to_get) == (finding.verdict is Verdict.NOT_ENOUGH_DATA)


@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_answer_has_words(units: str) -> None:
    for signature in (*FAULTS, *MISSING):
        verdict = Verdict.FAULT if signature in FAULTS else Verdict.NOT_ENOUGH_DATA
        words = oxygen_sensors_words(Finding(NAME, verdict, signature), units)
        assert words.headline.endswith(".")
        assert words.reasons
    assert set(DRIVE_TO_GET) == set(MISSING)


def test_uses_names_real_parameters() -> None:
    known = {parameter.key for fields in read_fields(read_lengths()).values() for parameter in fields}
    assert known >= USES
