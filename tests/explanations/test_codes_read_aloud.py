"""Classes of flaws that readers of random codes found: each must not come back, in any code.

What is right here is common practice of the trade unless a line says otherwise.
"""

from __future__ import annotations

import re

import pytest

from obdwatch.explanations.check_lists import words_of
from obdwatch.explanations.code_table import Component, component_of, facts_of
from obdwatch.explanations.codes import explain
from obdwatch.explanations.compose import table_of_cautions
from obdwatch.explanations.due_cautions import DUE_CAUTIONS, cautions_due
from obdwatch.explanations.explanation import CodeExplanation, Origin
from obdwatch.explanations.toml_sections import sections, text_of
from obdwatch.urgency import Urgency

SENTENCE = re.compile(r"(?<=[.!?])\s+")
# A fault of the wiring, by the words of the standard: circuit, open, low, high, electrical, intermittent.
ELECTRICAL = {
    "circuit",
    "circuit_open",
    "open",
    "low",
    "high",
    "electrical",
    "shorted",
    "intermittent",
    "circuit_or_low",
}
OF_WIRING = re.compile(
    r"wir|plug|fuse|contact|short|supply|ground|relay|cable|corro|coil|loom|pin\b|broken|switch|lamp|terminal|voltage"
    r"|solenoid|motor has failed|heater|voltage|control unit|burnt",
    re.IGNORECASE,
)
DRIVEN = {"driven", "heater", "relay"}
ALSO_BLOCKED = {"P0446"}  # named a circuit fault, but cars set it for a blocked vent as well


def component(item: CodeExplanation) -> Component | None:
    facts = facts_of(item.code)
    return component_of(facts.component) if facts else None


def sentences(item: CodeExplanation) -> list[str]:
    return [sentence for check in item.first_checks for sentence in SENTENCE.split(check)]


def test_hands_near_a_running_engine_are_warned_of_belts(explained: list[CodeExplanation]) -> None:
    by_hand = re.compile(
        r"\b(?:lift|listen|bend|tap|pull)\b.*\b(?:at (?:warm )?idle|engine running)\b|^at idle lift\b", re.I
    )
    found = [item for item in explained if any(by_hand.search(text) for text in sentences(item))]
    assert {"P0171", "P04DB", "P0507"} <= {item.code for item in found}
    for item in found:
        assert any("belts and fans" in caution for caution in item.cautions), item.code


def test_a_fan_is_turned_by_hand_only_with_its_fuse_pulled(explained: list[CodeExplanation]) -> None:
    """A radiator fan can start by itself, even with the key out."""
    by_hand = re.compile(r"\b(?:blades|fan|it)\b[^.?]*\bturn(?:ed)?\b (?:freely|by hand)", re.IGNORECASE)
    found = [(item.code, text) for item in explained for text in sentences(item) if by_hand.search(text)]
    assert {"P0483", "P0528", "P0696"} <= {code for code, _ in found}
    for code, text in found:
        assert "fuse pulled" in text, (code, text)


@pytest.mark.parametrize(
    ("check", "caution"),
    [
        ("Lift the oil cap at idle.", "moving_parts"),
        ("Measure this injector and compare it with the others.", "injector_voltage"),
        ("Change the fuel filter if it is due.", "fuel_vapour"),
        ("Look at the spark plugs.", "ignition_voltage"),
        ("Look for exhaust leaks before the sensor.", "hot_exhaust"),
        ("Look at the fuel cooler under the car.", "stands"),
    ],
)
def test_what_a_check_asks_for_brings_its_caution(check: str, caution: str) -> None:
    assert cautions_due([check]) == (caution,)


def test_a_reading_alone_brings_no_caution() -> None:
    assert cautions_due(["Record the fuel trims at idle and at 2,500 rpm.", "Look for codes of spark plugs."]) == ()


def test_due_cautions_are_cautions_that_exist() -> None:
    assert {name for name, _ in sections(text_of(DUE_CAUTIONS))} <= set(table_of_cautions())


def test_cautions_are_said_once(explained: list[CodeExplanation]) -> None:
    for item in explained:
        assert len(item.cautions) == len(set(item.cautions)), item.code


def test_a_wiring_fault_of_a_driven_part_first_blames_wiring_or_coil(explained: list[CodeExplanation]) -> None:
    """Dirt, wear and fluid do not change the voltage on a wire."""
    for item in explained:
        facts, part = facts_of(item.code), component(item)
        if not facts or not part or item.code in ALSO_BLOCKED:
            continue
        if part.kind in DRIVEN and part.group != "airbags" and facts.fault in ELECTRICAL:
            assert OF_WIRING.search(item.causes[0].text), (item.code, item.causes[0].text)


@pytest.mark.parametrize("code", ["P0447", "P0448", "P0498", "P0499", "P0508", "P0744", "P0748", "P0778", "P0842"])
def test_electrical_members_of_a_family_do_not_begin_with_dirt_or_fluid(code: str) -> None:
    first = explain(code).causes[0].text
    assert not re.search(r"\bdirt\b|\bdust\b|\bold\b|\bstuck\b", first), first


def test_the_mechanical_members_of_those_families_still_do() -> None:
    assert "stuck" in explain("P0446").causes[0].text
    assert "dirt" in explain("P0505").causes[0].text
    assert "fluid" in explain("P0741").causes[0].text


def test_pressure_that_reads_high_is_not_put_down_to_lost_gas() -> None:
    assert not any("too little" in cause.text for cause in explain("P0533").causes)
    assert "too little" in explain("P0532").causes[0].text


def test_the_resistance_of_a_fast_network_is_not_asked_of_a_slow_one() -> None:
    """ISO 11898-2 ends a fast network with two times 120 ohms; the slow, fault-tolerant one (ISO 11898-3) is ended in
    each unit, so that no one value holds (both from memory).
    """
    assert any("about 60 ohms" in check for check in explain("U0028").first_checks)
    for number in range(0x19, 0x28):
        item = explain(f"U00{number:02X}")
        if "slow" in item.title:
            assert not any("about 60 ohms" in check for check in item.first_checks), item.code


def test_only_the_drivers_front_airbag_blames_the_steering_wheel(explained: list[CodeExplanation]) -> None:
    for item in explained:
        if item.code.startswith("B00"):
            blames = any("steering wheel" in cause.text for cause in item.causes)
            assert blames == item.title.startswith("Driver's front airbag"), item.code


def test_the_battery_is_blamed_once(all_composed: list[CodeExplanation]) -> None:
    for item in all_composed:
        blaming = [text for text in item.confused_with if re.search(r"\b[Bb]attery\b|\blow voltage\b", text)]
        assert len(blaming) <= 1, (item.code, blaming)


def test_a_background_sentence_stands_alone(explained: list[CodeExplanation]) -> None:
    for item in explained:
        if item.origin is Origin.WRITTEN:
            assert not re.match(r"(?:It|They|Its)\b", item.purpose), (item.code, item.purpose)
    assert explain("P0171").purpose.startswith("The mixture is")


def test_supplies_are_spoken_of_as_voltages(all_composed: list[CodeExplanation]) -> None:
    for item in all_composed:
        part = component(item)
        if part and part.kind == "feed":
            assert "voltage" in item.meaning, (item.code, item.meaning)
            assert not any("sends" in cause.text or "other end" in cause.text for cause in item.causes) or (
                item.title.endswith("broken circuit")
            ), item.code


def test_an_air_temperature_sensor_does_not_promise_an_uneven_idle() -> None:
    for code in ("P00AA", "P0095", "P0112"):
        assert "neven idle" not in explain(code).driver_notices


def test_a_cylinders_own_timing_code_points_to_its_injector() -> None:
    item = explain("P020F")
    assert "injector of cylinder 6" in item.causes[0].text
    assert not any("belt" in cause.text for cause in item.causes)


def test_what_comes_and_goes_is_a_loose_contact_first(explained: list[CodeExplanation]) -> None:
    contact = re.compile(r"plug|wire|cable|contact|loose|corro")
    for item in explained:
        facts = facts_of(item.code)
        if facts and facts.fault.startswith("intermittent"):
            assert contact.search(item.causes[0].text), (item.code, item.causes[0].text)


def test_nothing_is_confused_with_the_same_thing_twice(all_composed: list[CodeExplanation]) -> None:
    for item in all_composed:
        said = [words_of(text) for text in item.confused_with]
        for index, mine in enumerate(said):
            for theirs in said[:index]:
                assert len(mine & theirs) < 0.7 * min(len(mine), len(theirs)), (item.code, item.confused_with)


@pytest.mark.parametrize(
    ("code", "never"),
    [("P2419", "cap"), ("P053A", "oil cap"), ("P001E", "oil level"), ("P041D", "Soot"), ("P2767", "luid is")],
)
def test_a_wiring_fault_is_not_first_looked_for_in_wear(code: str, never: str) -> None:
    item = explain(code)
    assert "plug" in item.first_checks[0]
    assert not any(never in text for text in (item.first_checks[0], *item.confused_with))


def test_who_only_asks_is_not_warned_of_what_he_does_not_touch() -> None:
    assert explain("U0324").cautions == ()
    assert any("refrigerant" in text or "air conditioning" in text for text in explain("P0532").cautions)


def test_a_brake_booster_that_does_not_help_is_tested_by_foot_and_not_driven() -> None:
    item = explain("C0021")
    assert item.urgency is Urgency.STOP
    assert "sink" in item.first_checks[0]


def test_a_result_is_not_spoken_of_as_a_worn_part() -> None:
    for code in ("P0C19", "P207F", "P0C32"):
        assert not any("stuck" in cause.text or "blockage" in cause.text for cause in explain(code).causes), code
