"""The catalyst detector on a breathing car whose catalyst is an oxygen balance written in the tests."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from obdwatch.decoding.parameter_table import read_fields, read_lengths
from obdwatch.detectors.catalyst import DRIVE_TO_GET, NAME, PARTS, USES, detect
from obdwatch.explanations.catalyst_words import FAULTS, MISSING, catalyst_words
from obdwatch.records import (
    Car,
    CodeKind,
    CodeReading,
    Drive,
    Event,
    EventKind,
    Feature,
    Finding,
    History,
    Signal,
    Urgency,
    Verdict,
)
from tests.detectors.lambda_car import BreathingCar, drive, two_banks

SOUND, SOUND_WIDE = BreathingCar(), BreathingCar(wide=True)
DEAD, DEAD_WIDE = BreathingCar(stored=0.0005), BreathingCar(wide=True, stored=0.0005)
FRONT, REAR = "oxygen_sensor_voltage_bank_1_sensor_1", "oxygen_sensor_voltage_bank_1_sensor_2"


def judge(one: Drive, history: History | None = None) -> Finding:
    return detect(one, None, history or History())


def value(finding: Finding, name: str) -> float:
    return next(one.value for one in (*finding.measures, *finding.learnt) if one.name == name)


def swap(one: Drive, *signals: Signal) -> Drive:
    return replace(one, signals={**one.signals, **{signal.key: signal for signal in signals}})


def without(one: Drive, *keys: str) -> Drive:
    return replace(one, signals={key: signal for key, signal in one.signals.items() if key not in keys})


@pytest.mark.parametrize("every", [0.1, 0.25, 0.5, 1.0])
@pytest.mark.parametrize("car", [SOUND, SOUND_WIDE, replace(SOUND, stored=0.3)])
def test_a_good_catalyst_lets_next_to_nothing_through(car: BreathingCar, every: float) -> None:
    finding = judge(drive(car, every))
    assert finding.verdict is Verdict.HEALTHY
    assert value(finding, "share_surviving") < 20.0


@pytest.mark.parametrize("every", [0.1, 0.25, 0.5, 1.0])
@pytest.mark.parametrize("car", [DEAD, DEAD_WIDE])
def test_a_catalyst_that_stores_nothing_is_worn(car: BreathingCar, every: float) -> None:
    finding = judge(drive(car, every))
    assert (finding.signature, finding.urgency, finding.parts) == ("worn", Urgency.NEXT_SERVICE, PARTS)
    assert value(finding, "share_surviving") > 60.0
    assert finding.spans


def test_a_tired_one_is_watched() -> None:
    shares = {stored: judge(drive(BreathingCar(wide=True, stored=stored))) for stored in (0.02, 0.01, 0.005)}
    found = [value(finding, "share_surviving") for finding in shares.values()]
    assert found == sorted(found)
    half = _mixed(0.35)
    assert (judge(half).signature, judge(half).urgency) == ("tired", Urgency.WATCH)


def _mixed(share: float) -> Drive:
    """A rear sensor that sees `share` of what the front one sees, around its own level."""
    one = drive(SOUND)
    rear, front = one.signals[REAR], drive(DEAD).signals[REAR]
    return swap(one, replace(rear, values=rear.values + share * (front.values - 0.45)))


def test_a_good_catalyst_that_a_lean_mixture_has_filled_is_not_called_tired() -> None:
    finding = judge(drive(BreathingCar(lag=0.076, stored=0.073), 0.5))
    assert value(finding, "share_surviving") > 20.0  # lean exhaust does come through, but on one side only
    assert finding.verdict is not Verdict.FAULT


def test_a_cut_that_a_gap_hides_is_not_the_catalysts() -> None:
    one = drive(replace(SOUND, minutes=25.0), 0.2)
    cuts = [(160.0, 175.0), (250.0, 270.0), (455.0, 475.0)]
    for key in one.signals:
        signal = one.signals[key]
        keep = ~np.any([(signal.times > begin) & (signal.times < end) for begin, end in cuts], axis=0)
        one = swap(one, Signal(key, signal.unit, signal.times[keep], signal.values[keep]))
    assert judge(one).verdict is Verdict.HEALTHY


def test_a_misfire_comes_first() -> None:
    half = _mixed(0.35)
    misfire = replace(half, codes=(CodeReading(5.0, CodeKind.STORED, "P0301"),))
    finding = judge(misfire)
    assert (finding.verdict, finding.signature) == (Verdict.NOT_ENOUGH_DATA, "mixture_first")
    dead = replace(drive(DEAD), codes=misfire.codes)
    words = catalyst_words(judge(dead), "metric")
    assert any("cure that first" in reason for reason in words.reasons)


def test_the_worn_bank_is_named() -> None:
    finding = judge(two_banks(SOUND, DEAD))
    assert value(finding, "bank") == 2.0
    assert "bank 2" in catalyst_words(finding, "metric").headline


def test_against_its_own_past_and_a_new_start_after_a_repair() -> None:
    usual = tuple(
        Feature(f"d{n}", NAME, f"{name}_bank_1", level + 0.002 * n, "ratio", odometer_km=1000.0 * n)
        for n in range(5)
        for name, level in (("survives", 0.02), ("breakthrough", 0.001), ("memory", 0.3))
    )
    today = _mixed(0.15)
    assert judge(today).verdict is Verdict.HEALTHY
    assert judge(today, History(usual)).signature == "losing_storage"
    assert judge(drive(SOUND), History(usual)).verdict is Verdict.HEALTHY
    new = Event("car", datetime(2024, 1, 1, tzinfo=UTC), EventKind.REPAIR, 9000.0, "catalytic_converter")
    assert judge(today, History(usual, (new,))).verdict is Verdict.HEALTHY


@pytest.mark.parametrize("drives", [1, 2])
def test_two_witnesses_together_need_no_long_past(drives: int) -> None:
    """Rich exhaust breaks through, and lean exhaust no longer does: less is stored, known after one earlier drive."""
    today = _mixed(0.15)
    sound = {"survives": 0.1, "breakthrough": 0.0, "memory": 0.3}

    def history(**others: float) -> History:
        return History(
            tuple(
                Feature(f"d{n}", NAME, f"{name}_bank_1", level, "ratio")
                for n in range(drives)
                for name, level in (sound | others).items()
            )
        )

    assert judge(today).verdict is Verdict.HEALTHY
    assert judge(today, history()).signature == "losing_storage"
    assert judge(drive(SOUND), history()).verdict is Verdict.HEALTHY
    assert judge(today, history(memory=0.0)).verdict is Verdict.HEALTHY  # one witness alone does not do
    assert judge(today, history(breakthrough=0.065)).verdict is Verdict.HEALTHY
    # Heavier driving uses stored oxygen up sooner, but lets no more of the swing through: no catalyst is worn by that.
    assert judge(today, history(survives=0.25)).verdict is Verdict.HEALTHY


def test_a_slow_front_sensor_does_not_make_a_catalyst_bad() -> None:
    for lag in (0.6, 1.2, 2.5):
        assert judge(drive(BreathingCar(lag=lag))).verdict is not Verdict.FAULT


def test_what_is_missing_is_named() -> None:
    one = drive(SOUND)
    assert judge(without(one, REAR)).signature == "no_rear_sensor"
    assert judge(without(one, FRONT)).signature == "no_front_sensor"
    assert judge(without(one, FRONT, REAR)).signature == "no_rear_sensor"
    assert judge(without(one, "fuel_system_status")).signature == "status_missing"
    assert judge(drive(SOUND, 2.0)).signature == "sampling_too_slow"
    assert judge(drive(replace(SOUND, minutes=0.4))).signature == "too_little_cruise"
    assert judge(drive(replace(SOUND, warm=False))).signature == "too_little_cruise"
    assert judge(drive(replace(SOUND, rear_dead=True))).signature == "rear_silent"
    assert judge(drive(replace(SOUND, height=0.05))).signature == "front_quiet"
    assert detect(one, Car("car", fuel="diesel"), History()).signature == "diesel"


@pytest.mark.parametrize("key", sorted(drive(SOUND).signals))
def test_no_damage_raises_or_blames(key: str) -> None:
    one = drive(SOUND)
    signal = one.signals[key]
    empty = np.empty(0)
    for worse in (
        Signal(key, signal.unit, empty, empty),
        Signal(key, signal.unit, signal.times[:1], signal.values[:1]),
        Signal(key, signal.unit, signal.times, np.full(len(signal.values), np.nan)),
        Signal(key, signal.unit, signal.times[::50], signal.values[::50]),
        Signal(key, signal.unit, signal.times, np.where(np.arange(len(signal.times)) % 7 == 0, np.nan, signal.values)),
    ):
        finding = judge(swap(one, worse))
        assert finding.verdict is not Verdict.FAULT
        assert bool(finding.drive_to_get) == (finding.verdict is Verdict.NOT_ENOUGH_DATA)


@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_answer_has_words(units: str) -> None:
    for signature in (*FAULTS, *MISSING):
        verdict = Verdict.FAULT if signature in FAULTS else Verdict.NOT_ENOUGH_DATA
        words = catalyst_words(Finding(NAME, verdict, signature), units)
        assert words.headline.endswith(".")
        assert words.reasons
    assert set(DRIVE_TO_GET) == set(MISSING)


def test_uses_names_real_parameters() -> None:
    known = {parameter.key for fields in read_fields(read_lengths()).values() for parameter in fields}
    assert known >= USES
