"""One symptom, several causes: Bayes' arithmetic against published examples and against plain enumeration."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.parts.competing import (
    MOST_SYMPTOMS,
    SHOWN_BY_BEST,
    one_silence,
    one_symptom,
    posteriors,
    updated,
)

PARTS = ("battery", "coil", "injector", "plugs")
PROBABILITIES = st.fixed_dictionaries({part: st.floats(0.01, 0.95) for part in PARTS})
SYMPTOM = st.dictionaries(st.sampled_from(PARTS), st.floats(1.01, 300.0), min_size=1)
SYMPTOMS = st.lists(SYMPTOM, max_size=4)


def enumerated(probabilities: dict[str, float], symptoms: list[dict[str, float]]) -> dict[str, float]:
    """The same network over every state of every part, in the plainest way there is."""
    total, worn = 0.0, dict.fromkeys(probabilities, 0.0)
    for state in itertools.product((False, True), repeat=len(probabilities)):
        there = dict(zip(probabilities, state, strict=True))
        weight = math.prod(p if there[part] else 1.0 - p for part, p in probabilities.items())
        for symptom in symptoms:
            alarm = SHOWN_BY_BEST / max(symptom.values())
            hidden = 1.0 - alarm
            for part, ratio in symptom.items():
                if there[part]:
                    hidden *= (1.0 - alarm * ratio) / (1.0 - alarm)
            weight *= 1.0 - hidden
        total += weight
        for part in probabilities:
            worn[part] += weight * there[part]
    return {part: each / total for part, each in worn.items()}


def test_the_mammography_example() -> None:
    # Eddy 1982, in the figures of Gigerenzer and Hoffrage 1995 (from memory): 1 % have it, 80 % of these and 9.6 % of
    # the others test positive; 8 of the 103 positives have it: 7.8 %.
    assert updated(0.01, 0.80 / 0.096) == pytest.approx(0.0776, abs=0.0001)
    assert posteriors({"ill": 0.01}, [{"ill": 0.80 / 0.096}])["ill"] == pytest.approx(8 / 103, abs=0.0005)


def test_the_burglar_alarm_example() -> None:
    # Russell and Norvig, Artificial Intelligence, chapter on Bayesian networks (from memory): burglary 0.001,
    # earthquake 0.002; the alarm sounds with 0.94, 0.29 and, with neither, 0.001. P(burglary | alarm) = 0.374,
    # P(earthquake | alarm) = 0.231, and an earthquake that is known of takes burglary back to 0.003.
    alarm = {"burglary": 0.94 / 0.001, "earthquake": 0.29 / 0.001}
    found = posteriors({"burglary": 0.001, "earthquake": 0.002}, [alarm])
    assert found["burglary"] == pytest.approx(0.374, abs=0.002)
    assert found["earthquake"] == pytest.approx(0.231, abs=0.002)
    assert posteriors({"burglary": 0.001, "earthquake": 1.0}, [alarm])["burglary"] == pytest.approx(0.003, abs=0.0005)


@given(PROBABILITIES, SYMPTOMS)
@settings(max_examples=150, deadline=None)
def test_agrees_with_enumerating_every_state(probabilities: dict[str, float], symptoms: list[dict[str, float]]) -> None:
    single = [one for one in symptoms if len(one) == 1]
    shared = [one for one in symptoms if len(one) > 1]
    # One cause alone: the odds times the ratio, which the network gives only where false alarms are rare.
    before = dict(probabilities)
    for symptom in single:
        ((part, ratio),) = symptom.items()
        before[part] = updated(before[part], ratio)
    expected = enumerated(before, shared)
    found = posteriors(probabilities, symptoms)
    assert found == pytest.approx(expected, rel=1e-6, abs=1e-8)


@given(PROBABILITIES, SYMPTOMS, st.randoms())
@settings(max_examples=50, deadline=None)
def test_the_order_of_evidence_does_not_matter(
    probabilities: dict[str, float], symptoms: list[dict[str, float]], dice: object
) -> None:
    mixed = [dict(reversed(one.items())) for one in symptoms]
    dice.shuffle(mixed)  # type: ignore[attr-defined]
    assert posteriors(probabilities, mixed) == posteriors(probabilities, symptoms)


@given(PROBABILITIES, SYMPTOM, st.floats(1.1, 5.0))
@settings(max_examples=100, deadline=None)
def test_more_weight_on_one_cause_raises_it(
    probabilities: dict[str, float], symptom: dict[str, float], more: float
) -> None:
    part = sorted(symptom)[0]
    before = posteriors(probabilities, [symptom])
    after = posteriors(probabilities, [symptom | {part: symptom[part] * more}])
    assert after[part] >= before[part] - 1e-9


@given(PROBABILITIES, st.floats(1.1, 50.0), st.floats(1.1, 5.0))
@settings(max_examples=100, deadline=None)
def test_more_weight_on_one_cause_takes_blame_from_its_rivals(
    probabilities: dict[str, float], ratio: float, more: float
) -> None:
    symptom = {"battery": 300.0, "coil": ratio, "plugs": 40.0}
    before = posteriors(probabilities, [symptom])
    after = posteriors(probabilities, [symptom | {"coil": ratio * more}])
    assert all(after[rival] <= before[rival] + 1e-9 for rival in ("battery", "plugs"))


def test_a_cause_that_is_known_explains_the_symptom_away() -> None:
    misfire = {"coil": 100.0, "plugs": 100.0}
    open_question = posteriors({"coil": 0.1, "plugs": 0.1}, [misfire])
    assert open_question["coil"] == open_question["plugs"] > 0.4
    answered = posteriors({"coil": 0.999, "plugs": 0.1}, [misfire])
    assert answered["plugs"] < 0.15


def test_one_cause_of_two_symptoms_beats_one_cause_for_each() -> None:
    both = [{"pump": 50.0, "coil": 50.0}, {"pump": 50.0, "sensor": 50.0}]
    found = posteriors({"pump": 0.1, "coil": 0.1, "sensor": 0.1}, both)
    assert found["pump"] > 0.8
    assert found["coil"] == pytest.approx(found["sensor"])
    assert found["coil"] < 0.25


def test_a_symptom_is_not_counted_once_for_each_of_its_causes() -> None:
    # Two equal suspects of one symptom cannot both become likely because of it.
    found = posteriors({"coil": 0.05, "plugs": 0.05}, [{"coil": 1000.0, "plugs": 1000.0}])
    assert found["coil"] + found["plugs"] < 1.1
    assert found["coil"] < 0.55 < updated(0.05, 1000.0)


def test_more_symptoms_than_can_be_explained_together_still_give_an_answer() -> None:
    symptoms = [{"coil": 20.0 + n, "plugs": 10.0, "pump": 5.0} for n in range(MOST_SYMPTOMS + 3)]
    found = posteriors({"coil": 0.1, "plugs": 0.1, "pump": 0.1}, symptoms)
    assert found["coil"] > 0.99
    assert all(0.0 < each < 1.0 for each in found.values())


def test_several_sources_of_one_symptom_are_no_product() -> None:
    found = one_symptom([{"coil": 100.0}, {"coil": 100.0}, {"coil": 100.0}])
    assert found["coil"] == pytest.approx(100.0**1.75)
    sources = [{"coil": 4.0}, {"coil": 16.0, "plugs": 2.0}]
    assert one_symptom(sources) == one_symptom(reversed(sources))


def test_a_source_that_leaves_a_part_out_keeps_it_behind() -> None:
    # A code that any of three could have set, and a closer look that names only one of them.
    found = one_symptom([{"coil": 150.0}, {"coil": 100.0, "gasket": 100.0}])
    assert found == pytest.approx({"coil": 1500.0, "gasket": 10.0})


def test_what_several_did_not_see_is_no_product_either() -> None:
    assert one_silence([0.5] * 20) > 0.25
    assert one_silence([0.5, 0.25]) == one_silence([0.25, 0.5]) < 0.25


def test_a_cause_the_car_does_not_have_explains_nothing() -> None:
    assert posteriors({"coil": 0.1}, [{"coil": 9.0, "flap": 900.0}])["coil"] == pytest.approx(0.5)
