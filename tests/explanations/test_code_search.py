"""Searching by words finds what people mean, best first."""

from __future__ import annotations

import pytest

from obdwatch.errors import InputError
from obdwatch.explanations.codes import search


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ("cam timing", "P0011"),
        ("thermostat", "P0128"),
        ("too lean", "P0171"),
        ("random misfire", "P0300"),
        ("misfire cylinder 3", "P0303"),
        ("catalyst bank 2", "P0430"),
        ("MAF low", "P0102"),
        ("O2 sensor heater bank 1 sensor 2", "P0141"),
        ("oil pressure", "P0524"),
        ("EGR insufficient", "P0401"),
        ("fuel cap", "P0457"),
        ("coolant temperature sensor", "P0115"),
        ("ABS no data", "U0121"),
        ("crankshaft sensor", "P0335"),
        ("knock sensor", "P0325"),
        ("turbo underboost", "P0299"),
        ("DPF soot", "P2463"),
        ("P0171", "P0171"),
        ("misfire 3", "P0303"),
        ("knock sensor 2", "P0330"),
        ("airbag stage 2", "B0002"),
    ],
)
def test_the_code_meant_is_among_the_first(words: str, code: str) -> None:
    assert code in [hit.code for hit in search(words, limit=12)]


def test_every_word_must_be_found() -> None:
    assert all("bank 2" in hit.title for hit in search("oxygen sensor bank 2 slow"))
    assert search("oxygen sensor zeppelin") == ()


def test_hits_are_ranked_and_limited() -> None:
    hits = search("sensor", limit=7)
    assert len(hits) == 7
    assert [hit.score for hit in hits] == sorted((hit.score for hit in hits), reverse=True)


@pytest.mark.parametrize("words", ["", "   ", "the of", "!?"])
def test_a_search_without_words_is_refused(words: str) -> None:
    with pytest.raises(InputError, match="nothing to search for"):
        search(words)
