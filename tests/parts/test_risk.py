"""The whole sum: distance, evidence, competition, what follows; and what a repair or a silent drive changes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.parts.drive_evidence import JudgedDrive
from obdwatch.parts.life import wear
from obdwatch.parts.risk import ASSUMED_KM, MILES, assess, risks_of
from obdwatch.records import (
    Car,
    CodeKind,
    CodeReading,
    Event,
    EventKind,
    Evidence,
    Finding,
    Measure,
    PartRisk,
    Session,
    Verdict,
)
from obdwatch.units import KM_PER_MILE
from tests.parts.examples import example_catalogue, example_part

CATALOGUE = example_catalogue()
ODOMETER = 160_000.0
START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
AGES = {"ignition_coil": 60_000.0, "spark_plugs": 120_000.0, "fuel_injector": 100_000.0}
CAR = Car(id="old-six", ignition="coil_per_cylinder", cylinders=6, part_new_at_km=AGES)


def seen(part: str, ratio: float, group: str = "", source: str = "finding:s1:misfire") -> Evidence:
    return Evidence(part, ratio, f"{part} was seen at {ratio:g}", source, group)


def by_part(risks: tuple[PartRisk, ...]) -> dict[str, PartRisk]:
    return {risk.part: risk for risk in risks}


def degraded(*evidence: Evidence, part: str = "ignition_coil") -> float:
    return by_part(assess(CATALOGUE, CAR, ODOMETER, evidence))[part].degraded


EVIDENCE = st.lists(
    st.builds(
        seen,
        st.sampled_from(["ignition_coil", "spark_plugs", "fuel_injector"]),
        st.floats(0.05, 200.0),
        st.sampled_from(["", "misfire", "nothing_seen", "fuel_trims"]),
        st.sampled_from(["finding:s1:misfire", "code:s1:P0301", "inspection:4"]),
    ),
    max_size=6,
)


def test_without_evidence_distance_decides() -> None:
    risks = by_part(assess(CATALOGUE, CAR, ODOMETER))
    coil, gasket = risks["ignition_coil"], risks["head_gasket"]
    part = example_part("ignition_coil")
    expected = wear(part.onset, part.to_failure, 100_000.0, (1_000 * KM_PER_MILE,))
    assert coil.prior == coil.degraded == pytest.approx(expected.degraded)
    assert coil.failure_within_miles[1_000] == pytest.approx(expected.fails(expected.degraded)[0])
    assert (coil.since_new_km, coil.age_known) == (100_000.0, True)
    assert (gasket.since_new_km, gasket.age_known) == (ODOMETER, False)  # of unknown age: as old as the car
    assert gasket.prior > coil.prior
    assert set(coil.failure_within_miles) == set(MILES)


def test_without_any_odometer_it_says_that_the_distance_is_unknown() -> None:
    risk = by_part(assess(CATALOGUE, None, None))["battery"]
    assert risk.since_new_km is None
    assert not risk.age_known
    assert risk.prior == by_part(assess(CATALOGUE, None, ASSUMED_KM))["battery"].prior


def test_evidence_for_one_part_alone_multiplies_its_odds() -> None:
    prior = degraded()
    assert degraded(seen("ignition_coil", 9.0)) == pytest.approx(9 * prior / (9 * prior + 1 - prior))
    assert degraded(seen("ignition_coil", 9.0), part="battery") == pytest.approx(degraded(part="battery"))


def test_shared_evidence_is_shared_out() -> None:
    alone = degraded(seen("ignition_coil", 50.0, "misfire"))
    shared = degraded(seen("ignition_coil", 50.0, "misfire"), seen("spark_plugs", 50.0, "misfire"))
    assert degraded() < shared < alone


def test_three_sources_of_one_symptom_weigh_less_than_three_symptoms() -> None:
    sources = ("finding:s1:misfire", "finding:s1:trends", "code:s1:P0301")
    one_symptom = [seen("ignition_coil", 5.0, "misfire", source) for source in sources]
    three = [replace(each, group=f"symptom {n}") for n, each in enumerate(one_symptom)]
    single = degraded(one_symptom[0])
    assert single < degraded(*one_symptom) < degraded(*three)
    # One and a half and a quarter of the weight: the ratio is 5 ** 1.75.
    prior, ratio = degraded(), 5.0**1.75
    assert degraded(*one_symptom) == pytest.approx(prior * ratio / (prior * ratio + 1 - prior))


@given(EVIDENCE, st.randoms())
@settings(max_examples=60, deadline=None)
def test_the_order_of_evidence_does_not_matter(evidence: list[Evidence], dice: object) -> None:
    mixed = list(evidence)
    dice.shuffle(mixed)  # type: ignore[attr-defined]
    one, other = assess(CATALOGUE, CAR, ODOMETER, evidence), assess(CATALOGUE, CAR, ODOMETER, mixed)
    assert [(risk.part, risk.degraded, risk.reasons) for risk in one] == [
        (risk.part, risk.degraded, risk.reasons) for risk in other
    ]


@given(EVIDENCE, st.floats(1.01, 20.0))
@settings(max_examples=60, deadline=None)
def test_more_weight_never_lowers_a_probability(evidence: list[Evidence], more: float) -> None:
    raised = [
        replace(one, likelihood_ratio=one.likelihood_ratio * more) if one.part == "ignition_coil" else one
        for one in evidence
    ]
    assert degraded(*raised) >= degraded(*evidence) - 1e-9


@given(EVIDENCE)
@settings(max_examples=60, deadline=None)
def test_what_comes_out_is_a_set_of_probabilities(evidence: list[Evidence]) -> None:
    for risk in assess(CATALOGUE, CAR, ODOMETER, evidence):
        within = [risk.failure_within_miles[miles] for miles in MILES]
        assert 0.0 <= within[0] <= within[1] <= within[2] <= 1.0
        assert 0.0 < risk.degraded < 1.0
        weights = [max(one.likelihood_ratio, 1.0 / one.likelihood_ratio) for one in risk.reasons]
        assert weights == sorted(weights, reverse=True)


def test_the_most_urgent_part_comes_first() -> None:
    first = assess(CATALOGUE, CAR, ODOMETER, [seen("throttle_body", 500.0)])[0]
    assert first.part == "throttle_body"
    dear = example_catalogue(example_part("battery"), replace(example_part("coolant_pump"), damage_cost=5_000.0))
    assert [risk.part for risk in assess(dear, None, ODOMETER)] == ["coolant_pump", "battery"]


@pytest.mark.parametrize("ratio", [0.0, -1.0, float("nan"), float("inf")])
def test_a_ratio_that_is_none_is_refused(ratio: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        assess(CATALOGUE, CAR, ODOMETER, [seen("battery", ratio)])


def test_evidence_for_a_part_the_car_does_not_have_is_left_out() -> None:
    only = example_catalogue(example_part("battery"))
    assert [risk.part for risk in assess(only, CAR, ODOMETER, [seen("ignition_coil", 90.0)])] == ["battery"]


# From drives


def session(day: int, km: float) -> Session:
    return Session(f"s{day}", START + timedelta(days=day), "old-six", km)


def misfire(day: int, km: float) -> JudgedDrive:
    place = (Measure("cylinder", 3.0, ""),)
    parts = ("ignition_coil", "spark_plugs", "fuel_injector")
    finding = Finding("misfire", Verdict.FAULT, "one_cylinder", confidence=0.95, parts=parts, measures=place)
    return JudgedDrive(session(day, km), (finding,), (CodeReading(0.0, CodeKind.STORED, "P0303"),))


def quiet(day: int, km: float, verdict: Verdict = Verdict.HEALTHY) -> JudgedDrive:
    detectors = ("misfire", "fuel_trims", "cranking", "charging", "catalyst", "oxygen_sensors")
    return JudgedDrive(session(day, km), tuple(Finding(name, verdict, confidence=0.9) for name in detectors))


def of_drives(*drives: JudgedDrive, events: tuple[Event, ...] = (), km: float | None = None) -> dict[str, PartRisk]:
    return by_part(risks_of(CAR, km, drives, events, CATALOGUE))


def test_a_misfire_in_one_cylinder_accuses_the_coil_and_says_how_to_be_sure() -> None:
    risk = of_drives(misfire(0, ODOMETER))["ignition_coil"]
    assert risk.degraded > 0.7 > 0.3 > risk.prior
    assert risk.failure_within_miles[1_000] > 3 * of_drives(km=ODOMETER)["ignition_coil"].failure_within_miles[1_000]
    assert {one.source.partition(":")[0] for one in risk.reasons} >= {"finding", "code"}
    assert "swap the coil" in risk.decided_by.lower()
    assert "key out" in risk.decided_by  # the caution goes with it


def test_a_silent_drive_clears_what_it_would_have_shown_and_nothing_else() -> None:
    before, after = of_drives(km=ODOMETER), of_drives(quiet(0, ODOMETER))
    assert after["ignition_coil"].degraded < 0.7 * before["ignition_coil"].degraded
    assert after["catalytic_converter"].degraded < 0.7 * before["catalytic_converter"].degraded
    assert after["oil_filter_housing_gasket"].degraded == before["oil_filter_housing_gasket"].degraded


def test_not_enough_data_changes_nothing() -> None:
    before, after = of_drives(km=ODOMETER), of_drives(quiet(0, ODOMETER, Verdict.NOT_ENOUGH_DATA))
    assert [risk.degraded for risk in after.values()] == [risk.degraded for risk in before.values()]


def test_many_silent_drives_do_not_prove_a_part_sound() -> None:
    one, many = of_drives(quiet(0, ODOMETER)), of_drives(*(quiet(day, ODOMETER) for day in range(30)))
    assert 0.3 * one["ignition_coil"].degraded < many["ignition_coil"].degraded <= one["ignition_coil"].degraded


def test_a_repair_resets_the_part_and_not_its_neighbours_age() -> None:
    repair = Event("old-six", START + timedelta(days=1), EventKind.REPAIR, ODOMETER, "ignition_coil")
    drives = (misfire(0, ODOMETER), quiet(2, ODOMETER + 100.0))
    before, after = of_drives(*drives), of_drives(*drives, events=(repair,))
    assert after["ignition_coil"].since_new_km == pytest.approx(100.0)
    assert after["ignition_coil"].degraded < 0.001 < before["ignition_coil"].degraded
    assert after["spark_plugs"].since_new_km == before["spark_plugs"].since_new_km
    # The misfire is gone with the coil: the rivals are no likelier than before it was seen.
    assert after["spark_plugs"].degraded < of_drives(km=ODOMETER)["spark_plugs"].degraded


def test_a_repair_without_a_reading_takes_the_odometer_of_the_drives() -> None:
    repair = Event("old-six", START + timedelta(days=1), EventKind.REPAIR, None, "battery")
    drives = (quiet(0, 150_000.0), quiet(2, 150_200.0))
    assert 0.0 <= (of_drives(*drives, events=(repair,))["battery"].since_new_km or -1.0) <= 200.0


def test_evidence_from_elsewhere_counts_like_any() -> None:
    answer = seen("valve_cover_gasket", 12.0, source="elsewhere")
    risk = by_part(risks_of(CAR, ODOMETER, (), (), CATALOGUE, (answer,)))["valve_cover_gasket"]
    assert risk.degraded > risk.prior
    assert risk.reasons == (answer,)


def test_answers_of_an_inspection_count() -> None:
    looked = Event(
        "old-six", START, EventKind.INSPECTION, ODOMETER, "valve_cover_gasket", "yes", "oil below the cover", 7
    )
    risk = by_part(risks_of(CAR, ODOMETER, (), (looked,), CATALOGUE))["valve_cover_gasket"]
    assert risk.degraded > risk.prior
    assert [one.source for one in risk.reasons] == ["inspection:7"]
