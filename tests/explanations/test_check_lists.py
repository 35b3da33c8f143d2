"""No explanation asks for the same look twice, in the same words or in others."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdwatch.explanations.check_lists import without_repeats, words_of
from obdwatch.explanations.explanation import CodeExplanation, Origin


@pytest.mark.parametrize(
    ("checks", "kept"),
    [
        (["Check its fuse.", "Check fuse and relay."], ["Check fuse and relay."]),
        (
            ["Check fuse, relay and plugs of the heater.", "Check its fuse. Look at plug and wires: loose?"],
            ["Check fuse, relay and plugs of the heater.", "Look at plug and wires: loose?"],
        ),
        (["Look for leaks.", "Look for leaks."], ["Look for leaks."]),
        (["Measure the ground.", "Look at the ground."], ["Measure the ground."]),
        (["Was it worked on? Look there first.", "Listen."], ["Was it worked on? Look there first.", "Listen."]),
        (["Measure the supply.", "Check the fuse."], ["Measure the supply.", "Check the fuse."]),
        ([], []),
    ],
)
def test_what_another_sentence_says_already_goes(checks: list[str], kept: list[str]) -> None:
    assert list(without_repeats(checks)) == kept


@given(st.lists(st.sampled_from(["Check the fuse.", "Check fuse and relay.", "Listen.", "Look at the plug.", "Look."])))
def test_nothing_is_lost_and_nothing_is_said_twice(checks: list[str]) -> None:
    kept = without_repeats(checks)
    assert without_repeats(kept) == kept
    said = [words_of(check) for check in kept]
    for check in checks:
        assert any(words_of(check) <= words for words in said)


def test_no_explanation_repeats_a_check(explained: list[CodeExplanation]) -> None:
    for item in explained:
        if item.origin in (Origin.COMPOSED, Origin.WRITTEN):
            sentences = [words_of(check) for check in item.first_checks if words_of(check)]
            assert len(set(sentences)) == len(sentences), (item.code, item.first_checks)
            assert item.origin is Origin.WRITTEN or without_repeats(item.first_checks) == item.first_checks, item.code
