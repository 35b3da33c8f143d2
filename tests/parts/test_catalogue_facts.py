"""The shipped catalogue: complete, in plain words, and in agreement with what is known outside of it.

Life figures are compared with ranges printed in popular repair guides. Those are of weak authority: they name neither
cars nor failures, and mix what is replaced by the book with what breaks; so only the middle of the shipped life is held
to them. Facts marked "common practice" have no published source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from scipy.stats import weibull_min

from obdwatch.car_profiles import PART_IDS
from obdwatch.explanations.part_names import PART_NAMES
from obdwatch.parts.catalogue import SHIPPED, catalogue_for, read_catalogue, shipped_document
from obdwatch.parts.catalogue_values import ORIGINS
from obdwatch.parts.part import Life, Part
from obdwatch.planning.access import opened_for
from obdwatch.records import Car
from obdwatch.units import KM_PER_MILE

CATALOGUE = read_catalogue()
PARTS = CATALOGUE.parts
THOUSAND_MILES = 1_000 * KM_PER_MILE

# Popular repair guides, weak authority, thousand miles; plugs by type, battery 3 to 5 years at 12,000 miles a year.
# Coils and oxygen sensors from memory.
PUBLISHED = {
    ("spark_plugs", "copper"): (20, 40),
    ("spark_plugs", "platinum"): (60, 100),
    ("spark_plugs", "iridium"): (100, 100),
    ("coolant_pump", ""): (60, 100),
    ("thermostat", ""): (60, 75),
    ("drive_belt", ""): (40, 100),
    ("starter_motor", ""): (80, 100),
    ("alternator", ""): (40, 150),
    ("fuel_pump", ""): (70, 90),
    ("fuel_injector", ""): (100, 100),
    ("catalytic_converter", ""): (100, 100),
    ("battery", ""): (36, 60),
    ("ignition_coil", ""): (80, 120),
    ("oxygen_sensor_upstream", ""): (100, 100),
}
ROUNDED = 1.1  # a single printed figure is a round one


def part_of(name: str, plug_type: str = "") -> Part:
    return catalogue_for(Car("a", plug_type=plug_type or None), CATALOGUE).parts[name]


def lives() -> Iterator[tuple[str, Life]]:
    for part in PARTS.values():
        yield part.id, part.onset
        yield part.id, part.to_failure
        for variant in part.variants:
            yield from ((part.id, change) for change in variant.changes.values() if isinstance(change, Life))


def texts(part: Part) -> list[str]:
    lists = [*part.fitting, *part.cautions, *part.after_fitting]
    return [part.fails_by, part.consequence, part.quality, part.first_drive_check, *lists]


def test_every_part_id_is_there_by_the_name_a_reader_knows() -> None:
    assert tuple(PARTS) == PART_IDS
    assert {part.id: part.name for part in PARTS.values()} == dict(PART_NAMES)


def test_no_table_is_described_in_two_files() -> None:
    headers = [
        line
        for file in SHIPPED.glob("*.toml")
        for line in file.read_text("utf-8").splitlines()
        if re.match(r"\[(part|step|extra)\.\w+\]$", line)
    ]
    assert len(headers) == len(set(headers)) > 60


@pytest.mark.parametrize("name", PART_IDS)
def test_every_part_is_told_in_full(name: str) -> None:
    part = PARTS[name]
    assert all(texts(part))
    assert part.fitting
    assert part.cautions
    assert part.after_fitting
    assert part.price > 0
    assert part.hours > 0
    assert part.breakdown_cost > 0
    assert part.damage_cost > 0
    assert all(text[0].isupper() and text[-1] == "." for text in texts(part)), texts(part)


def test_every_step_and_everything_to_buy_is_needed_by_some_part() -> None:
    shipped = shipped_document().table
    turbo = catalogue_for(Car("a", induction="turbo"), CATALOGUE)
    assert set(turbo.steps) == set(shipped["step"])
    assert {extra.id for part in PARTS.values() for extra in part.extras} == set(shipped["extra"])


def test_steps_stand_after_those_they_need() -> None:
    """The message about a circle rests on it: the first need that goes forward is not a shipped one."""
    order = list(shipped_document().table["step"])
    for name, step in shipped_document().table["step"].items():
        assert all(order.index(before) < order.index(name) for before in step.get("needs", ())), name


def test_every_shared_sentence_is_used() -> None:
    used = " ".join(file.read_text("utf-8").split("[sentence]")[0] for file in SHIPPED.glob("*.toml"))
    assert [name for name in shipped_document().table["sentence"] if f'"{name}"' not in used] == []


def test_every_life_says_where_it_is_from() -> None:
    found = list(lives())
    assert len(found) >= 2 * len(PART_IDS)
    for name, life in found:
        assert life.origin.startswith(ORIGINS), name
        assert "source:" not in life.origin or "weak authority" in life.origin, name


@pytest.mark.parametrize(("name", "plug_type"), PUBLISHED)
def test_lives_lie_in_the_published_ranges(name: str, plug_type: str) -> None:
    """Parts are replaced between first signs and failure: that stretch must meet the printed range in its middle."""
    low, high = PUBLISHED[name, plug_type]
    part = part_of(name, plug_type)
    first_signs = weibull_min.median(part.onset.shape, scale=part.onset.scale_km)
    failure = sum(weibull_min.mean(life.shape, scale=life.scale_km) for life in (part.onset, part.to_failure))
    assert first_signs <= high * ROUNDED * THOUSAND_MILES
    assert failure >= low * THOUSAND_MILES
    assert first_signs >= low / 2 * THOUSAND_MILES
    assert failure <= high * 1.5 * THOUSAND_MILES


def test_the_one_departure_from_the_printed_ranges_says_so() -> None:
    """Guides name 30,000 to 40,000 miles for a ventilation valve; a diaphragm built into the engine is taken longer."""
    onset = PARTS["crankcase_ventilation"].onset
    assert weibull_min.median(onset.shape, scale=onset.scale_km) > 40 * THOUSAND_MILES
    assert onset.origin.startswith("assumption:")
    assert "30,000 to 40,000 miles" in onset.origin


def test_wear_parts_wear_out() -> None:
    """A shape from 1 to 4 is wear-out (NIST/SEMATECH e-Handbook, 8.1.6.2: above 1 the failure rate rises)."""
    assert all(1.0 < part.onset.shape <= 4.0 for part in PARTS.values())
    assert all(1.0 <= life.shape <= 4.0 for _, life in lives())


def test_a_wear_review_is_due_at_100_000_miles() -> None:
    """Common practice: from there on wear parts give out, so first signs come neither long before nor long after."""
    at = 100 * THOUSAND_MILES
    reviewed = [
        part for part in PARTS.values() if "100,000 miles" in part.onset.origin and "review" in part.onset.origin
    ]
    assert len(reviewed) >= 8
    for part in reviewed:
        shown = weibull_min.cdf(at, part.onset.shape, scale=part.onset.scale_km)
        assert 0.25 < shown < 0.75, part.id


def test_plugs_are_replaced_as_a_set_and_plain_ones_every_30_000_miles() -> None:
    """Common practice, both."""
    plugs = part_of("spark_plugs", "copper")
    assert plugs.per == "cylinder"
    assert any("as a set" in text and "common practice" in text for text in plugs.fitting)
    assert any("30,000 miles" in text and "common practice" in text for text in plugs.fitting)
    assert "common practice: plain plugs every 30,000 miles" in plugs.onset.origin
    assert 25 < weibull_min.median(plugs.onset.shape, scale=plugs.onset.scale_km) / THOUSAND_MILES < 35
    assert "ignition_coil" in plugs.together_with


def test_thermostat_and_pump_go_together() -> None:
    """Common practice: they share the drained coolant."""
    for kind in ("electric", "belt"):
        parts = catalogue_for(Car("a", coolant_pump=kind), CATALOGUE).parts
        pump, thermostat = parts["coolant_pump"], parts["thermostat"]
        assert "thermostat" in pump.together_with
        assert "coolant_pump" in thermostat.together_with
        assert "coolant_drained" in set(pump.access) & set(thermostat.access)
        assert {extra.id for extra in pump.extras} & {extra.id for extra in thermostat.extras} >= {"coolant"}
        assert any("common practice" in text for text in pump.fitting)


def test_parts_that_hide_under_the_same_thing_share_its_step() -> None:
    shared = {
        "intake_manifold_off": {"crankcase_ventilation", "intake_flap_actuator"},
        "coils_off": {"spark_plugs", "ignition_coil"},
        "coolant_drained": {"coolant_pump", "thermostat", "coolant_temperature_sensor", "oil_filter_housing_gasket"},
        "belt_off": {"coolant_pump", "alternator", "drive_belt"},
        "battery_off": {"battery", "starter_motor", "alternator"},
    }
    for step, parts in shared.items():
        assert parts <= {part.id for part in PARTS.values() if step in part.access}, step
    assert "coils_off" in opened_for(PARTS["valve_cover_gasket"].access, CATALOGUE.steps)
    assert "intake_manifold_off" in opened_for(PARTS["head_gasket"].access, CATALOGUE.steps)


def said_of(part: Part) -> str:
    steps = [CATALOGUE.steps[step] for step in opened_for(part.access, CATALOGUE.steps)]
    return " ".join([*part.cautions, *(caution for step in steps for caution in step.cautions)]).lower()


@pytest.mark.parametrize("name", PART_IDS)
def test_the_usual_cautions_stand_where_they_apply(name: str) -> None:
    """The cautions of the trade (common practice), by what has to be touched."""
    part = PARTS[name]
    said, opened = said_of(part), set(opened_for(part.access, CATALOGUE.steps))
    wanted = {
        "coolant_drained": "never open a hot cooling system",
        "battery_off": "minus off first",
        "car_raised": "never go under a car on a jack alone",
        "fan_out": "can start by itself",
        "fuel_pressure_relieved": "no flame",
        "coils_off": "ignition voltage can kill",
        "heat_shield_off": "exhaust parts stay hot",
        "front_pipe_off": "exhaust parts stay hot",
        "belt_off": "tensioner",
        "intake_manifold_off": "cover every open port",
    }
    assert [text for step, text in wanted.items() if step in opened and text not in said] == []


def test_starter_and_alternator_begin_with_the_battery_off() -> None:
    for name in ("starter_motor", "alternator"):
        assert "minus off first" in " ".join(PARTS[name].cautions).lower()


def test_whatever_drains_the_coolant_buys_it_anew_and_bleeds_before_running() -> None:
    for part in PARTS.values():
        if "coolant_drained" in opened_for(part.access, CATALOGUE.steps):
            assert "coolant" in {extra.id for extra in part.extras}, part.id
            assert any("bleed" in step and "before the engine runs" in step for step in part.after_fitting), part.id
            assert "closed garage kills" in said_of(part), part.id  # bleeding goes on with the engine running


def test_torques_and_part_numbers_are_left_to_the_makers_manual() -> None:
    assert sum(any("maker's own manual" in text for text in part.fitting) for part in PARTS.values()) >= 23
    figures = re.compile(r"\d\s*(N·?m|Nm|ft-?lb|lb-?ft)\b", re.IGNORECASE)
    assert not [text for part in PARTS.values() for text in texts(part) if figures.search(text)]


def test_the_parts_that_can_take_the_engine_with_them_are_marked() -> None:
    at_risk = {part.id for part in PARTS.values() if part.engine_at_risk}
    assert at_risk >= {"coolant_pump", "thermostat", "radiator_fan", "head_gasket", "intake_flap_actuator"}
    assert not at_risk & {"battery", "starter_motor", "catalytic_converter", "maf_sensor", "throttle_body"}
    dearest = sorted(PARTS.values(), key=lambda part: -part.damage_cost)[:3]
    assert {part.id for part in dearest} == {"coolant_pump", "head_gasket", "intake_flap_actuator"}


def test_no_maker_or_brand_is_named() -> None:
    """A name would be a capitalised word inside a sentence, a trade mark sign, or a part number."""
    words = [text for part in PARTS.values() for text in texts(part)]
    words += [step.name for step in CATALOGUE.steps.values()]
    words += [extra.name for part in PARTS.values() for extra in part.extras]
    words += [life.origin for _, life in lives()]
    inside = re.compile(r"(?<![.:!?] )(?<!^)\b[A-Z][A-Za-z]+\b")
    numbered = re.compile(r"\b(?=\w*\d)(?=\w*[A-Za-z])\w{5,}\b")
    assert {word for text in words for word in inside.findall(text)} <= {"V", "K"}
    assert [text for text in words if numbered.search(text) or any(sign in text for sign in "®™©")] == []
