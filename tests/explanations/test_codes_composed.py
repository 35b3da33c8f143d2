"""Every code is explained, and no explanation is silly: no hole, no doubled word, no wrong article, nothing endless."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator

import pytest

from obdwatch.car_profiles import PART_IDS
from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.errors import InputError
from obdwatch.explanations.code_table import component_of, facts_of
from obdwatch.explanations.codes import explain
from obdwatch.explanations.compose import CONDITION
from obdwatch.explanations.explanation import CodeExplanation, Origin
from obdwatch.explanations.naming import place_words
from obdwatch.urgency import Urgency

LONGEST_SENTENCE = 34  # words
LONGEST_TITLE = 120  # signs, about one line


def texts(item: CodeExplanation) -> Iterator[str]:
    yield from (item.title, item.meaning, item.purpose, item.car_does, item.driver_notices, item.may_drive)
    yield from item.cautions
    yield from (cause.text for cause in item.causes)
    yield from item.first_checks
    yield from (live.look_for for live in item.live_data)
    yield from item.confused_with


def everything(items: list[CodeExplanation]) -> Iterator[tuple[str, str]]:
    for item in items:
        yield from ((item.code, text) for text in texts(item) if text)


def test_every_field_is_filled(explained: list[CodeExplanation]) -> None:
    for item in explained:
        for name in ("title", "meaning", "car_does", "driver_notices", "may_drive", "causes", "first_checks"):
            assert getattr(item, name), f"{item.code}: no {name}"
        assert isinstance(item.urgency, Urgency)
        assert item.system, item.code


def test_no_placeholder_is_left(explained: list[CodeExplanation], all_composed: list[CodeExplanation]) -> None:
    assert not [(c, t) for c, t in everything([*explained, *all_composed]) if re.search(r"[{}]|\bNone\b|_", t)]


def test_no_word_is_doubled(explained: list[CodeExplanation], all_composed: list[CodeExplanation]) -> None:
    doubled = re.compile(r"\b(\w+) \1\b", re.IGNORECASE)
    assert not [(c, t) for c, t in everything([*explained, *all_composed]) if doubled.search(t)]


def test_signs_and_spaces_are_right(explained: list[CodeExplanation], all_composed: list[CodeExplanation]) -> None:
    wrong = re.compile(r"  | [,.;:!?)]|\( |\.\.|,,|\(\)|^\s|\s$")
    assert not [(c, t) for c, t in everything([*explained, *all_composed]) if wrong.search(t)]


def test_articles_fit_the_sound(explained: list[CodeExplanation], all_composed: list[CodeExplanation]) -> None:
    wrong = re.compile(
        r"\ba (?=[aeio])(?!one\b|once\b|eu)|\ba (?=un[^i])|\ban (?=[bcdfgjklmnpqrstvwxyz])|\ban (?=uni|use)"
    )
    assert not [(c, t) for c, t in everything([*explained, *all_composed]) if wrong.search(t)]


def test_verbs_agree_with_their_component(all_composed: list[CodeExplanation]) -> None:
    wrong = re.compile(
        r"^The (?:(?!of )\w+ )*(?:sensors|flaps|readings|signals|sensors [A-F] and [A-F]) (?:is|does|has)\b"
    )
    assert not [(c, t) for c, t in everything(all_composed) if wrong.search(t)]
    singular = re.compile(r"^The (?:sensor|valve|pump|relay|switch|lamp|solenoid|motor) (?:are|do|have)\b")
    assert not [(c, t) for c, t in everything(all_composed) if singular.search(t)]


def test_sentences_have_a_bearable_length(explained: list[CodeExplanation]) -> None:
    for code, text in everything(explained):
        for sentence in re.split(r"(?<=[.!?])\s+", text):
            assert len(sentence.split()) <= LONGEST_SENTENCE, (code, sentence)


def test_titles_fit_on_a_line_and_have_no_full_stop(explained: list[CodeExplanation]) -> None:
    for item in explained:
        assert len(item.title) <= LONGEST_TITLE, (item.code, item.title)
        assert not item.title.endswith("."), item.title
        assert item.title[0].isupper() or item.title[0].isdigit(), item.title


def test_sentences_begin_big_and_end_with_a_stop(explained: list[CodeExplanation]) -> None:
    for item in explained:
        for text in (
            item.meaning,
            item.car_does,
            item.driver_notices,
            item.may_drive,
            *item.first_checks,
            *item.cautions,
        ):
            assert text[0].isupper() or text[0].isdigit(), (item.code, text)
            assert text[-1] in ".!?", (item.code, text)


def test_component_and_place_are_named(all_composed: list[CodeExplanation]) -> None:
    for item in all_composed:
        facts = facts_of(item.code)
        assert facts is not None
        place = place_words(facts.place)
        for word in place.split(", ") if place else []:
            assert word in item.title or word.split()[-1] in item.title, (item.code, item.title, place)
        component = component_of(facts.component)
        if facts.fault != CONDITION and component is not None:
            head = component.name.replace("{cam}", facts.place.cam or "").split()[0].lower()
            assert head in item.title.lower(), (item.code, item.title)
        if facts.place.circuit and facts.fault != CONDITION:
            assert re.search(rf"\b{facts.place.circuit.replace('/', ' and ')}\b", item.title), (item.code, item.title)


# Numbers that the standard gives the same meaning, or that differ in a detail that no reader needs.
TWINS = {
    # wheel speed sensors: an older and a newer numbering
    ("C0031", "C0035"), ("C0034", "C0040"), ("C0037", "C0045"), ("C003A", "C0050"),
    # heater circuits of the oxygen sensors: an older and a newer number
    ("P0030", "P0135"), ("P0036", "P0141"), ("P0042", "P0147"),
    ("P0050", "P0155"), ("P0056", "P0161"), ("P0062", "P0167"),
    ("P0505", "P0519"),  # idle air control: the system, and its performance
    ("P0543", "P2605"),  # intake air heater A, open circuit: listed twice
    ("P0618", "P0619"),  # alternative fuel control unit: two kinds of memory
    ("P061A", "P061B"),  # torque: its performance, and its calculation
    ("P0621", "P0623"),  # charge lamp: the terminal, and its control
    ("P062F", "P06B8"),  # permanent memory: two kinds
}  # fmt: skip


def test_no_two_codes_read_the_same(all_composed: list[CodeExplanation]) -> None:
    seen: dict[str, str] = {}
    twins = {
        (seen[item.title], item.code) for item in all_composed if seen.setdefault(item.title, item.code) != item.code
    }
    assert twins == TWINS


def test_parts_and_live_data_exist(explained: list[CodeExplanation], all_composed: list[CodeExplanation]) -> None:
    for item in [*explained, *all_composed]:
        assert {cause.part for cause in item.causes} - {None} <= set(PART_IDS), item.code
        assert {live.key for live in item.live_data} <= set(PARAMETER_BY_KEY), (item.code, item.live_data)


def test_lists_do_not_repeat_themselves(explained: list[CodeExplanation]) -> None:
    for item in explained:
        for several in (item.first_checks, item.confused_with, item.cautions, [cause.text for cause in item.causes]):
            assert len(set(several)) == len(list(several)), item.code


def test_dangerous_systems_send_the_untrained_away(all_composed: list[CodeExplanation]) -> None:
    """High voltage and airbags: no check may ask to measure, bridge, pull or swap there (common practice)."""
    tempting = re.compile(r"\b(measure the|measure supply|bridge|pull (?:its|the)|swap)\b", re.IGNORECASE)
    for item in all_composed:
        component = component_of(item.component or "")
        if component and component.group in ("hybrid", "hybrid_danger", "airbags"):
            assert not [check for check in item.first_checks if tempting.search(check)], item.code
            assert item.cautions, item.code


def test_a_failure_type_byte_is_said_and_does_not_change_the_rest() -> None:
    plain, detailed = explain("P0171"), explain("P0171-1A")
    assert detailed.failure_type is not None
    assert "resistance" in detailed.failure_type.text
    assert dataclasses.replace(detailed, failure_type=None) == plain
    unknown, maker = explain("P0171-EE").failure_type, explain("P0171-F3").failure_type
    assert unknown is not None
    assert "not in our table" in unknown.text
    assert maker is not None
    assert "maker" in maker.text


@pytest.mark.parametrize(
    ("code", "origin", "words"),
    [
        ("P1234", Origin.MAKER, "maker of the car gives this code its meaning"),
        ("P3012", Origin.MAKER, "maker"),
        ("U1123", Origin.MAKER, "data network"),
        ("P0364", Origin.RESERVED, "keeps this number"),
        ("B3000", Origin.RESERVED, "keeps this number"),
        ("P0F77", Origin.UNLISTED, "hybrid"),
        ("C0999", Origin.UNLISTED, "brakes"),
        ("P0986", Origin.COMPOSED, "shift solenoid E"),
        ("P0171", Origin.WRITTEN, "bank 1"),
    ],
)
def test_the_origin_is_honest(code: str, origin: Origin, words: str) -> None:
    item = explain(code)
    assert item.origin is origin
    assert words in item.meaning
    assert item.standard is (origin is not Origin.MAKER)


def test_a_malformed_code_is_refused() -> None:
    with pytest.raises(InputError, match="not a trouble code"):
        explain("P01")
