"""The sentences of a plan: each choice has one, it says what is true, and a person can read it."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.errors import InputError
from obdwatch.parts.part import AccessStep
from obdwatch.planning.plan import plan_visits, what_if_only
from obdwatch.planning.plan_records import Plan
from obdwatch.planning.wishes import Trip, Wishes, spaced_visits
from obdwatch.records import Car, Evidence
from tests.planning.garage import AGEING, GARAGE, RISKS, SOUND, WORN, catalogue, part, risk

FERN = Car("fern", cylinders=6)
SENTENCE = re.compile(r"^[A-Z0-9][^.!?].*[.!?]$", re.DOTALL)


def every_sentence(plan: Plan) -> list[str]:
    return [
        *(why for visit in plan.visits for why in visit.why.values()),
        *(left.why for left in plan.left_alone),
        *plan.assumptions,
        *plan.unknown,
    ]


def test_a_part_that_rides_along_says_whose_access_it_uses_and_that_it_adds_no_labour() -> None:
    parts = catalogue(
        part("crankcase_ventilation", "ventilation valve", access=("intake_manifold",)),
        part("starter_motor", "starter motor", access=("intake_manifold",)),
    )
    risks = [risk("crankcase_ventilation", WORN, 0.9), risk("starter_motor", AGEING, 0.3)]
    (visit,) = plan_visits(parts, risks, Wishes(rate=100.0)).visits
    assert visit.jobs == ("crankcase_ventilation", "starter_motor")
    assert visit.why["crankcase_ventilation"] == (
        "It is probably worn (90%) and fails within 16,000 km with a chance of 70%, which would cost about 595 EUR."
    )
    said = visit.why["starter_motor"]
    assert said.startswith(
        "For the ventilation valve you take off the intake manifold anyway: doing the starter motor "
    )
    assert "adds no labour but its own 30 minutes" in said
    assert "by itself it would take 2.8 hours, and it is perhaps worn (30%)." in said


def test_the_saving_of_a_ride_is_what_leaving_the_part_alone_costs_more() -> None:
    """By the total costs of both choices, with the same neighbour in the visit."""
    parts = catalogue(
        part("crankcase_ventilation", "ventilation valve", access=("intake_manifold",)),
        part("starter_motor", "starter motor", access=("intake_manifold",)),
    )
    risks = [risk("crankcase_ventilation", WORN, 0.9), risk("starter_motor", AGEING, 0.3)]
    wishes = Wishes(rate=100.0)
    best = plan_visits(parts, risks, wishes)
    left = plan_visits(parts, risks, replace(wishes, refused=frozenset({"starter_motor"})))
    saved = left.costs.total - best.costs.total
    assert f"expected to save {saved:.0f} EUR." in best.visits[0].why["starter_motor"]


def test_a_part_named_for_its_age_alone_is_to_be_asked_about_first() -> None:
    parts = catalogue(part("battery"), part("alternator"), part("starter_motor"), part("valve_cover_gasket"))
    seen = (Evidence("battery", 8.0, "a walk round the car", "it cranks slowly"),)
    fine = (Evidence("valve_cover_gasket", 0.5, "a walk round the car", "it is dry"),)
    risks = [
        replace(risk("battery", WORN, 0.9, age_known=False), reasons=seen),
        replace(risk("valve_cover_gasket", WORN, 0.9, age_known=False), reasons=fine),
        risk("alternator", WORN, 0.9, age_known=False),
        risk("starter_motor", WORN, 0.9),
    ]
    why = plan_visits(parts, risks, Wishes(visits_at=(0.0,))).visits[0].why
    asked = {id_ for id_, said in why.items() if said.endswith("its age is not known: ask or look before you buy.")}
    assert set(why) == set(parts.parts)
    assert asked == {"alternator"}
    assert "what was seen of it was in order" in why["valve_cover_gasket"].lower()


def test_nobody_takes_a_belt_off_for_the_belt_anyway() -> None:
    parts = catalogue(
        part("drive_belt", "drive belt", access=("belt_off",)), part("alternator", access=("belt_off",), price=20.0)
    )
    risks = [risk("drive_belt", (0.3, 0.7, 0.9), 0.9), risk("alternator", AGEING, 0.3)]
    decided = Wishes(visits_at=(0.0,), decided=frozenset({"drive_belt", "alternator"}))
    said = plan_visits(parts, risks, decided).visits[0].why["alternator"]
    assert "You take off the drive belt anyway: doing the alternator as well" in said
    assert "For the drive belt" not in said


def test_a_part_that_needs_more_than_is_open_says_how_much() -> None:
    parts = catalogue(
        part("thermostat", access=("coolant_drained",)), part("coolant_pump", access=("coolant_drained", "belt_off"))
    )
    risks = [risk("thermostat", WORN, 0.9), risk("coolant_pump", AGEING, 0.4)]
    (visit,) = plan_visits(parts, risks, Wishes(decided=frozenset({"thermostat", "coolant_pump"}))).visits
    assert "adds 30 minutes of access and not 1 hour" in visit.why["coolant_pump"]


def test_a_part_without_access_of_its_own_still_has_a_reason() -> None:
    """It joins because the visit is there anyway; the sentence says why it is worth doing."""
    parts = catalogue(part("battery"), part("coolant_pump", access=("coolant_drained",)))
    wishes = Wishes(visit_cost=150.0)
    plan = plan_visits(parts, [risk("battery", (0.03, 0.2, 0.4)), risk("coolant_pump", WORN, 0.9)], wishes)
    assert set(plan.visits[0].jobs) == {"battery", "coolant_pump"}
    assert "chance of 40%" in plan.visits[0].why["battery"]


def test_a_later_visit_says_what_waiting_risks_and_whether_a_limit_caused_it() -> None:
    parts = catalogue(part("battery"), part("alternator"))
    risks = [risk("battery", WORN, 0.9), risk("alternator", WORN, 0.9)]
    tight = plan_visits(parts, risks, Wishes(budget=150.0))
    later = [visit for visit in tight.visits if visit.miles_from_now > 0.0]
    assert later
    assert all("limits leave no room" in why for visit in later for why in visit.why.values())
    by_choice = plan_visits(
        catalogue(part("battery")), [risk("battery", (0.0, 0.001, 0.9))], Wishes(visits_at=(0.0, 5000.0))
    )
    (why,) = by_choice.visits[0].why.values()
    assert "until then the chance that it fails is under 1%" in why.lower()


def test_what_is_left_alone_says_why() -> None:
    pump = replace(part("coolant_pump"), together_with=("thermostat",))
    parts = catalogue(pump, part("thermostat"), part("alternator", price=300.0))
    risks = [risk("coolant_pump", WORN, 0.9), risk("thermostat", SOUND, 0.01), risk("alternator", WORN, 0.9)]
    plan = plan_visits(parts, risks, Wishes(visits_at=(0.0,), budget=150.0))
    why = {left.part: left.why for left in plan.left_alone}
    assert why["alternator"].startswith("It is worth doing, but the limits leave no room;")
    assert "chance of 1%" in why["thermostat"]
    assert "throw away about" in why["thermostat"]
    assert why["thermostat"].endswith(
        "Often done together with the coolant pump, which the plan does: look at it then."
    )


@settings(max_examples=20, deadline=None)
@given(
    st.none() | st.floats(150.0, 900.0),
    st.integers(1, 6),
    st.sampled_from([None, 70.0]),
    st.sampled_from(["us", "metric"]),
)
def test_every_sentence_is_one(budget: float | None, count: int, rate: float | None, units: str) -> None:
    wishes = Wishes(visits_at=spaced_visits(count), budget=budget, rate=rate, units=units)
    for text in every_sentence(plan_visits(GARAGE, RISKS, wishes, FERN)):
        assert SENTENCE.match(text), text
        assert "_" not in text, f"a part id reaches the screen: {text}"
        assert "nan" not in text.lower().split()
        assert ("km" if units == "us" else "miles") not in text.replace(",", " ").split(), text


def test_the_sentences_are_plain_english() -> None:
    """Flesch reading ease (textstat) of at least 55, which is about that of a newspaper (Flesch 1948: 60 to 70)."""
    textstat = pytest.importorskip("textstat")
    text = " ".join(every_sentence(plan_visits(GARAGE, RISKS, Wishes(units="us"), FERN)))
    assert textstat.flesch_reading_ease(text) > 55.0


def test_only_one_part_says_what_is_paid_again_and_what_may_fail() -> None:
    only = what_if_only("thermostat", GARAGE, RISKS, Wishes(rate=100.0, units="us"), FERN)
    assert only.cost == 60.0 + 40.0 + (0.5 + 0.5) * 100.0  # part, coolant, work and draining
    assert only.hours == 1.0
    assert (only.again_hours, only.again_cost) == (0.5, 50.0 + 40.0 + 20.0)  # draining, coolant, another visit
    plan = plan_visits(GARAGE, RISKS, Wishes(rate=100.0), FERN)
    others = {job for visit in plan.visits for job in visit.jobs} - {"thermostat"}
    lasting = 1.0
    for one in RISKS:
        lasting *= 1.0 - one.failure_within_miles[10000] if one.part in others else 1.0
    assert only.another_fails == pytest.approx(1.0 - lasting)
    assert only.more_than_plan > 0.0
    said = " ".join(only.sentences)
    assert "Only the thermostat, now: 200 EUR to pay and 1 hour of work." in only.sentences
    assert "drain the coolant; coolant, 8 L" in said
    assert "more than the plan" in said
    assert all(SENTENCE.match(text) for text in only.sentences)


def test_only_the_one_planned_part_is_the_plan() -> None:
    parts = catalogue(part("battery"), part("alternator"))
    only = what_if_only("battery", parts, [risk("battery", WORN, 0.9), risk("alternator", SOUND, 0.01)])
    assert only.more_than_plan == pytest.approx(0.0, abs=1e-9)
    assert (only.another_fails, only.again_hours, only.again_cost) == (0.0, 0.0, 0.0)
    assert only.sentences[-1] == "It is expected to cost as much as the plan."


def test_only_an_unknown_part_is_refused() -> None:
    with pytest.raises(InputError, match="known are crankcase_ventilation"):
        what_if_only("flux", GARAGE, RISKS)


def test_a_trip_names_the_chance_of_failing_on_it() -> None:
    plan = plan_visits(
        catalogue(part("battery")), [risk("battery", (0.01, 0.05, 0.19))], Wishes(trips=(Trip(0.0, 5000.0, 0.04),))
    )
    assert "on the trip with a chance of 5.0%, more than the 4% allowed" in plan.visits[0].why["battery"]


def test_hours_that_do_not_add_up_exactly_share_nothing_by_accident() -> None:
    """Sums of 0.1 h and 0.2 h differ in the last digit by their order; that is no shared access."""
    steps = {
        name: AccessStep(name, f"open {name}", hours) for name, hours in (("one", 0.1), ("two", 0.2), ("three", 0.7))
    }
    parts = catalogue(
        part("battery", access=("one",)), part("coolant_pump", access=("two", "three", "one")), steps=steps
    )
    lone = catalogue(part("battery"), part("coolant_pump", access=("three", "two", "one")), steps=steps)
    risks = [risk("battery", (0.2, 0.7, 0.9), 0.9), risk("coolant_pump", WORN, 0.9)]
    for each in (parts, lone):
        plan = plan_visits(each, risks, Wishes(decided=frozenset({"battery", "coolant_pump"})))
        assert "anyway" not in plan.visits[0].why["coolant_pump"]  # at most 0.1 h is shared, not worth a word


def test_the_part_named_is_the_one_the_step_is_open_for() -> None:
    parts = catalogue(
        part("battery", access=("battery_off",)),
        part("crankcase_ventilation", "ventilation valve", access=("intake_manifold",)),
        part("starter_motor", access=("intake_manifold",)),
    )
    risks = [risk("battery", (0.5, 0.8, 0.9)), risk("crankcase_ventilation", WORN), risk("starter_motor", AGEING, 0.3)]
    (visit,) = plan_visits(parts, risks, Wishes(visits_at=(0.0,), rate=100.0)).visits
    assert visit.why["starter_motor"].startswith("For the ventilation valve you take off the intake manifold anyway:")
