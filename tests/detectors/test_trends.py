"""Trends: wear is found with its forecast, chance and weather are not taken for it, and a repair begins anew.

The drives are numbers drawn here; nothing of them comes from a simulated car.
"""

from __future__ import annotations

import math
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from obdwatch.analysis import analyse_file
from obdwatch.detectors.trends import DRIVE_TO_GET, NAME, detect, detect_with
from obdwatch.detectors.trends_judgement import BUDGET, FEWEST, spent
from obdwatch.detectors.trends_table import Harm, Rule, rule_for, rules, unclassified
from obdwatch.records import Drive, Event, EventKind, Feature, Finding, FloatArray, History, Measure, Session, Verdict
from tests.detectors.many_drives import DAYS_BETWEEN, FIRST_DAY, Drives, alike, last, rule, verdicts, weather

TABLE = [rule()]


def measure(finding: Finding, name: str) -> Measure:
    return next(one for one in finding.measures if one.name == name)


def wearing(
    drives: int, slope: float, generator: np.random.Generator, numbers: int = 40, start: int = 0, scatter: float = 1.0
) -> FloatArray:
    """Forty numbers that scatter, the first of which moves by `slope` a drive from drive `start` on."""
    values = generator.normal(0.0, scatter, (drives, numbers))
    values[:, 0] += slope * np.maximum(0.0, np.arange(drives) - start)
    return values


def alarms(cars: int, make: object, seed: int) -> int:
    generator = np.random.default_rng(seed)
    count = 0
    for _ in range(cars):
        drives = make(generator)  # type: ignore[operator]
        count += any(found.verdict is Verdict.FAULT for _, found in verdicts(drives, TABLE, first=FEWEST - 1))
    return count


def plain(generator: np.random.Generator) -> Drives:
    return Drives(generator.normal(size=(30, 40)), weather(30, generator))


def in_runs(generator: np.random.Generator) -> Drives:
    return Drives(alike(30, 40, 0.5, generator), weather(30, generator, generator.uniform(0.0, 365.0)))


def with_the_weather(generator: np.random.Generator) -> Drives:
    outside = weather(30, generator, generator.uniform(0.0, 365.0))
    return Drives(generator.normal(size=(30, 40)) + 0.1 * outside[:, None] * generator.normal(size=(1, 40)), outside)


@pytest.mark.parametrize("make", [plain, in_runs, with_the_weather])
def test_healthy_cars_are_left_alone_over_all_numbers_and_all_drives(make: object) -> None:
    # Each car: 40 numbers over 30 drives, judged anew after every drive. At most 3 cars in 100 may get a claim; were
    # it one in 20, 30 cars without any would be chance in one of five.
    assert alarms(30, make, 17) <= 1


def test_every_test_at_one_percent_would_alarm_most_cars() -> None:
    # What the budget is for: the same healthy cars, each number tested by itself after each drive.
    from obdwatch.physics.statistics import trend_probability

    generator = np.random.default_rng(17)
    found = 0
    for _ in range(10):
        values = generator.normal(size=(30, 40))
        found += any(
            trend_probability(values[:count, n]) < 0.01 for count in range(FEWEST, 31) for n in range(values.shape[1])
        )
    assert found >= 8


def test_the_shares_of_the_budget_sum_to_the_budget() -> None:
    total = sum(2.0 * 40 * spent(count, 40) for count in range(FEWEST, 100_000))
    assert total == pytest.approx(BUDGET, rel=1e-3)


def test_a_drift_is_found_with_the_distance_to_its_limit() -> None:
    # 0.15 a drive of 500 km from 0: the limit of 6 lies 40 drives, 20,000 km from the start, 5,500 km after drive 29.
    generator = np.random.default_rng(1)
    found = last(Drives(wearing(30, 0.15, generator, scatter=0.6), weather(30, generator)), TABLE)
    assert (found.verdict, found.signature, found.parts) == (Verdict.FAULT, "drifts_to_limit", ("thermostat",))
    ahead = measure(found, "distance_to_limit")
    assert ahead.interval is not None
    assert ahead.interval[0] <= 5500.0 <= ahead.interval[1]
    assert ahead.interval[0] < ahead.value < ahead.interval[1]
    now = measure(found, "probe/n0")
    assert now.value == pytest.approx(0.15 * 29, abs=0.8)
    assert now.interval is not None
    assert now.interval[0] <= 0.15 * 29 <= now.interval[1]
    assert measure(found, "limit").value == 6.0
    assert measure(found, "distance_followed").value == 29 * 500.0


def test_the_interval_of_the_forecast_holds_the_truth_as_often_as_it_says() -> None:
    generator = np.random.default_rng(4)
    held = claims = 0
    for _ in range(60):
        found = last(Drives(wearing(25, 0.2, generator, numbers=5, scatter=0.6), weather(25, generator)), TABLE)
        if found.verdict is Verdict.FAULT and found.signature == "drifts_to_limit":
            low, high = measure(found, "distance_to_limit").interval or (math.nan, math.nan)
            claims += 1
            held += low <= 500.0 * (6.0 / 0.2 - 24) <= high
    assert claims >= 40
    assert held >= 0.9 * claims


def test_most_drifts_are_found_before_they_meet_their_limit() -> None:
    generator = np.random.default_rng(8)
    found_at = []
    for _ in range(15):
        drives = Drives(wearing(30, 0.3, generator), weather(30, generator))  # the limit of 9 is met at drive 30
        judged = verdicts(drives, [rule(lower=-9.0, upper=9.0)], first=8)
        found_at.append(next((n for n, found in judged if found.verdict is Verdict.FAULT), 99))
    assert np.mean(np.array(found_at) < 30) >= 0.8


def test_a_jump_is_told_from_a_drift() -> None:
    generator = np.random.default_rng(2)
    values = generator.normal(size=(34, 40))
    values[17:, 0] += 6.5
    found = last(Drives(values, weather(34, generator)), [rule(lower=-9.0, upper=9.0)])
    assert (found.verdict, found.signature) == (Verdict.FAULT, "jumped")
    assert measure(found, "distance_since_jump").value == pytest.approx(16 * 500.0, abs=500.0)
    assert not any(one.name == "distance_to_limit" for one in found.measures)


def test_an_improvement_is_no_fault() -> None:
    generator = np.random.default_rng(3)
    table = [rule(Harm.RISE, None, 6.0)]
    found = last(Drives(wearing(30, -0.3, generator), weather(30, generator)), table)
    assert found.verdict is Verdict.HEALTHY


def test_a_limit_far_away_is_no_business_of_today() -> None:
    generator = np.random.default_rng(3)
    values = wearing(30, 0.1, generator, scatter=0.2)  # 200 lies a million kilometres ahead
    found = last(Drives(values, weather(30, generator)), [rule(upper=200.0, lower=-200.0)])
    assert found.verdict is Verdict.HEALTHY
    assert measure(found, "probe/n0").value == pytest.approx(2.9, abs=0.3)


def test_a_number_without_a_limit_is_watched() -> None:
    generator = np.random.default_rng(3)
    found = last(Drives(wearing(36, 0.3, generator), weather(36, generator)), [rule(upper=None, lower=None)])
    assert (found.verdict, found.signature, found.urgency) == (Verdict.FAULT, "drifts", "watch")


def test_the_limit_may_be_what_the_detector_expects_today() -> None:
    generator = np.random.default_rng(3)
    drives = Drives(wearing(30, 0.15, generator, numbers=1, scatter=0.6), weather(30, generator))
    features = [f for n in range(29) for f in drives.features(n)]
    now = drives.finding(29)
    shown = Measure("n0", now.measures[0].value, "degC", None, (-9.0, 6.0))
    table = [Rule("probe", "n0", Harm.RISE, upper_from_detector=True, parts=("thermostat",))]
    history = History(tuple(features))
    finding = Finding("probe", Verdict.HEALTHY, measures=(shown, now.measures[-1]))
    found = detect_with(Drive(drives.session(29), {}), None, history, (finding,), table)
    assert measure(found, "limit").value == 6.0


RISING = (0.0, 1.0, 2.5, 4.0, 7.0, 8.0)
UNTIL_SIX = [Rule("probe", "n0", Harm.RISE, upper_from_detector=True, parts=("thermostat",))]


def probed(value: float, verdict: Verdict) -> Finding:
    return Finding("probe", verdict, measures=(Measure("n0", value, "degC", None, (-6.0, 6.0)),))


def drive_at(number: int) -> Session:
    at = FIRST_DAY + timedelta(days=number * 80.0)  # a year in all, so that the seasons are seen
    return Session(f"d{number}", at, "fern", 160_000.0 + 500.0 * number)


def after_a_claim() -> list[Feature]:
    """Six drives, on the last of which a number is claimed to have grown past its limit, as the history keeps them."""
    kept = [Feature(f"d{n}", "probe", "n0", value, "degC", None, drive_at(n).started_at, drive_at(n).odometer_km)
            for n, value in enumerate(RISING)]  # fmt: skip
    now = (probed(RISING[-1], Verdict.FAULT),)
    claim = detect_with(Drive(drive_at(5), {}), None, History(tuple(kept[:-1])), now, UNTIL_SIX)
    assert claim.signature == "past_limit"
    return [*kept, *(Feature("d5", NAME, m.name, m.value, m.unit, healthy=False) for m in claim.measures)]


def test_a_drive_that_does_not_measure_what_drifted_does_not_clear_it() -> None:
    history = History(tuple(after_a_claim()))
    for number in (6, 7):
        found = detect_with(Drive(drive_at(number), {}), None, history, (), UNTIL_SIX)
        assert (found.verdict, found.signature) == (Verdict.NOT_ENOUGH_DATA, "not_measured")
        assert (found.measures[0].name, found.measures[0].value) == ("probe/n0", RISING[-1])
        assert found.drive_to_get == DRIVE_TO_GET["not_measured"]


def test_a_drive_that_measures_it_again_answers_the_claim_for_the_drives_after_it() -> None:
    features = after_a_claim()
    again = (probed(0.5, Verdict.HEALTHY),)
    found = detect_with(Drive(drive_at(6), {}), None, History(tuple(features)), again, UNTIL_SIX)
    assert found.signature != "not_measured"
    features.append(Feature("d6", "probe", "n0", 0.5, "degC", None, drive_at(6).started_at, drive_at(6).odometer_km))
    found = detect_with(Drive(drive_at(7), {}), None, History(tuple(features)), (), UNTIL_SIX)
    assert found.signature != "not_measured"


def test_a_repair_answers_the_claim() -> None:
    repair = Event("fern", FIRST_DAY + timedelta(days=5.5 * 80.0), EventKind.REPAIR, part="thermostat")
    history = History(tuple(after_a_claim()), (repair,))
    found = detect_with(Drive(drive_at(6), {}), None, history, (), UNTIL_SIX)
    assert found.signature != "not_measured"


def test_a_repair_begins_a_new_baseline_for_what_it_touched() -> None:
    generator = np.random.default_rng(6)
    values = wearing(40, 0.2, generator, numbers=2, scatter=0.4)
    values[30:, 0] -= 0.2 * np.arange(30, 40)  # the new part is as good as the first
    drives = Drives(values, weather(40, generator))
    at = FIRST_DAY + timedelta(days=29.5 * DAYS_BETWEEN)
    other = Event("fern", at, EventKind.REPAIR, part="battery")
    touched = Event("fern", at, EventKind.REPAIR, part="thermostat")
    before = next(found for n, found in verdicts(drives, TABLE, (touched,), first=29))
    assert before.verdict is Verdict.FAULT
    after = [found for _, found in verdicts(drives, TABLE, (touched,), first=30)]
    assert all(found.verdict is not Verdict.FAULT for found in after)
    assert measure(after[-1], "drives_followed").value == 10.0
    assert measure(last(drives, TABLE, (other,)), "drives_followed").value == 40.0


def test_half_a_year_without_temperatures_claims_nothing() -> None:
    generator = np.random.default_rng(9)
    values = wearing(15, 0.4, generator, numbers=3, scatter=0.3)
    unknown = last(Drives(values, None), TABLE)
    assert (unknown.verdict, unknown.signature) == (Verdict.NOT_ENOUGH_DATA, "season_possible")
    assert unknown.drive_to_get == DRIVE_TO_GET["season_possible"]
    assert last(Drives(values, weather(15, generator)), TABLE).verdict is Verdict.FAULT
    assert last(Drives(values, None, days_between=30.0), TABLE).verdict is Verdict.FAULT  # more than a year
    assert last(Drives(values, None, days_between=None), TABLE).verdict is Verdict.NOT_ENOUGH_DATA


def test_an_autumn_is_no_wear() -> None:
    generator = np.random.default_rng(12)
    outside = np.linspace(22.0, -4.0, 20) + generator.normal(0.0, 3.0, 20)
    values = 0.3 * outside[:, None] + generator.normal(0.0, 0.8, (20, 4))
    assert last(Drives(values, outside), TABLE).verdict is Verdict.HEALTHY


def test_without_an_odometer_dates_serve() -> None:
    generator = np.random.default_rng(1)
    drives = Drives(wearing(30, 0.15, generator, scatter=0.6), weather(30, generator), km_between=None)
    found = last(drives, TABLE)
    ahead = measure(found, "time_to_limit")
    assert ahead.unit == "d"
    assert ahead.interval is not None
    assert ahead.interval[0] <= 11 * DAYS_BETWEEN <= ahead.interval[1]


def test_a_drive_joins_at_once_when_its_findings_are_given_and_else_at_the_next() -> None:
    generator = np.random.default_rng(1)
    drives = Drives(wearing(FEWEST, 0.0, generator), weather(FEWEST, generator))
    features = tuple(f for n in range(FEWEST - 1) for f in drives.features(n))
    drive = Drive(drives.session(FEWEST - 1), {})
    history = History(features)
    assert detect_with(drive, None, history, (drives.finding(FEWEST - 1),), TABLE).verdict is Verdict.HEALTHY
    assert detect_with(drive, None, history, (), TABLE).signature == "too_few_drives"


def test_the_first_drive_of_an_unknown_car_asks_for_more() -> None:
    found = detect(Drive(Session("one", None), {}), None, History())
    assert (found.detector, found.verdict, found.signature) == (NAME, Verdict.NOT_ENOUGH_DATA, "too_few_drives")
    assert found.drive_to_get


@pytest.mark.parametrize("value", [math.nan, math.inf, 1e300, -0.0, 7.0])
def test_strange_numbers_never_raise(value: float) -> None:
    generator = np.random.default_rng(1)
    values = generator.normal(size=(20, 3))
    values[::3, 0] = value
    values[:, 1] = 5.0
    outside = np.where(np.arange(20) % 2, np.nan, 10.0)
    for odometer in (500.0, 0.0, None):
        found = last(Drives(values, outside, km_between=odometer), TABLE)
        assert found.verdict in {Verdict.HEALTHY, Verdict.NOT_ENOUGH_DATA}


def test_a_unit_that_changed_is_no_jump() -> None:
    generator = np.random.default_rng(1)
    drives = Drives(generator.normal(size=(20, 1)), weather(20, generator))
    features = [f for n in range(19) for f in drives.features(n)]
    for n, one in enumerate(features[:20]):
        if one.name == "n0":
            features[n] = Feature(one.session_id, "probe", "n0", one.value + 50.0, "K", None, one.at, one.odometer_km)
    now = (drives.finding(19),)
    found = detect_with(Drive(drives.session(19), {}), None, History(tuple(features)), now, TABLE)
    assert found.verdict is not Verdict.FAULT


def test_the_table_says_why_and_follows_nothing_of_the_weather_or_the_road() -> None:
    for row in rules():
        assert row.origin, row
        follows = row.harm is not Harm.NONE
        assert follows == bool(row.parts), row
        assert row.lower is None or row.upper is None or row.lower < row.upper, row
        if row.harm is Harm.RISE:
            assert row.lower is None, row
            assert not row.lower_from_detector, row
    for name in ("duration", "mean_speed", "outside_air", "coolant_at_start", "fuel_heat"):
        row_of = rule_for("warm_up", name, rules())
        assert row_of is not None
        assert row_of.harm is Harm.NONE


def test_names_that_no_row_speaks_of_are_told_and_not_followed() -> None:
    new = Finding(
        "warm_up", Verdict.HEALTHY, measures=(Measure("never_heard_of", 1.0, ""), Measure("duration", 1.0, "s"))
    )
    assert unclassified([new]) == ("warm_up/never_heard_of",)


def test_every_number_of_a_recorded_drive_is_classified() -> None:
    path = sorted((Path(__file__).parents[2] / "recorded_sessions").glob("*.obdw"))[0]
    findings = analyse_file(path).findings
    assert len(findings) > 10
    assert unclassified(findings) == ()
