"""Among several codes the one to follow first is named, with the reason (common practice of the trade)."""

from __future__ import annotations

import tomllib
from itertools import combinations

import pytest

from obdwatch.errors import InputError
from obdwatch.explanations.code_groups import EVERYTHING, RULES, _among
from obdwatch.explanations.code_table import all_facts
from obdwatch.explanations.codes import follow_first


@pytest.mark.parametrize(
    ("codes", "first", "word"),
    [
        (["P0300", "P0171"], ("P0171",), "lean"),
        (["U0100", "U0121", "U0155", "P0562"], ("P0562",), "voltage"),
        (["P0171", "P0174"], ("P0171", "P0174"), "share"),
        (["P0641", "P0107", "P0122", "P2122"], ("P0641",), "supply"),
        (["P0420", "P0301"], ("P0301",), "catalyst"),
        (["P0128", "P0117"], ("P0117",), "sensor"),
        (["P0302", "P0352"], ("P0352",), "coil"),
        (["P0016", "P0340"], ("P0340",), "sensor"),
        (["P0011", "P0016"], ("P0016",), "chain"),
        (["P0700", "P0741"], ("P0741",), "P0700"),
        (["P0171", "P0524", "P0300"], ("P0524",), "oil pressure"),
        (["P0300", "P0217"], ("P0217",), "Stop"),
        (["P0135", "P0133"], ("P0135",), "heater"),
        (["P0455", "P0457"], ("P0457",), "cap"),
        (["P2106", "P2135"], ("P2135",), "cause"),
        (["U0001", "U0101"], ("U0001",), "wires"),
        (["P0313", "P0300"], ("P0313",), "tank"),
        (["P0172", "P0496"], ("P0496",), "purge"),
    ],
)
def test_the_leading_code(codes: list[str], first: tuple[str, ...], word: str) -> None:
    advice = follow_first(codes)
    assert advice, codes
    assert set(advice[0].follow) == set(first)
    assert word in advice[0].reason


def test_the_order_in_which_codes_are_given_does_not_matter() -> None:
    first, second = follow_first(["P0171", "P0300", "P0420"]), follow_first(["P0420", "P0300", "P0171"])
    assert [(set(item.follow), item.reason) for item in first] == [(set(item.follow), item.reason) for item in second]


V6 = ((1, 2, 3), (4, 5, 6))


def test_neighbours_that_misfire_point_to_the_head_gasket() -> None:
    advice = follow_first(["P0302", "P0303"], V6)
    assert "head gasket" in advice[0].reason
    assert advice[0].follow == ("P0302", "P0303")


def test_cylinders_of_different_banks_are_no_neighbours() -> None:
    assert follow_first(["P0303", "P0304"], V6) == ()
    assert follow_first(["P0301", "P0303"], V6) == ()


def test_a_whole_bank_that_misfires_is_recognised() -> None:
    advice = follow_first(["P0304", "P0305", "P0306"], V6)
    assert "bank 2" in advice[0].reason
    assert follow_first(["P0301", "P0304", "P0305", "P0306"], V6) == ()


def test_without_the_cars_layout_nothing_is_guessed() -> None:
    assert follow_first(["P0302", "P0303"]) == ()


def test_one_bank_alone_gets_no_shared_cause() -> None:
    assert not [item for item in follow_first(["P0171", "P0455"]) if "share" in item.reason]


def test_nothing_is_said_where_nothing_is_known() -> None:
    assert follow_first([]) == ()
    assert follow_first(["P0171"]) == ()
    assert follow_first(["P0171", "p0171"]) == ()
    assert follow_first(["P0455", "P0530"]) == ()


def test_a_malformed_code_is_refused() -> None:
    with pytest.raises(InputError):
        follow_first(["P0171", "oops"])


def test_no_advice_contradicts_itself() -> None:
    """A code is never both to be followed and to wait within one advice, and two rules do not form a circle of two."""
    rules = tomllib.loads(RULES.read_text("utf-8"))
    for name, rule in rules.items():
        assert rule["reason"].endswith("."), name
        for item in [*rule["follow"], *rule["before"]]:
            first, _, last = item.partition("-")
            assert item == EVERYTHING or len(first) == 5, (name, item)
            assert not last or (len(last) == 5 and first < last and first[0] == last[0]), (name, item)


@pytest.mark.parametrize(
    ("one", "other"),
    [("P0171", "P0300"), ("P0562", "U0100"), ("P0301", "P0420"), ("P0117", "P0128"), ("P0335", "P0016")],
)
def test_pairs_have_one_direction(one: str, other: str) -> None:
    for advice in follow_first([one, other]):
        assert other not in advice.follow


def test_no_two_rules_send_the_reader_in_a_circle() -> None:
    """Where one rule puts A before B, no later rule may put B before A; the dangers, which come first always, may."""
    codes = [facts.code for facts in all_facts()]
    rules = tomllib.loads(RULES.read_text("utf-8"))
    sets = {
        name: tuple({code for code in codes if _among(code, rule[side])} for side in ("follow", "before"))
        for name, rule in rules.items()
        if EVERYTHING not in rule["before"]
    }
    circles = [
        (one, other, sorted(sets[one][0] & sets[other][1])[:3], sorted(sets[one][1] & sets[other][0])[:3])
        for one, other in combinations(sets, 2)
        if sets[one][0] & sets[other][1] and sets[one][1] & sets[other][0]
    ]
    assert not circles
