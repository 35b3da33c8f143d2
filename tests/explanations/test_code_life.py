"""The life of a code against 40 CFR 86.010-18, as collected in the project's reference notes, section D."""

from __future__ import annotations

import pytest

from obdwatch.decoding.readiness import decode_readiness
from obdwatch.explanations import code_life
from obdwatch.explanations.code_life import STAGES, clears_after, is_warm_up, life_stage, readiness_words
from obdwatch.records import CodeKind
from tests.shared_data import shared


def test_figures_are_those_of_the_rule() -> None:
    """Lamp off after 3 clean cycles, code dropped after >= 40 warm-ups, warm-up: +22 K to >= 71 degC."""
    notes = " ".join(shared("reference/README.md").read_text("utf-8").split())
    assert f"lamp off after {code_life.CLEAN_DRIVES_TO_LAMP_OFF} clean cycles" in notes
    assert f"erased after >= {code_life.WARM_UPS_TO_DROP} warm-ups" in notes
    assert f"up by >= {code_life.WARM_UP_RISE_K:.0f} K to >= {code_life.WARM_UP_REACHES_DEGC:.0f} degC" in notes


@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_says_meaning_next_step_and_source(stage: str) -> None:
    told = life_stage(stage)
    for text in (told.meaning, told.next):
        assert text.endswith("."), stage
    assert "86.010-18" in told.source


def test_every_memory_of_the_car_has_a_stage() -> None:
    for kind in CodeKind:
        assert life_stage(kind.value).meaning


def test_texts_state_the_figures() -> None:
    stored = life_stage("stored")
    assert "3 clean drives" in stored.next
    assert "40 warm-ups" in stored.next
    assert "nobody can erase" in life_stage("permanent").meaning
    assert "readiness" in life_stage("erasing").meaning
    assert "Permanent codes stay" in life_stage("erasing").meaning


def test_an_unknown_stage_is_an_error_of_the_caller() -> None:
    with pytest.raises(KeyError):
        life_stage("sleeping")


@pytest.mark.parametrize(
    ("start", "end", "counts"),
    [(20, 90, True), (49, 71, True), (50, 71, False), (20, 70.9, False), (80, 95, False), (-20, 71, True)],
)
def test_what_counts_as_a_warm_up(start: float, end: float, counts: bool) -> None:
    assert is_warm_up(start, end) is counts


def test_what_a_code_still_needs() -> None:
    assert "3 more clean drives" in clears_after("stored")
    assert "1 more clean drive." in clears_after("stored", clean_drives=2)
    assert "28 more warm-ups" in clears_after("stored", clean_drives=3, warm_ups=12)
    assert "may be out" in clears_after("stored", clean_drives=5)
    assert "self-check" in clears_after("permanent", 10, 100)
    assert "one clean drive" in clears_after("pending")


def test_readiness_of_the_worked_example() -> None:
    """81 07 65 04: catalyst, evaporative, oxygen sensor and heater supported; evaporative not complete."""
    told = readiness_words(decode_readiness(bytes.fromhex("81076504"), 0.0, None))
    assert "1 of 7" in told[0]
    assert "evaporative system" in told[0]
    assert "catalyst" not in told[0]
    assert "inspections" in told[1]


def test_readiness_when_all_has_run_and_when_nothing_is_known() -> None:
    assert "All 7" in readiness_words(decode_readiness(bytes.fromhex("00076500"), 0.0, None))[0]
    assert readiness_words(decode_readiness(bytes.fromhex("00040000"), 0.0, None))[0].startswith("Its one self-check")
    assert "no self-checks" in readiness_words(decode_readiness(bytes.fromhex("00000000"), 0.0, None))[0]
