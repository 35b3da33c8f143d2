"""The questions of the guided inspection: fit to be read by anybody, safe to follow, with numbers that are shares."""

from __future__ import annotations

import warnings
from pathlib import Path

import pytest

from obdwatch.car_profiles import PART_IDS
from obdwatch.errors import InputError
from obdwatch.parts.inspection_questions import SHIPPED, Engine, Question, read_questions
from obdwatch.records import Car

with warnings.catch_warnings():  # it imports pkg_resources, which warns that it is old
    warnings.simplefilter("ignore")
    import textstat  # type: ignore[import-untyped]

QUESTIONS = tuple(read_questions().by_id.values())

# What a careful workshop looks for (common practice), each as question ids of which one at least speaks for the part.
SIGNS_OF_THE_TRADE = {
    "thermostat": {"heater_lukewarm", "lower_hose_warm"},
    "coolant_pump": {"pump_trace", "pump_rumbles", "coolant_smell"},
    "oil_filter_housing_gasket": {"oil_down_the_block", "oil_on_belt"},
    "cam_timing_solenoid_intake": {"flat_at_the_top", "cold_idle_uneven"},
    "cam_timing_solenoid_exhaust": {"flat_at_the_top", "cold_idle_uneven"},
    "intake_flap_actuator": {"flaps_tick", "weak_low_revs"},
    "starter_motor": {"starter_drags"},
    "alternator": {"battery_lamp", "alternator_whines"},
    "drive_belt": {"belt_cracks", "belt_squeals", "oil_on_belt"},
    "valve_cover_gasket": {"valve_cover_wet", "oil_smell_inside", "oil_in_plug_wells"},
    "crankcase_ventilation": {"whistle_at_idle", "oil_cap_hard", "oil_filler_blows"},
    "spark_plugs": {"plugs_worn"},
    "ignition_coil": {"coil_boot"},
    "fuel_pump": {"fuel_pump_whines", "cranks_long_hot"},
    "intake_leak": {"hiss_at_intake"},
    "radiator_fan": {"fan_stays_still"},
    "catalytic_converter": {"catalyst_rattles"},
    "exhaust_leak": {"exhaust_ticks"},
    "head_gasket": {"white_smoke", "cream_under_cap"},
    "throttle_body": {"hesitates"},
}


@pytest.mark.parametrize(("part", "ids"), SIGNS_OF_THE_TRADE.items())
def test_signs_of_the_trade_are_asked_for_and_marked_common_practice(part: str, ids: set[str]) -> None:
    by_id = read_questions().by_id
    for name in ids:
        assert part in by_id[name].yes_if_degraded, name
        assert by_id[name].fact == "common practice"


def test_every_part_is_asked_about_twice_and_those_no_drive_can_show_more_often() -> None:
    count = {part: sum(part in one.yes_if_degraded for one in QUESTIONS) for part in PART_IDS}
    assert min(count.values()) >= 2
    assert min(count["oil_filter_housing_gasket"], count["valve_cover_gasket"]) >= 4


@pytest.mark.parametrize("one", QUESTIONS, ids=lambda one: one.id)
def test_numbers_are_shares_with_an_origin_and_a_yes_speaks_for_wear(one: Question) -> None:
    assert 0.0 < one.yes_if_sound < 1.0
    assert all(one.yes_if_sound < worn < 1.0 for worn in one.yes_if_degraded.values())
    assert set(one.origins) == {"sound", *one.yes_if_degraded}
    assert all(origin.split(":")[0] in {"source", "common practice", "assumption"} for origin in one.origins.values())
    assert one.fact.startswith("common practice")


@pytest.mark.parametrize("one", QUESTIONS, ids=lambda one: one.id)
def test_question_is_one_short_plain_sentence(one: Question) -> None:
    """Flesch-Kincaid grade by textstat: 8 is what a grown-up without training reads with ease (common practice)."""
    assert textstat.sentence_count(one.text) == 1
    assert one.text.endswith("?")
    assert textstat.lexicon_count(one.text) <= 16
    assert textstat.flesch_kincaid_grade(one.text) <= 8.0
    assert textstat.flesch_kincaid_grade(one.look) <= 9.0
    assert all(textstat.flesch_kincaid_grade(caution) <= 9.0 for caution in one.cautions)
    assert one.sign[0].islower()
    assert not one.sign.endswith(".")


@pytest.mark.parametrize("one", QUESTIONS, ids=lambda one: one.id)
def test_whoever_can_be_hurt_is_warned(one: Question) -> None:
    """The usual cautions (common practice): exhaust gas, belts and fans, hot coolant, high voltage, jacks."""
    said = " ".join(one.cautions).lower()
    words = f"{one.text} {one.look}".lower()
    if one.engine is Engine.RUNNING or (one.engine is Engine.COLD_START and one.id != "fuel_pump_whines"):
        assert "closed garage" in said
        assert "handbrake" in said
        if one.place not in {"seat", "rear"}:
            assert "fan can start" in said
            assert "belt" in said
    if one.engine is Engine.COLD_OFF and one.place in {"front", "side"}:
        assert "key out" in said
    if one.place == "ground":
        assert "stands" in said
    if "coolant" in words and "tank" in words:
        assert "never open a hot cooling system" in said
    if one.engine is Engine.COLD_OFF and any(
        word in words for word in (" coil", "plug well", "spark plug", "plug lead")
    ):
        assert "voltage" in said
    if "exhaust" in words and one.engine is not Engine.REMEMBERED and one.place in {"ground", "side", "rear"}:
        assert "burns" in said
    if "battery" in words and one.engine is Engine.COLD_OFF:
        assert "explodes" in said


def test_question_is_left_out_where_the_car_has_no_such_thing() -> None:
    by_id = read_questions().by_id
    electric, belt, unknown = Car("a", coolant_pump="electric"), Car("a", coolant_pump="belt"), Car("a")
    assert not by_id["pump_play"].fits(electric)
    assert by_id["pump_play"].fits(belt)
    assert by_id["pump_play"].fits(unknown)
    assert by_id["pump_play"].fits(None)
    assert not by_id["coil_boot"].fits(Car("a", ignition="distributor"))
    assert by_id["plug_leads"].fits(Car("a", ignition="distributor"))
    assert not by_id["flap_lever_loose"].fits(Car("a", intake_flaps=False))


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('engine = "remembered"', 'engine = "hot"', "engine is 'hot'"),
        ('place = "seat"', 'place = "roof"', "place is 'roof'"),
        ("yes_if_sound = 0.06", "yes_if_sound = 1.0", "without either: nothing is certain"),
        ("yes_if_degraded = 0.6,", "yes_if_degraded = 0.01,", "must be above yes_if_sound"),
        ("parts.thermostat", "parts.thermostate", "no part is called 'thermostate'"),
        ('cautions = ["road"]', 'cautions = ["rode"]', "cautions must be a list of"),
        ('fact = "common practice"', 'fact = "a friend"', "fact must begin with"),
        ("minutes = 1", "minuts = 1", "has no key 'minuts'"),
        ('id = "hot_in_traffic"', 'id = "heater_lukewarm"', "two questions have the id"),
        ("no_km = 8000.0", 'no_km = "far"', "no_km must be a number"),
    ],
)
def test_slip_in_the_file_is_named_with_its_question_and_key(tmp_path: Path, old: str, new: str, told: str) -> None:
    text = SHIPPED.read_text("utf-8")
    assert old in text
    path = tmp_path / "inspection.toml"
    path.write_text(text.replace(old, new, 1), "utf-8")
    with pytest.raises(InputError) as refused:
        read_questions(path)
    assert str(path) in str(refused.value)
    assert told in str(refused.value)


def test_file_that_is_none_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_questions(tmp_path / "absent.toml")
