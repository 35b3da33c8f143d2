"""Searching by what the driver notices; which codes are usual is common practice of the trade."""

from __future__ import annotations

import pytest

from obdwatch.explanations.code_search import search
from obdwatch.explanations.code_table import RESERVED, facts_of
from obdwatch.explanations.symptoms import suspects, symptoms


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        ("car shakes at idle", {"P0300", "P0171"}),
        ("engine vibrates when idling", {"P0300", "P0171"}),
        ("battery light", {"P0562", "P0620"}),
        ("charging lamp on", {"P0562", "P0620"}),
        ("smell of petrol", {"P0455", "P0457", "P0442"}),
        ("stinks of fuel", {"P0455", "P0457", "P0442"}),
        ("loses power uphill", {"P0087", "P0299", "P0171"}),
        ("no power when towing", {"P0087", "P0299", "P0171"}),
        ("overheating", {"P0217", "P0480"}),
        ("engine boils in traffic", {"P0217", "P0480"}),
        ("hard to start when hot", {"P0335", "P0496"}),
        ("airbag lamp", {"B0001", "U0151"}),
        ("rough when cold", {"P0300", "P0171"}),
        ("jerks on motorway", {"P0300", "P0087", "P0741"}),
        ("fuel cap", {"P0457"}),
        ("heater blows cold", {"P0128"}),
        ("gearbox slips", {"P0730", "P0741"}),
        ("engine cuts out", {"P0335"}),
        ("rotten egg smell", {"P0420"}),
        ("check engine light flashing", {"P0300"}),
        ("turbo whistle", {"P0299"}),
        ("no heat", {"P0128"}),
        ("car wont start", {"P0335"}),
    ],
)
def test_what_an_owner_types_leads_to_the_usual_codes(words: str, meant: set[str]) -> None:
    assert meant <= {hit.code for hit in search(words, limit=5)}


def test_a_part_that_is_named_comes_before_what_it_might_do() -> None:
    assert all("nock sensor" in hit.title for hit in search("knock sensor", limit=5))
    assert "Transmission" in search("transmission overheating")[0].title


def test_a_circumstance_alone_is_no_complaint() -> None:
    assert suspects(["cold"]) is None
    assert suspects(["motorway"]) is None


def test_a_circumstance_changes_the_order() -> None:
    def first(words: list[str]) -> str:
        found = suspects(words)
        assert found is not None
        return max(found.scores, key=lambda code: found.scores[code])

    assert first(["overheats"]) == "P0217"
    assert first(["overheats", "traffic"]) == "P0480"


def test_every_symptom_names_codes_that_we_explain() -> None:
    for symptom in symptoms():
        assert symptom.words
        assert all(symptom.words)
        for code in symptom.codes:
            facts = facts_of(code)
            assert facts is not None, code
            assert facts.fault != RESERVED, code
        assert len(symptom.codes) == len(set(symptom.codes))
