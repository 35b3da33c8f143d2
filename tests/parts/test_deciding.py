"""What would tell most: information against hand-worked numbers, and the shipped table of tests."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.car_profiles import PART_IDS
from obdwatch.errors import InputError
from obdwatch.parts.deciding import Test, deciding_sentence, information_gain, read_tests
from obdwatch.records import Car

SHARES = st.floats(0.0, 1.0)


def a_test(shows: dict[str, float], alarm: float = 0.05, minutes: float = 10.0, name: str = "look") -> Test:
    return Test(name, f"Do {name}", "it tells", shows, alarm, minutes, "assumption: a test", ("Mind it.",))


def test_the_information_of_a_noisy_channel() -> None:
    # A symmetric channel that errs in 11 of 100 cases carries 1 - H(0.11) = 0.5 bit (Shannon 1948; MacKay,
    # Information Theory, chapter 9, from memory: capacity 0.50 at 0.11).
    symmetric = a_test({"coil": 1.0 - 0.11 / 0.89}, alarm=0.11)
    assert information_gain("coil", {"coil": 0.5}, symmetric) == pytest.approx(0.5, abs=0.001)


def test_a_test_that_answers_alike_either_way_tells_nothing() -> None:
    assert information_gain("coil", {"coil": 0.4}, a_test({"coil": 0.0})) == pytest.approx(0.0, abs=1e-12)


@given(SHARES, SHARES, SHARES, SHARES)
@settings(max_examples=150, deadline=None)
def test_a_gain_is_never_negative_nor_more_than_is_unknown(
    worn: float, shown: float, alarm: float, other: float
) -> None:
    gain = information_gain("coil", {"coil": worn, "plugs": other}, a_test({"coil": shown, "plugs": 0.5}, alarm))
    unknown = -sum(p * math.log2(p) for p in (worn, 1.0 - worn) if p > 0.0)
    assert 0.0 <= gain <= unknown + 1e-9


def test_a_rival_that_shows_too_makes_a_test_tell_less() -> None:
    shared = a_test({"coil": 0.9, "plugs": 0.9})
    alone = information_gain("coil", {"coil": 0.4, "plugs": 0.0}, shared)
    assert information_gain("coil", {"coil": 0.4, "plugs": 0.6}, shared) < 0.5 * alone


def test_the_test_that_tells_most_is_named_with_its_caution() -> None:
    weak, strong = a_test({"coil": 0.3}, name="weak"), a_test({"coil": 0.9}, name="strong", minutes=60.0)
    assert deciding_sentence("coil", {"coil": 0.5}, (weak, strong)) == "Do strong: it tells. Mind it."


def test_of_tests_that_tell_nearly_the_same_the_quicker_is_named() -> None:
    quick, slow = a_test({"coil": 0.88}, name="quick", minutes=5.0), a_test({"coil": 0.9}, name="slow", minutes=90.0)
    assert deciding_sentence("coil", {"coil": 0.5}, (slow, quick)).startswith("Do quick")


@pytest.mark.parametrize("sure", [0.0001, 0.9999])
def test_nothing_is_named_where_nothing_would_change(sure: float) -> None:
    assert deciding_sentence("coil", {"coil": sure}, (a_test({"coil": 0.9}),)) == ""


def test_a_car_without_single_coils_is_not_told_to_swap_one() -> None:
    states = dict.fromkeys(PART_IDS, 0.4)
    swap = [test for test in read_tests() if test.id == "swap_coil"]
    seen = {"misfire"}
    assert deciding_sentence("ignition_coil", states, swap, Car(id="a", ignition="distributor"), seen) == ""
    assert deciding_sentence("ignition_coil", states, swap, Car(id="a"), seen) != ""


def test_nobody_is_told_to_follow_a_misfire_that_was_not_seen() -> None:
    states = dict.fromkeys(PART_IDS, 0.1) | {"ignition_coil": 0.5}
    by_hand = [test for test in read_tests() if not test.detector]
    assert "misfires" not in deciding_sentence("ignition_coil", states, by_hand)
    assert "swap the coil" in deciding_sentence("ignition_coil", states, by_hand, None, {"misfire"})


def test_the_shipped_table_has_a_test_for_every_part() -> None:
    tests = read_tests()
    assert len({test.id for test in tests}) == len(tests)
    assert {part for test in tests for part in test.shows} == set(PART_IDS)
    for test in tests:
        assert test.minutes > 0.0
        assert test.origin
        assert test.do[0].isupper()
        assert not test.do.endswith(".")
        assert not test.tells.endswith(".")


@pytest.mark.parametrize("part", PART_IDS)
def test_a_doubtful_part_always_has_something_that_would_decide(part: str) -> None:
    sentence = deciding_sentence(part, dict.fromkeys(PART_IDS, 0.1) | {part: 0.5}, read_tests())
    assert len(sentence) > 40


@pytest.mark.parametrize(
    ("id_", "word"),
    [
        ("swap_coil", "ignition off"),
        ("fuel_pressure", "no flame"),
        ("cooling_pressure", "hot"),
        ("gas_in_coolant", "closed garage"),
        ("drive_pull", "legal"),
        ("starter_drop", "minus off first"),
        ("fan_on", "by themselves"),
        ("throttle_look", "snap shut"),
    ],
)
def test_what_can_hurt_is_said_with_it(id_: str, word: str) -> None:
    assert word in next(test for test in read_tests() if test.id == id_).sentence()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[[test]]\nid = 'x'\n", "'shows' is missing"),
        ("[[test]\n", "cannot be read"),
        (
            "[[test]]\nid='x'\ndo='D'\ntells='t'\nshows={a=2.0}\nalarm=0.1\nminutes=1\norigin='o'\n",
            "shares from 0 to 1",
        ),
        ("[[test]]\nid='x'\ndo='D'\ntells='t'\nshows={}\nalarm=0.1\nminutes=1\norigin='o'\ncautions=['no']\n", "'no'"),
    ],
)
def test_a_wrong_table_is_refused_by_name(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "tests.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message) as error:
        read_tests(path)
    assert str(path) in str(error.value)
