"""Which questions an inspection asks, in which order, and what its answers are worth."""

from __future__ import annotations

import itertools
import random
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from scipy.stats import entropy as scipy_entropy

from obdwatch.car_profiles import PART_IDS
from obdwatch.parts.competing import updated
from obdwatch.parts.inspection import evidence_of_answers, questions_for, walk, walk_began
from obdwatch.parts.inspection_gain import information, most_telling, seen_by
from obdwatch.parts.inspection_questions import COULD_NOT_LOOK, PLACES, Engine, Question, Questions, read_questions
from obdwatch.parts.risk import assess
from obdwatch.records import Car, Event, EventKind, Evidence, PartRisk
from tests.parts.examples import example_catalogue

NOON = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
KNOWN = read_questions()
ALL_PARTS = dict.fromkeys(PART_IDS, 0.2)


def question(
    name: str, sound: float, engine: Engine = Engine.COLD_OFF, place: str = "front", **parts: float
) -> Question:
    origins = dict.fromkeys(("sound", *parts), "assumption: an example")
    return Question(
        name, "Is it?", "Look.", "it", engine, place, 1.0, (), name, {}, "common practice", sound, parts, origins
    )


def risks(**degraded: float) -> tuple[PartRisk, ...]:
    return tuple(PartRisk(part, p, p, {}, None, False) for part, p in degraded.items())


def book_of(*questions: Question) -> Questions:
    return Questions({one.id: one for one in questions}, {"yes": 30_000.0, "no": 8_000.0}, (0.5, 0.2))


def answer(
    number: int,
    question: str | None,
    said: str,
    at: datetime = NOON,
    part: str = "drive_belt",
    km: float | None = None,
    note: str = "",
) -> Event:
    return Event("fern", at, EventKind.INSPECTION, km, part, said, note, number, question)


def repair(number: int, part: str, at: datetime, km: float | None = None) -> Event:
    return Event("fern", at, EventKind.REPAIR, km, part, id=number)


def ratio_of(evidence: tuple[Evidence, ...], part: str) -> float:
    (one,) = [each for each in evidence if each.part == part]
    return one.likelihood_ratio


# Expected information


@pytest.mark.parametrize("seed", range(8))
def test_information_is_the_entropy_before_less_the_one_to_be_expected_after(seed: int) -> None:
    """Against scipy.stats.entropy, on the whole table of state and answers."""
    chance = random.Random(seed)
    prior = chance.uniform(0.01, 0.99)
    seen = [(chance.uniform(0.01, 0.99), chance.uniform(0.01, 0.99)) for _ in range(chance.randint(1, 4))]
    expected = float(scipy_entropy([prior, 1.0 - prior], base=2))
    for answers in itertools.product((True, False), repeat=len(seen)):
        joint = []
        for state, weight in ((0, prior), (1, 1.0 - prior)):
            for said, shares in zip(answers, seen, strict=True):
                weight *= shares[state] if said else 1.0 - shares[state]
            joint.append(weight)
        expected -= sum(joint) * float(scipy_entropy(joint, base=2))  # scipy normalises the joint to the posterior
    assert information(prior, seen) == pytest.approx(expected, abs=1e-12)


def test_information_of_the_symmetric_channel_of_the_textbook() -> None:
    """Cover and Thomas, Elements of Information Theory, 7.1.4: an even bit through errors of 0.11 keeps 1 - H(0.11)."""
    assert information(0.5, [(0.89, 0.11)]) == pytest.approx(0.5, abs=1e-3)


def test_what_one_part_shows_depends_on_how_likely_the_others_are_worn() -> None:
    """Against every combination of three parts, summed one by one."""
    one = question("x", 0.05, thermostat=0.6, coolant_pump=0.3, head_gasket=0.5)
    degraded = {"thermostat": 0.2, "coolant_pump": 0.5, "head_gasket": 0.1}
    for part in degraded:
        totals = {True: 0.0, False: 0.0}
        for states in itertools.product((True, False), repeat=3):
            worn = dict(zip(degraded, states, strict=True))
            chance, silent = 1.0, 1.0 - one.yes_if_sound
            for other, is_worn in worn.items():
                if other != part:
                    chance *= degraded[other] if is_worn else 1.0 - degraded[other]
                if is_worn:
                    silent *= (1.0 - one.yes_if_degraded[other]) / (1.0 - one.yes_if_sound)
            totals[worn[part]] += chance * (1.0 - silent)
        assert seen_by(one, degraded)[part] == pytest.approx((totals[True], totals[False]))


def test_most_telling_by_hand() -> None:
    """Worked by hand: two parts at 0.5, binary channels with equal errors e, which tell 1 - H(e) bits.

    H(0.1) = 0.469, H(0.2) = 0.722, so: belt at cost 100: 53.1, pump at 0.2 and cost 300: 83.4. A second look at
    the pump of the same worth tells I(two looks) - 0.278: two looks agree with 0.68, and are then wrong with 1/17,
    H(1/17) = 0.323, so 1 - (0.68 * 0.323 + 0.32 * 1) = 0.460 bit, 0.182 more, 54.7: just above the belt.
    """
    pump_1, pump_2 = (question(name, 0.2, coolant_pump=0.8) for name in ("pump_1", "pump_2"))
    belt = question("belt", 0.1, drive_belt=0.9)
    degraded, costs = {"coolant_pump": 0.5, "drive_belt": 0.5}, {"coolant_pump": 300.0, "drive_belt": 100.0}
    found = most_telling([belt, pump_1, pump_2], degraded, costs, 3)
    assert [one.id for one, _ in found] == ["pump_1", "pump_2", "belt"]
    assert [gain for _, gain in found] == pytest.approx([83.4, 54.7, 53.1], abs=0.15)
    cheap = {"coolant_pump": 100.0, "drive_belt": 100.0}
    assert [one.id for one, _ in most_telling([pump_1, pump_2, belt], degraded, cheap, 2)] == ["belt", "pump_1"]


def test_a_second_look_at_the_same_symptom_counts_half() -> None:
    first = question("first", 0.2, coolant_pump=0.8)
    again = replace(question("again", 0.2, coolant_pump=0.8), symptom="first")
    gains = [gain for _, gain in most_telling([first, again], {"coolant_pump": 0.5}, {}, 2)]
    assert gains == pytest.approx([0.278, 0.182 / 2], abs=5e-4)


def test_what_is_certain_anyway_is_not_worth_a_question() -> None:
    sure, open_ = question("sure", 0.1, drive_belt=0.9), question("open", 0.1, battery=0.6)
    degraded = {"drive_belt": 0.001, "battery": 0.5}
    assert [one.id for one, _ in most_telling([sure, open_], degraded, {}, 1)] == ["open"]


# The walk


def test_walk_is_short_cold_first_and_never_goes_back() -> None:
    for most in (8, 20, None):
        asked = questions_for(None, risks(**ALL_PARTS), most=most)
        assert len(asked) == (most or len(asked))
        states = [list(Engine).index(one.engine) for one in asked]
        assert states == sorted(states)
        for engine in Engine:
            places = [PLACES[engine].index(one.place) for one in asked if one.engine is engine]
            assert places == sorted(places)


def test_all_asks_everything_the_car_can_have() -> None:
    every = questions_for(Car("a", coolant_pump="electric"), risks(**ALL_PARTS), most=None)
    assert {one.id for one in KNOWN.by_id.values()} - {one.id for one in every} == {"pump_play", "pump_rumbles"}
    no_flaps = {part: p for part, p in ALL_PARTS.items() if part != "intake_flap_actuator"}
    without = {one.id for one in questions_for(None, risks(**no_flaps), most=None)}
    assert "flaps_tick" not in without
    assert "weak_low_revs" in without  # speaks for other parts, too


def test_the_part_in_doubt_is_asked_about() -> None:
    doubtful = dict.fromkeys(PART_IDS, 0.02) | {"valve_cover_gasket": 0.5}
    asked = questions_for(None, risks(**doubtful))
    assert sum("valve_cover_gasket" in one.yes_if_degraded for one in asked) >= 4


def test_a_dear_failure_is_asked_about_before_a_cheap_one() -> None:
    even = risks(**ALL_PARTS)
    dear = questions_for(None, even, costs=dict.fromkeys(PART_IDS, 10.0) | {"head_gasket": 4_000.0})
    assert all("head_gasket" in one.yes_if_degraded for one in dear)


def test_what_was_answered_is_not_asked_again_until_it_has_faded() -> None:
    belt = [answer(1, "belt_cracks", "no", km=100_000.0)]
    every = risks(**ALL_PARTS)

    def asked(events: list[Event], km: float) -> bool:
        return "belt_cracks" in {one.id for one in questions_for(None, every, events, most=None, odometer_km=km)}

    assert not asked(belt, 107_900.0)
    assert asked(belt, 108_100.0)
    assert asked([answer(1, "belt_cracks", COULD_NOT_LOOK, km=100_000.0)], 100_000.0)
    yes = [answer(1, "belt_cracks", "yes", km=100_000.0)]
    assert not asked(yes, 108_100.0)
    assert asked([*yes, repair(2, "drive_belt", NOON + timedelta(days=1))], 100_100.0)


def test_walk_stays_the_same_while_it_is_answered_and_goes_on_where_it_was() -> None:
    every = risks(**ALL_PARTS)
    events: list[Event] = []
    seen: list[Question] = []
    planned = walk(None, every, events, NOON).questions
    for number, said in enumerate(["yes", "no", COULD_NOT_LOOK] * 3, start=1):
        at = NOON + timedelta(minutes=2 * number)
        now = walk(None, every, events, at)
        assert now.questions == planned
        if now.next is None:
            break
        seen.append(now.next)
        events.append(answer(number, now.next.id, said, at))
    assert tuple(seen) == planned
    assert set(now.answers) == {one.id for one in planned}


def test_walk_of_the_next_day_is_a_new_one() -> None:
    every, events = risks(**ALL_PARTS), [answer(1, "belt_cracks", "no")]
    assert walk_began(events, NOON + timedelta(hours=2)) == NOON
    tomorrow = NOON + timedelta(days=1)
    assert walk_began(events, tomorrow) == tomorrow
    new = walk(None, every, events, tomorrow)
    assert new.answers == {}
    assert "belt_cracks" not in {one.id for one in new.questions}


def test_a_car_without_risks_is_asked_nothing() -> None:
    assert questions_for(None, ()) == ()


# What the answers are worth


@pytest.mark.parametrize("said", ["yes", "no"])
@pytest.mark.parametrize("one", KNOWN.by_id.values(), ids=lambda one: one.id)
def test_answer_gives_each_part_the_ratio_of_bayes(one: Question, said: str) -> None:
    found = {each.part: each for each in evidence_of_answers([answer(7, one.id, said)])}
    assert set(found) == set(one.yes_if_degraded)
    for part, worn in one.yes_if_degraded.items():
        shares = (worn, one.yes_if_sound) if said == "yes" else (1.0 - worn, 1.0 - one.yes_if_sound)
        assert found[part].likelihood_ratio == pytest.approx(shares[0] / shares[1])
        assert (found[part].likelihood_ratio > 1.0) == (said == "yes")
        assert found[part].source == "inspection:7"
        assert one.sign in found[part].reason


def test_a_posterior_of_the_published_example() -> None:
    """Eddy 1982: 1 % ill, 80 % of them found, 9.6 % of the healthy too; a find means 7.8 %."""
    book = book_of(question("lump", 0.096, head_gasket=0.8))
    (one,) = evidence_of_answers([answer(1, "lump", "yes")], questions=book)
    assert updated(0.01, one.likelihood_ratio) == pytest.approx(0.078, abs=0.0005)


def test_could_not_look_is_no_evidence_and_the_last_answer_counts() -> None:
    later = NOON + timedelta(days=3)
    assert evidence_of_answers([answer(1, "belt_cracks", COULD_NOT_LOOK)]) == ()
    changed = [answer(1, "belt_cracks", "yes"), answer(2, "belt_cracks", "no", later)]
    assert ratio_of(evidence_of_answers(changed), "drive_belt") < 1.0
    assert evidence_of_answers(reversed(changed)) == evidence_of_answers(changed)


def test_repair_ends_what_was_seen_on_the_part_and_a_yes_on_its_neighbours() -> None:
    later = NOON + timedelta(days=3)
    for said, left in (("yes", set()), ("no", {"drive_belt", "valve_cover_gasket"})):
        events = [answer(1, "oil_on_belt", said), repair(2, "oil_filter_housing_gasket", later)]
        assert {one.part for one in evidence_of_answers(events)} == left
    again = [answer(1, "oil_on_belt", "yes"), repair(2, "drive_belt", later), answer(3, "oil_on_belt", "yes", later)]
    assert {one.source for one in evidence_of_answers(again)} == {"inspection:3"}


def test_one_coil_of_a_set_ends_a_yes_and_not_a_no() -> None:
    later = NOON + timedelta(days=3)
    for said, left in (("yes", 0), ("no", 1)):
        events = [answer(1, "coil_boot", said, part="ignition_coil"), repair(2, "ignition_coil:3", later)]
        assert len(evidence_of_answers(events)) == left


@pytest.mark.parametrize(("said", "halves"), [("yes", 30_000.0), ("no", 8_000.0)])
def test_weight_halves_with_the_stated_distance(said: str, halves: float) -> None:
    event = answer(1, "belt_cracks", said, km=100_000.0)
    fresh = ratio_of(evidence_of_answers([event], 100_000.0), "drive_belt")
    old = ratio_of(evidence_of_answers([event], 100_000.0 + halves), "drive_belt")
    older = ratio_of(evidence_of_answers([event], 100_000.0 + 2 * halves), "drive_belt")
    assert old == pytest.approx(fresh**0.5)
    assert older == pytest.approx(fresh**0.25)
    assert evidence_of_answers([event], 100_000.0 + 20 * halves) == ()


def test_answer_without_odometer_takes_the_last_reading_before_it() -> None:
    reading = Event("fern", NOON - timedelta(days=1), EventKind.ODOMETER, 100_000.0, id=1)
    event = answer(2, "belt_cracks", "no")
    full = ratio_of(evidence_of_answers([event], 108_000.0), "drive_belt")
    assert ratio_of(evidence_of_answers([reading, event], 108_000.0), "drive_belt") == pytest.approx(full**0.5)


def test_entry_without_a_question_is_weaker_evidence_for_its_part_alone() -> None:
    (plain,) = evidence_of_answers([answer(1, None, "yes", note="squeals when wet")])
    assert (plain.part, plain.source) == ("drive_belt", "inspection:1")
    assert "squeals when wet" in plain.reason
    for part in PART_IDS:
        yes = ratio_of(evidence_of_answers([answer(1, None, "yes", part=part)]), part)
        no = ratio_of(evidence_of_answers([answer(1, None, "no", part=part)]), part)
        strongest = max(one.ratio(part, "yes") for one in KNOWN.by_id.values())
        surest = min(one.ratio(part, "no") for one in KNOWN.by_id.values())
        assert 1.0 < yes < strongest, part
        assert no < 1.0, part
        assert no > 0.5 or surest < no
    assert evidence_of_answers([answer(1, None, "cracked")]) == ()
    assert evidence_of_answers([answer(1, "of_another_version", "yes")])[0].likelihood_ratio == plain.likelihood_ratio


def test_answers_move_the_risk_of_a_part_no_drive_can_show() -> None:
    """The whole way: oil down the block and at the housing, the valve cover dry."""
    catalogue = example_catalogue()
    before = of_parts(assess(catalogue, Car("fern"), 160_000.0, ()))
    events = [
        answer(1, "filter_housing_wet", "yes"),
        answer(2, "oil_down_the_block", "yes"),
        answer(3, "valve_cover_wet", "no"),
    ]
    after = of_parts(assess(catalogue, Car("fern"), 160_000.0, evidence_of_answers(events)))
    assert after["oil_filter_housing_gasket"] > max(0.9, before["oil_filter_housing_gasket"])
    assert after["valve_cover_gasket"] < before["valve_cover_gasket"]


def of_parts(found: tuple[PartRisk, ...]) -> Mapping[str, float]:
    return {risk.part: risk.degraded for risk in found}


def test_events_of_any_kind_do_no_harm() -> None:
    others = [
        Event("fern", NOON, EventKind.NOTE, note="x", id=1),
        Event("fern", NOON, EventKind.REFUEL, id=2),
        Event("fern", NOON, EventKind.CODE_ERASE, id=3),
        replace(answer(4, "belt_cracks", "maybe")),
    ]
    assert evidence_of_answers(others) == ()
    assert len(questions_for(None, risks(**ALL_PARTS), others)) == 8
