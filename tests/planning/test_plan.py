"""Whole plans: cases whose best plan is known, limits, monotony, and what sharing saves."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.errors import InputError
from obdwatch.parts.catalogue import catalogue_for, read_catalogue
from obdwatch.parts.part import AccessStep
from obdwatch.parts.risk import assess
from obdwatch.planning import programme
from obdwatch.planning.plan import plan_visits
from obdwatch.planning.plan_records import Plan
from obdwatch.planning.wishes import HORIZON_MILES, Trip, Wishes, spaced_visits
from obdwatch.records import Car, PartRisk
from tests.planning.garage import AGEING, GARAGE, RISKS, SOUND, STEPS, WORN, catalogue, part, risk

FERN = Car("fern", cylinders=6)
NO_TROUBLE = Wishes(visit_cost=0.0)


def visit_of(plan: Plan, part_id: str) -> float:
    """The distance from now at which a part is done, endless where it is not."""
    return next((visit.miles_from_now for visit in plan.visits if part_id in visit.jobs), math.inf)


def scaled(one: PartRisk, factor: float) -> PartRisk:
    """The same part with its hazard of failing multiplied."""
    chances = {at: -math.expm1(factor * math.log1p(-chance)) for at, chance in one.failure_within_miles.items()}
    return replace(one, failure_within_miles=chances)


def test_a_worn_part_is_done_now_and_a_sound_one_left_alone() -> None:
    parts = catalogue(part("battery"), part("alternator"))
    plan = plan_visits(parts, [risk("battery", WORN), risk("alternator", SOUND, 0.01)], NO_TROUBLE)
    assert [visit.jobs for visit in plan.visits] == [("battery",)]
    assert plan.visits[0].miles_from_now == 0.0
    assert [left.part for left in plan.left_alone] == ["alternator"]
    assert plan.proven


def test_an_ageing_part_joins_where_its_access_is_open_and_not_otherwise() -> None:
    """By hand, at 100 an hour: alone the starter costs 375, of which sharing the 2.25 hours of access saves 225."""
    starter, neighbour = part("starter_motor", access=("intake_manifold",)), part("crankcase_ventilation")
    hidden = replace(neighbour, access=("intake_manifold",))
    wishes = replace(NO_TROUBLE, rate=100.0)
    risks = [risk("starter_motor", AGEING, 0.3), risk("crankcase_ventilation", WORN, 0.9)]
    shared = plan_visits(catalogue(starter, hidden), risks, wishes)
    assert visit_of(shared, "starter_motor") == 0.0
    alone = plan_visits(catalogue(starter, neighbour), risks, wishes)
    assert visit_of(alone, "starter_motor") == math.inf
    assert visit_of(alone, "crankcase_ventilation") == 0.0


def test_a_part_that_fails_late_is_done_late() -> None:
    """Hardly a failure before 5,000 miles, nearly sure after: the life until then is used."""
    plan = plan_visits(
        catalogue(part("battery", breakdown_cost=500.0)),
        [risk("battery", (0.0, 0.001, 0.9))],
        replace(NO_TROUBLE, visits_at=(0.0, 2500.0, 5000.0, 7500.0)),
    )
    assert [visit.miles_from_now for visit in plan.visits] == [5000.0]


def test_labour_is_the_union_of_what_is_open_and_the_work_at_each_part() -> None:
    parts = catalogue(
        part("crankcase_ventilation", hours=0.5, access=("intake_manifold",)),
        part("starter_motor", hours=0.75, access=("intake_manifold", "battery_off")),
    )
    both = plan_visits(parts, [risk(id_, WORN) for id_ in parts.parts], replace(NO_TROUBLE, rate=80.0))
    (visit,) = both.visits
    manifold = 0.25 + 0.25 + 0.25 + 1.5  # cover, hoses, battery, manifold: each once
    assert visit.hours == pytest.approx(manifold + 0.5 + 0.75)
    assert visit.cost == pytest.approx(2 * 100.0 + visit.hours * 80.0)
    assert set(visit.access_steps) == {"engine_cover", "air_hoses", "battery_off", "intake_manifold"}
    assert visit.access_steps.index("air_hoses") < visit.access_steps.index("intake_manifold")
    assert both.comparison.one_by_one.hours == pytest.approx(2 * manifold + 0.5 + 0.75)
    assert both.comparison.one_by_one.labour - both.costs.labour == pytest.approx(manifold * 80.0)


def test_what_is_bought_with_several_parts_is_bought_once_per_visit() -> None:
    plan = plan_visits(GARAGE, RISKS, Wishes(decided=frozenset({"coolant_pump", "thermostat"})), FERN)
    first = plan.visits[0]
    assert {"coolant_pump", "thermostat"} <= set(first.jobs)
    prices = {"spark_plugs": 6 * 12.0} | {id_: GARAGE.parts[id_].price for id_ in GARAGE.parts if id_ != "spark_plugs"}
    gasket = 30.0 if {"starter_motor", "crankcase_ventilation"} & set(first.jobs) else 0.0
    assert first.cost == pytest.approx(sum(prices[job] for job in first.jobs) + 40.0 + gasket)


@pytest.mark.parametrize("cylinders", [4, 6, 8])
def test_plugs_are_counted_by_cylinder_and_coils_by_bank_where_the_car_says_so(cylinders: int) -> None:
    parts = catalogue(part("spark_plugs", price=10.0, hours=0.25, per="cylinder"))
    wishes = Wishes(decided=frozenset({"spark_plugs"}), rate=40.0)
    plan = plan_visits(parts, [risk("spark_plugs", AGEING)], wishes, Car("fern", cylinders=cylinders))
    assert plan.visits[0].hours == cylinders * 0.25
    assert plan.visits[0].cost == cylinders * (10.0 + 0.25 * 40.0)
    assert plan.unknown == ()
    sensors = catalogue(part("oxygen_sensor_upstream", price=80.0, per="bank"))
    decided = Wishes(decided=frozenset({"oxygen_sensor_upstream"}))
    for car, banks in ((Car("fern", layout="vee"), 2), (Car("fern", layout="inline"), 1)):
        two = plan_visits(sensors, [risk("oxygen_sensor_upstream", AGEING)], decided, car)
        assert two.visits[0].cost == banks * 80.0


@settings(max_examples=25, deadline=None)
@given(
    st.none() | st.floats(100.0, 800.0),
    st.none() | st.floats(0.5, 6.0),
    st.none() | st.floats(20.0, 120.0),
    st.integers(1, 6),
)
def test_the_limits_hold_in_every_visit(
    budget: float | None, hours: float | None, rate: float | None, count: int
) -> None:
    wishes = Wishes(visits_at=spaced_visits(count), budget=budget, hours=hours, rate=rate)
    plan = plan_visits(GARAGE, RISKS, wishes, FERN)
    done = [job for visit in plan.visits for job in visit.jobs]
    assert sorted([*done, *(left.part for left in plan.left_alone)]) == sorted(GARAGE.parts)
    for visit in plan.visits:
        assert budget is None or visit.cost <= budget + 1e-6
        assert hours is None or visit.hours <= hours + 1e-6
        assert set(visit.why) == set(visit.jobs)
        assert all(why for why in visit.why.values())
    parts = plan.costs
    assert parts.total == pytest.approx(parts.parts + parts.labour + parts.visits + parts.failures + parts.later)
    unlimited = plan_visits(GARAGE, RISKS, replace(wishes, budget=None, hours=None), FERN)
    assert unlimited.costs.total <= plan.costs.total + 1e-6
    assert unlimited.costs.total <= unlimited.comparison.one_by_one.total + 1e-6
    assert unlimited.costs.total <= unlimited.comparison.everything_now.total + 1e-6
    assert unlimited.costs.total <= unlimited.comparison.nothing.total + 1e-6


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(sorted(GARAGE.parts)), st.floats(1.0, 6.0), st.sampled_from([None, 60.0]), st.integers(1, 6))
def test_a_part_that_fails_sooner_is_never_done_later(
    part_id: str, factor: float, rate: float | None, count: int
) -> None:
    wishes = Wishes(visits_at=spaced_visits(count), rate=rate)
    sooner = [scaled(one, factor) if one.part == part_id else one for one in RISKS]
    before = visit_of(plan_visits(GARAGE, RISKS, wishes, FERN), part_id)
    assert visit_of(plan_visits(GARAGE, sooner, wishes, FERN), part_id) <= before


def test_dearer_failures_never_make_a_plan_wait() -> None:
    for cost in (0.0, 100.0, 1000.0, 5000.0):
        parts = catalogue(part("coolant_pump", breakdown_cost=cost))
        at = visit_of(plan_visits(parts, [risk("coolant_pump", AGEING)], NO_TROUBLE), "coolant_pump")
        later = visit_of(
            plan_visits(
                catalogue(part("coolant_pump", breakdown_cost=cost + 3000.0)),
                [risk("coolant_pump", AGEING)],
                NO_TROUBLE,
            ),
            "coolant_pump",
        )
        assert later <= at


def test_what_may_fail_on_a_trip_is_done_before_it() -> None:
    trip = Trip(5000.0, 2000.0, most_risk=0.05)
    plan = plan_visits(GARAGE, RISKS, Wishes(visits_at=(0.0, 4000.0, 8000.0), trips=(trip,)), FERN)
    for one in RISKS:
        # The hazard is constant from 5,000 to 10,000 miles, so the trip takes two fifths of that stretch.
        at_5, at_10 = one.failure_within_miles[5000], one.failure_within_miles[10000]
        fails = 1.0 - ((1.0 - at_10) / (1.0 - at_5)) ** 0.4
        if fails > 0.05:
            assert visit_of(plan, one.part) <= 5000.0, one.part
    assert any("trip" in why for visit in plan.visits for why in visit.why.values())


def test_decisions_and_refusals_are_followed() -> None:
    wishes = Wishes(decided=frozenset({"alternator"}), refused=frozenset({"coolant_pump"}))
    plan = plan_visits(GARAGE, RISKS, wishes, FERN)
    assert visit_of(plan, "alternator") == 0.0
    assert plan.visits[0].why["alternator"].startswith("You have decided on it.")
    refused = next(left for left in plan.left_alone if left.part == "coolant_pump")
    assert refused.why.startswith("You do not want it done;")


@pytest.mark.parametrize(
    ("wishes", "said"),
    [
        (Wishes(budget=100.0, trips=(Trip(0.0, 3000.0),)), "raise the budget per visit from 100 EUR to 360 EUR"),
        (Wishes(hours=1.0, trips=(Trip(0.0, 3000.0),)), "raise the hours per visit from 1 to 4.8"),
        (Wishes(budget=100.0, hours=1.0, trips=(Trip(0.0, 3000.0),)), "to 360 EUR and raise the hours per visit"),
        (Wishes(budget=100.0, decided=frozenset({"alternator"})), "raise the budget per visit from 100 EUR to 300 EUR"),
        (Wishes(visits_at=(2000.0,), trips=(Trip(0.0, 3000.0),)), "plan a visit before it"),
        (Wishes(refused=frozenset({"coolant_pump"}), trips=(Trip(0.0, 3000.0),)), "take back the refusal"),
        (Wishes(decided=frozenset({"battery"}), refused=frozenset({"battery"})), "both decided and refused"),
        (Wishes(decided=frozenset({"flux"})), "no part 'flux'"),
        (Wishes(visits_at=()), "choose 1 to 6"),
        (Wishes(visits_at=(0.0, 20_000.0)), "between now and 10,000 miles"),
        (Wishes(visits_at=(500.0, 0.0)), "the nearest first"),
        (Wishes(budget=math.nan), "budget is nan"),
        (Wishes(rate=-1.0), "rate is -1.0"),
        (Wishes(yearly_miles=0.0), "the distance per year"),
        (Wishes(trips=(Trip(0.0, 0.0),)), "must have a length"),
        (Wishes(trips=(Trip(0.0, 100.0, 2.0),)), "lies between 0 and 1"),
    ],
)
def test_wishes_that_cannot_be_followed_say_which_to_change(wishes: Wishes, said: str) -> None:
    with pytest.raises(InputError) as refusal:
        plan_visits(GARAGE, RISKS, wishes, FERN)
    assert said in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_the_limit_it_asks_for_is_enough_and_a_little_less_is_not() -> None:
    """360: the pump 200, the ventilation 90, coolant 40, gasket 30. 4.75 hours, which it rounds up to 4.8."""
    trips = (Trip(0.0, 3000.0),)
    assert plan_visits(GARAGE, RISKS, Wishes(budget=360.0, hours=4.75, trips=trips), FERN).visits[0].cost == 360.0
    for wishes in (Wishes(budget=359.0, trips=trips), Wishes(hours=4.7, trips=trips)):
        with pytest.raises(InputError):
            plan_visits(GARAGE, RISKS, wishes, FERN)


def test_unknown_prices_and_hours_are_said_and_never_become_a_number() -> None:
    parts = catalogue(
        part("battery", price=math.nan),
        part("starter_motor", hours=math.nan, access=("pit",)),
        part("spark_plugs", per="cylinder"),
        steps=STEPS | {"pit": AccessStep("pit", "take off the tray", math.nan)},
    )
    plan = plan_visits(parts, [risk(id_, WORN, 0.9) for id_ in parts.parts])
    assert plan.unknown == (
        "Battery: its price is not known and counted as nothing.",
        "Starter motor: the hours at the part are not known and counted as nothing; "
        "the hours for 'take off the tray' are not known and counted as nothing.",
        "Spark plugs: how many the car has is not known (one per cylinder); one is counted.",
    )
    numbers = [plan.costs.total, plan.comparison.nothing.total, *(visit.cost for visit in plan.visits)]
    assert all(math.isfinite(number) for number in numbers)


def test_a_part_of_unknown_risk_is_left_alone_and_said_so() -> None:
    plan = plan_visits(catalogue(part("battery"), part("alternator")), [risk("battery", WORN)])
    (left,) = [left for left in plan.left_alone if left.part == "alternator"]
    assert left.fails_within_horizon is None
    assert "Nothing is known" in left.why


def test_the_worst_piece_of_a_part_speaks_for_it() -> None:
    """A coil that is known by its cylinder is the same job as the set."""
    parts = catalogue(part("ignition_coil", per="cylinder"))
    pieces = [risk("ignition_coil:1", SOUND, 0.01), risk("ignition_coil:3", WORN, 0.9)]
    plan = plan_visits(parts, pieces, NO_TROUBLE, FERN)
    assert plan.visits[0].jobs == ("ignition_coil",)


def test_nothing_to_do_is_an_answer() -> None:
    plan = plan_visits(catalogue(part("battery")), [risk("battery", SOUND, 0.01)])
    assert plan.visits == ()
    assert len(plan.left_alone) == 1
    assert plan_visits(catalogue(), []).visits == ()


def test_a_wrong_risk_is_refused_by_name() -> None:
    with pytest.raises(InputError, match=r"part 'battery': the risk of failing within 5000 miles is 1\.5"):
        plan_visits(catalogue(part("battery")), [risk("battery", (0.1, 1.5, 0.5))])


def test_the_horizon_is_as_far_as_the_risk_is_known() -> None:
    assert plan_visits(GARAGE, RISKS).horizon_miles == HORIZON_MILES == max(RISKS[0].failure_within_miles)


def test_a_plan_that_is_not_proven_best_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the time runs out, the best plan so far is given as that, and never as the best there is."""
    honest = programme.solve

    def unproven(numbers: programme.Programme) -> programme.Solution | None:
        found = honest(numbers)
        return None if found is None else replace(found, proven=False)

    monkeypatch.setattr("obdwatch.planning.plan.solve", unproven)
    plan = plan_visits(GARAGE, RISKS)
    assert not plan.proven
    assert plan.assumptions[0] == "This is the best plan found in 20 seconds; a cheaper one may exist."


def test_a_car_that_is_soon_given_away_gets_less_done_for_its_age() -> None:
    """What would fail only after the car is gone is not paid for; what fails before is, however long it is kept."""
    parts = catalogue(part("alternator", price=100.0, access=("belt_off",)), part("battery"))
    risks = [risk("alternator", (0.02, 0.11, 0.25), 0.4), risk("battery", WORN, 0.9)]
    done = {
        kept: plan_visits(parts, risks, replace(NO_TROUBLE, visits_at=(0.0,), rate=60.0, kept_miles=kept))
        for kept in (HORIZON_MILES, 60_000.0)
    }
    assert [visit.jobs for visit in done[HORIZON_MILES].visits] == [("battery",)]
    assert set(done[60_000.0].visits[0].jobs) == {"battery", "alternator"}
    for kept in (9_000.0, math.inf, math.nan):
        with pytest.raises(InputError, match="kept for"):
            plan_visits(parts, risks, Wishes(kept_miles=kept))


def test_a_car_of_unknown_past_and_without_findings_is_not_taken_apart() -> None:
    """A four-cylinder with 104,000 miles: a wear review (common practice: belt, plugs, battery) and no leak, sensor,
    actuator or gasket for its age alone; no part that is probably sound but the pump behind the open belt.
    """
    car = Car("blue", cylinders=4, layout="inline", coolant_pump="belt", induction="naturally_aspirated")
    shipped = catalogue_for(car, read_catalogue())
    risks = assess(shipped, car, 104_000 * 1.609344)
    plan = plan_visits(shipped, risks, Wishes(units="us"), car)
    jobs = {job for visit in plan.visits for job in visit.jobs}
    assert {"drive_belt", "spark_plugs", "battery"} <= jobs <= {"drive_belt", "spark_plugs", "battery", "coolant_pump",
                                                              "thermostat"}  # fmt: skip
    assert all("ask or look before you buy" in why for visit in plan.visits for why in visit.why.values())


def test_a_plan_without_an_odometer_says_what_distance_it_takes() -> None:
    risks = [replace(one, since_new_km=None, age_known=False) for one in RISKS]
    said = " ".join(plan_visits(GARAGE, risks, Wishes(units="us"), FERN).assumptions)
    assert "No odometer reading is known: every part is taken to have run 100,000 miles" in said
    assert "as old as the car" not in said


def test_a_fault_that_was_shown_is_not_left_for_the_next_keeper() -> None:
    """The same chances of failing: worn by distance alone it waits, shown by a drive or a look it is done."""
    parts = catalogue(part("crankcase_ventilation", price=149.0, access=("intake_manifold",)))
    by_distance = risk("crankcase_ventilation", (0.03, 0.16, 0.22), 0.6)
    wishes = Wishes(rate=90.0, visits_at=(0.0,))
    assert plan_visits(parts, [by_distance], wishes).visits == ()
    shown = replace(by_distance, degraded=0.99)
    assert plan_visits(parts, [shown], wishes).visits[0].jobs == ("crankcase_ventilation",)
