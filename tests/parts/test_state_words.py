"""The state of a car in one sentence: what needs a decision comes first, and nothing is said that was not seen."""

from __future__ import annotations

from dataclasses import replace

import pytest

from obdwatch.parts.state_words import state_sentence
from obdwatch.records import Finding, PartRisk, Urgency, Verdict

COLD = Finding("warm_up", Verdict.FAULT, "stuck_open", Urgency.NEXT_SERVICE, headline="The engine runs cold.")
HOT = Finding("cooling", Verdict.FAULT, "overheats", Urgency.STOP, headline="The engine overheats.")
WELL = Finding("charging", Verdict.HEALTHY)
OPEN = Finding("misfire", Verdict.NOT_ENOUGH_DATA)
WORN = PartRisk("thermostat", 0.3, 0.9, {1000: 0.1, 5000: 0.2, 10_000: 0.3}, 170_000.0, True)
SOUND = replace(WORN, part="battery", degraded=0.1)


@pytest.mark.parametrize(
    ("said", "risks", "told"),
    [
        ((WELL,), (SOUND,), "Nothing that was seen points to a worn part."),
        (
            (WELL, OPEN),
            (SOUND,),
            "Nothing that was seen points to a worn part, though the newest drive could not answer every question.",
        ),
        (
            (WELL,),
            (WORN, SOUND),
            "What was seen speaks for wear of the thermostat (90%); the newest drive itself shows no fault.",
        ),
        ((COLD,), (SOUND,), "The engine runs cold: it can wait until the next service."),
        (
            (COLD, HOT, WELL),
            (WORN,),
            "The engine overheats: stop driving until it is put right; the newest drive shows 1 more fault;"
            " what was seen speaks for wear of the thermostat (90%).",
        ),
    ],
)
def test_the_state_of_a_car(said: tuple[Finding, ...], risks: tuple[PartRisk, ...], told: str) -> None:
    assert state_sentence(said, risks) == told


def test_many_worn_parts_are_counted_and_not_all_named() -> None:
    worn = [replace(WORN, part=part) for part in ("thermostat", "battery", "alternator", "starter_motor", "fuel_pump")]
    told = state_sentence((WELL,), worn)
    assert "thermostat (90%), battery (90%), alternator (90%) and 2 more parts" in told
