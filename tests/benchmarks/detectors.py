"""What all detectors together cost for an hour of driving, beside reading the same values from Parquet with pandas.

Run on request: `pytest tests/benchmarks/detectors.py -s`. Times are processor time of one core, the best of some runs;
the ratio and the growth are taken within one run. Also prints what each detector costs.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from functools import cache
from pathlib import Path

import pytest

from obdwatch.analysis import DETECTORS, analyse_drive, features_of
from obdwatch.detectors import rationality, trends
from obdwatch.recording.exporters import export_drive
from obdwatch.records import Car, Drive, Feature, History
from obdwatch.simulation.drives import DEFAULT_START, Sampling, simulate
from obdwatch.simulation.layouts import LAYOUTS
from obdwatch.simulation.trips import compose, cycle, hold, pulls, slow_down, standing

MOST_SECONDS = 1.0  # for an hour of driving, once it has been read
MOST_RATIO = 10.0  # times what pandas needs to read the values from Parquet
MOST_GROWTH = 2.3  # of two hours over one: linear, with some room for caches
# What a detector needs comes before what is long: without coolant temperature the dearest question is not even asked.
SIGNALS = (
    "engine_speed",
    "vehicle_speed",
    "calculated_load",
    "absolute_load",
    "timing_advance",
    "throttle_position",
    "air_flow",
    "relative_throttle_position",
    "commanded_throttle_actuator",
    "accelerator_position_d",
    "fuel_system_status",
    "commanded_evap_purge",
    "commanded_equivalence_ratio",
    "short_term_fuel_trim_bank_1",
    "long_term_fuel_trim_bank_1",
    "coolant_temperature",
    "oxygen_sensor_voltage_bank_1_sensor_1",
    "oxygen_sensor_voltage_bank_1_sensor_2",
    "intake_air_temperature",
    "run_time",
    "ambient_air_temperature",
    "barometric_pressure",
    "control_module_voltage",
    "catalyst_temperature_bank_1_sensor_1",
    "fuel_level",
)
FEWEST_VERDICTS = 9  # detectors that must really judge this drive, so that the time is not that of refusing
VALUES = 100_000
PAST_DRIVES = 1_000
MOST_WITH_HISTORY = 1.0  # s more, for a history of a thousand drives
ROUNDS = 5
SAMPLING = Sampling(fast=0.5, medium=1.2, slow=4.0, rare=30.0)

pytestmark = pytest.mark.benchmark


@cache
def hours(count: int) -> tuple[Drive, Car]:
    """So many hours of town, country, motorway, full throttle and standing; the signals most often asked."""
    hour = (
        *(cycle("udds"), *pulls(2), slow_down(45.0, 0.0)),
        *(cycle("hwfet"), slow_down(30.0, 0.0), standing(120), hold(50.0, 500), slow_down(50.0, 0.0)),
    )
    trip = compose("hours", hour * count)
    pieces = int(3600 * count - trip.duration)
    trip = compose("hours", (*hour * count, standing(max(0, pieces))))
    done = simulate(LAYOUTS[0], trip, seed=5900, sampling=SAMPLING)
    return replace(done.drive, signals={key: done.drive.signals[key] for key in SIGNALS}), done.car


def fresh(drive: Drive) -> Drive:
    """The same drive as if just read: what is remembered of its signals is not remembered of these."""
    return replace(drive, signals={key: replace(signal) for key, signal in drive.signals.items()})


def values_of(drive: Drive) -> int:
    return sum(len(signal.values) for signal in drive.signals.values())


def fastest(work: Callable[[], object], rounds: int = ROUNDS) -> float:
    """Processor time of the quickest of some runs [s]; the first one only warms up."""
    work()
    best = float("inf")
    for _ in range(rounds):
        begun = time.process_time()
        work()
        best = min(best, time.process_time() - begun)
    return best


def test_an_hour_of_driving_is_judged_in_a_few_readings_of_its_file(tmp_path: Path) -> None:
    import pandas

    drive, car = hours(1)
    file = export_drive(drive, tmp_path / "drive.parquet", "parquet")
    reading = fastest(lambda: pandas.read_parquet(file, use_threads=False), 4 * ROUNDS)
    judging = fastest(lambda: analyse_drive(fresh(drive), car))
    print(f"\n{values_of(drive):,} values of {len(drive.signals)} signals: judged in {1e3 * judging:.0f} ms,", end=" ")
    print(f"read from Parquet in {1e3 * reading:.1f} ms, ratio {judging / reading:.1f}")
    cost = {question.name: fastest(lambda q=question: q.detect(fresh(drive), car, History())) for question in DETECTORS}
    asked = [question.detect(drive, car, History()) for question in DETECTORS]
    cost["trends"] = fastest(lambda: trends.detect_with(fresh(drive), car, History(), asked))
    cost["untrusted"] = fastest(lambda: rationality.untrusted(fresh(drive), car))
    for name, seconds in sorted(cost.items(), key=lambda item: -item[1]):
        print(f"  {name:16} {1e3 * seconds:6.1f} ms")
    judged = [finding for finding in analyse_drive(drive, car).findings if finding.verdict != "not_enough_data"]
    print(f"  {len(judged)} verdicts: {', '.join(finding.detector for finding in judged)}")
    assert len(judged) >= FEWEST_VERDICTS
    assert len(drive.signals) == 25
    assert values_of(drive) > 0.9 * VALUES
    assert judging < MOST_SECONDS
    assert judging < MOST_RATIO * reading


def test_twice_the_drive_takes_twice_the_time() -> None:
    (one, car), (two, _) = hours(1), hours(2)
    short = fastest(lambda: analyse_drive(fresh(one), car))
    long = fastest(lambda: analyse_drive(fresh(two), car))
    print(f"\ntwo hours over one: {long / short:.2f} ({values_of(two) / values_of(one):.2f} times the values)")
    assert long / short < MOST_GROWTH


def past(drive: Drive, car: Car) -> tuple[Feature, ...]:
    """The features of a thousand earlier drives like this one, a day and 30 km apart."""
    learnt = features_of(analyse_drive(drive, car))
    return tuple(
        replace(
            feature,
            session_id=f"past-{number}",
            at=DEFAULT_START - timedelta(days=PAST_DRIVES - number),
            odometer_km=118_000.0 + 30.0 * number,
            value=feature.value * (1.0 + 0.01 * ((number * 7) % 11 - 5) / 5.0),
        )
        for number in range(PAST_DRIVES)
        for feature in learnt
    )


def test_a_history_of_a_thousand_drives_costs_little() -> None:
    drive, car = hours(1)
    tracemalloc.start()
    history = History(past(drive, car))
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    plain = fastest(lambda: analyse_drive(fresh(drive), car))
    known = fastest(lambda: analyse_drive(fresh(drive), car, history), 2)
    print(
        f"\n{len(history.features):,} features of {PAST_DRIVES:,} drives: {held / 1e6:.0f} MB held, judging takes"
        f" {1e3 * known:.0f} ms instead of {1e3 * plain:.0f} ms"
    )
    assert known - plain < MOST_WITH_HISTORY
