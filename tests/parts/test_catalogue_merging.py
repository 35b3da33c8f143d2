"""The user's file over the shipped one: key by key, with what was changed said, and own parts and steps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.parts.catalogue import ROUND_FIGURES, catalogue_for, read_catalogue, shipped_document
from obdwatch.parts.catalogue_schema import catalogue_from
from obdwatch.parts.documents import Document, merged, read_document
from obdwatch.records import Car
from obdwatch.units import KM_PER_MILE
from tests.parts.own_files import OWN_PART, own_file

SHIPPED_PARTS = read_catalogue().parts
ELECTRIC = Car("mine", coolant_pump="electric")


def test_one_key_changes_and_all_others_stay(tmp_path: Path) -> None:
    found = read_catalogue(own_file(tmp_path, "[part.battery]\nprice = 77\n"))
    assert found.parts["battery"] == replace(SHIPPED_PARTS["battery"], price=77.0)
    assert {k: v for k, v in found.parts.items() if k != "battery"} == {
        k: v for k, v in SHIPPED_PARTS.items() if k != "battery"
    }
    assert found.steps == read_catalogue().steps


def test_what_was_changed_is_said_with_its_line(tmp_path: Path) -> None:
    path = own_file(tmp_path, "\n[part.battery]\nprice = 77\nhours = 0.2\n[step.belt_off]\nhours = 1\n")
    assert read_catalogue(path).remarks == (
        f"{path}, line 3: battery: price is 77 instead of 120.",  # hours are what they were: nothing to say
        f"{path}, line 6: take off the drive belt: hours is 1 instead of 0.4.",
        ROUND_FIGURES,
    )


def test_a_list_is_replaced_as_a_whole(tmp_path: Path) -> None:
    found = read_catalogue(own_file(tmp_path, 'part.starter_motor.access = ["intake_manifold_off"]'))
    assert found.parts["starter_motor"].access == ("intake_manifold_off",)


def test_a_life_in_miles_replaces_one_in_kilometres_and_the_other_way_round(tmp_path: Path) -> None:
    path = own_file(tmp_path, "part.battery.onset.scale_km = 70_000\npart.alternator.onset.scale_miles = 90_000")
    found = read_catalogue(path).parts
    assert found["battery"].onset.scale_km == 70_000
    assert found["alternator"].onset.scale_km == 90_000 * KM_PER_MILE
    assert found["battery"].onset.shape == SHIPPED_PARTS["battery"].onset.shape


def test_a_changed_life_no_longer_claims_the_shipped_origin(tmp_path: Path) -> None:
    path = own_file(tmp_path, "[part.battery.onset]\nshape = 2")
    found = read_catalogue(path).parts["battery"]
    assert found.onset.origin == f"assumption: your own figure ({path}, line 2)"
    assert found.to_failure.origin == SHIPPED_PARTS["battery"].to_failure.origin
    named = own_file(tmp_path, 'part.battery.onset = { shape = 2, origin = "source: 40 of our own cars" }')
    assert read_catalogue(named).parts["battery"].onset.origin == "source: 40 of our own cars"


def test_a_price_of_ones_own_holds_on_every_car(tmp_path: Path) -> None:
    """The shipped file prices an electric pump otherwise; who writes a price means their own car."""
    path = own_file(tmp_path, "part.coolant_pump.price = 55")
    pump = catalogue_for(ELECTRIC, read_catalogue(path)).parts["coolant_pump"]
    shipped = catalogue_for(ELECTRIC, read_catalogue()).parts["coolant_pump"]
    assert shipped.price != SHIPPED_PARTS["coolant_pump"].price
    assert pump == replace(shipped, price=55.0)


def test_a_variant_of_ones_own_comes_last_and_can_be_for_one_car(tmp_path: Path) -> None:
    text = '[[part.coolant_pump.variant]]\nonly_for = { id = "mine" }\nprice = 44\naccess = ["intake_manifold_off"]\n'
    catalogue = read_catalogue(own_file(tmp_path, text))
    mine, other = (catalogue_for(replace(ELECTRIC, id=id_), catalogue).parts["coolant_pump"] for id_ in ("mine", "x"))
    shipped = catalogue_for(ELECTRIC, read_catalogue()).parts["coolant_pump"]
    assert mine == replace(shipped, price=44.0, access=("intake_manifold_off",))
    assert other == shipped
    assert any("by your own variant" in remark for remark in catalogue.remarks)


def test_a_part_and_a_step_of_ones_own(tmp_path: Path) -> None:
    text = (
        OWN_PART + 'access = ["wheel_off"]\n[step.wheel_off]\nname = "wheel off"\nhours = 0.2\nneeds = ["car_raised"]'
    )
    catalogue = read_catalogue(own_file(tmp_path, text))
    own = catalogue.parts["inner_drive_boot"]
    assert (own.name, own.price, own.access, own.per) == ("inner drive boot", 30.0, ("wheel_off",), "car")
    assert list(catalogue.parts)[-1] == "inner_drive_boot"
    assert catalogue_for(ELECTRIC, catalogue).steps["car_raised"].hours > 0
    assert any("the part 'inner drive boot' is your own" in remark for remark in catalogue.remarks)


def test_a_part_that_no_car_has_is_gone_wherever_it_was_named(tmp_path: Path) -> None:
    catalogue = read_catalogue(own_file(tmp_path, "part.thermostat.fitted = false\nstep.undertray_off.fitted = false"))
    assert "thermostat" not in catalogue.parts
    assert not any("thermostat" in part.together_with for part in catalogue.parts.values())
    assert not any("undertray_off" in step.needs for step in catalogue.steps.values())


def test_a_part_that_one_car_has_not(tmp_path: Path) -> None:
    text = '[[part.maf_sensor.variant]]\nonly_for = { id = "mine" }\nfitted = false'
    catalogue = read_catalogue(own_file(tmp_path, text))
    assert "maf_sensor" not in catalogue_for(ELECTRIC, catalogue).parts
    assert "maf_sensor" in catalogue_for(replace(ELECTRIC, id="other"), catalogue).parts


def test_a_condition_is_replaced_as_a_whole(tmp_path: Path) -> None:
    found = read_catalogue(own_file(tmp_path, 'part.spark_plugs.only_for = { layout = "vee" }'))
    assert found.parts["spark_plugs"].only_for == {"layout": ("vee",)}


def test_every_key_keeps_the_place_it_came_from(tmp_path: Path) -> None:
    base, over = tmp_path / "base.toml", tmp_path / "over.toml"
    variant = "[[part.a.variant]]\nonly_for.id = '{}'\n{} = {}\n"
    base.write_text("part.a.price = 1\n" + variant.format("x", "price", 2) + variant.format("y", "hours", 3), "utf-8")
    over.write_text("part.a.price = 4\n" + variant.format("z", "price", 5), "utf-8")
    both = merged(read_document(base), read_document(over))
    assert [one["only_for"]["id"] for one in both.table["part"]["a"]["variant"]] == ["y", "z"]
    assert both.place(("part", "a", "price")) == f"{over}, line 1"
    assert both.place(("part", "a", "variant", 0, "hours")) == f"{base}, line 7"
    assert both.place(("part", "a", "variant", 1, "price")) == f"{over}, line 4"
    assert both.place(("part", "a", "variant", 1, "hours")) == f"{over}, line 2"  # not there: where it would be


def test_extras_of_a_variant_keep_the_optional_ones(tmp_path: Path) -> None:
    text = '[[part.coolant_pump.variant]]\nonly_for = { id = "mine" }\nextras = ["coolant"]'
    pump = catalogue_for(ELECTRIC, read_catalogue(own_file(tmp_path, text))).parts["coolant_pump"]
    assert [extra.id for extra in pump.extras if not extra.optional] == ["coolant"]
    assert [e.id for e in pump.extras if e.optional] == [
        e.id for e in SHIPPED_PARTS["coolant_pump"].extras if e.optional
    ]


PARTS, STEPS = sorted(SHIPPED_PARTS), sorted(read_catalogue().steps)
NUMBERS = st.integers(0, 150)
CONDITIONS = st.sampled_from([{"layout": "vee"}, {"coolant_pump": "electric"}, {"plug_type": ["copper", "iridium"]}])
FIGURES = st.fixed_dictionaries({}, optional={"price": NUMBERS, "hours": NUMBERS, "access": st.just(["belt_off"])})
LIVES = st.one_of(
    st.fixed_dictionaries({"scale_km": st.integers(1_000, 9_000)}, optional={"shape": st.integers(1, 5)}),
    st.fixed_dictionaries({"scale_miles": st.integers(1_000, 9_000)}),
)
VARIANTS = st.lists(st.builds(lambda c, f: {"only_for": c, **f}, CONDITIONS, FIGURES), max_size=2, unique_by=str)
ENTRIES = st.builds(
    lambda figures, more: figures | more,
    FIGURES,
    st.fixed_dictionaries({}, optional={"onset": LIVES, "variant": VARIANTS, "only_for": CONDITIONS}),
)
OWN = st.fixed_dictionaries(
    {},
    optional={
        "currency": st.just("EUR"),
        "part": st.dictionaries(st.sampled_from(PARTS), ENTRIES, max_size=3),
        "step": st.dictionaries(
            st.sampled_from(STEPS), st.fixed_dictionaries({}, optional={"hours": NUMBERS}), max_size=3
        ),
    },
)


def document(table: dict[str, Any]) -> Document:
    return Document("own", table, {})


@settings(max_examples=100, deadline=None)
@given(OWN)
def test_merging_twice_is_merging_once(table: dict[str, Any]) -> None:
    once = merged(shipped_document(), document(table))
    twice = merged(once, document(table))
    assert twice.table == once.table
    assert catalogue_from(twice) == catalogue_from(once)


@settings(max_examples=100, deadline=None)
@given(OWN)
def test_what_is_merged_is_there_and_nothing_else_moves(table: dict[str, Any]) -> None:
    found = catalogue_from(merged(shipped_document(), document(table)))
    for name, part in found.parts.items():
        entry = table.get("part", {}).get(name)
        if not entry:
            assert part == SHIPPED_PARTS[name]
            continue
        assert part.price == entry.get("price", SHIPPED_PARTS[name].price)
        assert list(part.access) == entry.get("access", list(SHIPPED_PARTS[name].access))
        assert part.consequence == SHIPPED_PARTS[name].consequence
    assert found.currency == table.get("currency", "")


@settings(max_examples=50, deadline=None)
@given(OWN)
def test_the_shipped_document_is_never_changed(table: dict[str, Any]) -> None:
    before = repr(shipped_document().table)
    merged(shipped_document(), document(table))
    assert repr(shipped_document().table) == before
    nothing = merged(shipped_document(), document({}))
    assert nothing.table == shipped_document().table
