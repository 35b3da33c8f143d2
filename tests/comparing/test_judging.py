"""One number before and after: the verdict's properties on made numbers, and the table of measures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from obdwatch.comparing.judging import ASSUMED_FREEDOM, compare_measure
from obdwatch.comparing.measures import Harm, rule_for, rules
from obdwatch.comparing.proof import prove
from obdwatch.comparing.proof_records import Change, Compared
from obdwatch.comparing.readings import pairings
from obdwatch.detectors import trends_table
from obdwatch.detectors.renewal import parts_behind
from obdwatch.records import Finding, Measure, Verdict
from tests.comparing.drives import made

EXPECTED = {"regulating_temperature": (80.0, 100.0), "cold_loss_rate": (0.9, 5.6), "opening_temperature": (78.0, 101.0)}
VALUE = st.floats(20.0, 130.0)
SIDE = st.lists(VALUE, min_size=1, max_size=5)


def compared(name: str, before: list[float], after: list[float]) -> Compared:
    expected = EXPECTED[name]
    sides = [
        [made(start + n, Verdict.HEALTHY, (Measure(name, v, "degC", None, expected),)) for n, v in enumerate(values)]
        for start, values in ((0, before), (50, after))
    ]
    (pair,) = pairings(*sides)
    return compare_measure(pair, touched=True)


@settings(max_examples=150, deadline=None)
@given(before=SIDE, after=SIDE, name=st.sampled_from(sorted(EXPECTED)))
def test_exchanging_the_sides_mirrors_the_verdict(before: list[float], after: list[float], name: str) -> None:
    there, back = compared(name, before, after), compared(name, after, before)
    better = (Change.PROVEN, Change.BETTER)
    assert (there.change in better) == (back.change is Change.WORSE)
    assert (back.change in better) == (there.change is Change.WORSE)
    if there.change not in (*better, Change.WORSE):
        assert there.change is back.change
    assert there.difference == pytest.approx(-(back.difference or 0.0))


@settings(max_examples=60, deadline=None)
@given(values=SIDE, name=st.sampled_from(sorted(EXPECTED)))
def test_numbers_compared_with_themselves_are_unchanged(values: list[float], name: str) -> None:
    found = compared(name, values, values)
    assert (found.change, found.difference) == (Change.UNCHANGED, 0.0)


@settings(max_examples=100, deadline=None)
@given(before=SIDE, after=SIDE)
def test_proven_means_out_of_range_before_and_surely_in_range_now(before: list[float], after: list[float]) -> None:
    found = compared("regulating_temperature", before, after)
    if found.change is Change.PROVEN:
        assert np.mean(before) < 80.0
        assert found.after is not None
        assert found.after.interval[0] >= 80.0
        assert found.interval is not None
        assert found.interval[0] > 0.0


def test_better_but_at_the_edge_is_not_proven() -> None:
    found = compared("regulating_temperature", [60.0, 61.0, 60.5], [81.0, 80.5, 82.0])
    assert found.change is Change.BETTER


def test_a_move_within_the_range_is_no_harm_and_is_said() -> None:
    found = compared("regulating_temperature", [96.0, 96.5, 96.0], [88.0, 88.5, 88.0])
    assert found.change is Change.UNCHANGED
    assert "within its range" in found.why


def test_a_difference_that_chance_could_make_across_the_limit_is_open() -> None:
    assert compared("regulating_temperature", [78.5], [81.5]).change is Change.CANNOT_TELL


def test_the_interval_of_one_drive_each_is_that_of_the_assumed_scatter() -> None:
    found = compared("regulating_temperature", [85.0], [95.0])
    rule = rule_for("warm_up", "regulating_temperature")
    assert rule is not None
    half = stats.t.ppf(0.975, 2.0 * ASSUMED_FREEDOM) * rule.scatter * np.sqrt(2.0)
    assert found.interval == pytest.approx((10.0 - half, 10.0 + half))


def test_with_many_drives_the_verdict_is_that_of_welchs_test() -> None:
    generator = np.random.default_rng(5)
    before, after = generator.normal(70.0, 3.0, 40), generator.normal(90.0, 3.0, 40)
    found = compared("regulating_temperature", before.tolist(), after.tolist())
    reference = stats.ttest_ind(after, before, equal_var=False).confidence_interval(0.95)
    assert found.interval == pytest.approx((reference.low, reference.high), abs=0.2)


def test_drives_in_other_weather_are_left_out_and_named() -> None:
    measure = (Measure("regulating_temperature", 60.0, "degC", None, (80.0, 100.0)),)
    good = (Measure("regulating_temperature", 92.0, "degC", None, (80.0, 100.0)),)
    before = [made(1, Verdict.FAULT, measure, outside_air=-5.0)]
    summer, winter = made(50, Verdict.HEALTHY, good, outside_air=30.0), made(51, Verdict.HEALTHY, good, outside_air=2.0)
    (pair,) = pairings(before, [summer, winter])
    assert [r.drive.session.id for r in pair.after] == ["drive-51"]
    (alone,) = pairings(before, [summer])
    assert (alone.unlike, alone.wanted) == (("outside_air",), -5.0)
    proof = prove(before, [summer], ("thermostat",))
    assert proof.change is Change.BETTER
    assert any("about -5 °C" in step for step in proof.next_drive)
    assert any("about 23 °F" in step for step in prove(before, [summer], ("thermostat",), units="us").next_drive)


def test_conditions_that_are_not_known_are_said() -> None:
    measure = (Measure("regulating_temperature", 92.0, "degC", None, (80.0, 100.0)),)
    proof = prove([made(1, Verdict.FAULT, measure)], [made(50, Verdict.HEALTHY, measure)], ("thermostat",))
    assert any("outside air" in text for text in proof.remarks)


def test_a_fault_of_many_drives_that_never_returns_is_proven_without_a_number() -> None:
    before, after = [made(n, Verdict.FAULT) for n in range(5)], [made(50 + n, Verdict.HEALTHY) for n in range(5)]
    assert prove(before, after, ("thermostat",)).change is Change.PROVEN
    assert prove(before[:2], after[:2], ("thermostat",)).change is Change.BETTER
    assert prove(after, before, ("thermostat",)).change is Change.WORSE


def test_what_is_in_order_now_but_was_not_shown_before_asks_for_nothing_more() -> None:
    proof = prove([made(1, Verdict.NOT_ENOUGH_DATA)], [made(50, Verdict.HEALTHY)], ("thermostat",))
    assert proof.change is Change.CANNOT_TELL
    assert "in order now" in proof.symptoms[0].why
    assert proof.next_drive == ()


def test_one_of_many_untouched_numbers_that_moves_by_chance_is_no_alarm() -> None:
    """A number at 2 % chance among twelve is expected; alone it would count (Holm 1979)."""

    def side(day: int, first: float) -> list[tuple[str, float]]:
        return [("margin_0_0", first), *((f"margin_{n}_0", 50.0) for n in range(1, 12))]

    def drive(day: int, first: float) -> Finding:
        measures = tuple(Measure(name, value, "%") for name, value in side(day, first))
        return Finding("monitor_results", Verdict.HEALTHY, measures=measures)

    before, after = made(1, Verdict.FAULT), made(50, Verdict.HEALTHY)
    one = replace(before, findings=(*before.findings, drive(1, 20.0)))
    other = replace(after, findings=(*after.findings, drive(50, -1.5)))
    proof = prove([one], [other], ("thermostat",))
    moved = next(m for m in proof.measures if m.name == "margin_0_0")
    assert moved.change is not Change.WORSE
    far = replace(after, findings=(*after.findings, drive(50, -80.0)))
    worse = prove([one], [far], ("thermostat",))
    assert next(m for m in worse.measures if m.name == "margin_0_0").change is Change.WORSE
    assert any("should not be touched" in text for text in worse.remarks)


def test_every_measure_says_where_its_scatter_comes_from_and_can_be_touched_by_a_repair() -> None:
    for rule in rules():
        assert rule.origin, rule
        assert rule.words, rule
        name = rule.name.replace("*", "21_80" if rule.detector == "monitor_results" else "1")
        assert parts_behind(rule.detector, name), rule


def test_harm_is_the_same_as_in_the_trends() -> None:
    for rule in rules():
        trend = trends_table.rule_for(rule.detector, rule.name.replace("*", "1"), trends_table.rules())
        if trend is not None and trend.harm is not trends_table.Harm.NONE and rule.harm is not Harm.BOTH:
            assert trend.harm.value == rule.harm.value, rule
