"""Which parts a car has by its engine's layout, what is otherwise on it, and what an unknown field leaves open."""

from __future__ import annotations

from dataclasses import replace

import pytest

from obdwatch.parts.applying import NO_CAR
from obdwatch.parts.catalogue import catalogue_for, matches, read_catalogue
from obdwatch.parts.part import Catalogue, Variant
from obdwatch.planning.jobs import jobs_for
from obdwatch.records import Car

EVERYTHING = read_catalogue()
SIX = Car(
    "old-fern", fuel="e10", cylinders=6, layout="inline", bank_cylinders=((1, 2, 3), (4, 5, 6)),
    induction="naturally_aspirated", air_metering="both", cam_timing=("intake", "exhaust"), intake_flaps=True,
    coolant_pump="electric", ignition="coil_per_cylinder", plug_type="iridium", transmission="automatic",
)  # fmt: skip
ABSENT = {
    "no intake flaps": ({"intake_flaps": False}, {"intake_flap_actuator"}),
    "no exhaust cam timing": ({"cam_timing": ("intake",)}, {"cam_timing_solenoid_exhaust"}),
    "no cam timing": ({"cam_timing": ()}, {"cam_timing_solenoid_intake", "cam_timing_solenoid_exhaust"}),
    "metered by pressure": ({"air_metering": "pressure"}, {"maf_sensor"}),
    "a diesel has no plugs": ({"fuel": "diesel"}, {"spark_plugs", "ignition_coil"}),
}


def for_car(**changes: object) -> Catalogue:
    return catalogue_for(replace(SIX, **changes), EVERYTHING)  # type: ignore[arg-type]


def test_a_car_with_everything_has_every_part_and_nothing_is_left_open() -> None:
    assert set(for_car().parts) == set(EVERYTHING.parts)
    assert for_car().remarks == EVERYTHING.remarks


@pytest.mark.parametrize("case", ABSENT)
def test_what_a_layout_does_not_have_is_no_part_of_it(case: str) -> None:
    changes, absent = ABSENT[case]
    found = for_car(**changes)
    assert set(EVERYTHING.parts) - set(found.parts) == absent
    assert not any(absent & set(part.together_with) for part in found.parts.values())


def test_an_electric_pump_is_another_part_than_one_on_the_belt() -> None:
    electric, belt = (for_car(coolant_pump=kind).parts["coolant_pump"] for kind in ("electric", "belt"))
    dry = "never run an electric coolant pump dry"
    assert "belt_off" in belt.access
    assert "belt_off" not in electric.access
    assert any(dry in caution.lower() for caution in electric.cautions)
    assert not any(dry in caution.lower() for caution in belt.cautions)
    assert any("bleeding run" in step for step in electric.after_fitting)
    assert electric.price > belt.price
    assert not for_car(coolant_pump="electric").parts["drive_belt"].engine_at_risk
    assert for_car(coolant_pump="belt").parts["drive_belt"].engine_at_risk


def test_pieces_follow_cylinders_and_banks() -> None:
    """A six-cylinder in line may have two exhaust banks, but it has one head; a vee has two of each."""
    inline = {part: job.pieces for part, job in jobs_for(for_car(), SIX).items()}
    vee_car = replace(SIX, layout="vee", cylinders=8, bank_cylinders=((1, 2, 3, 4), (5, 6, 7, 8)))
    vee = {part: job.pieces for part, job in jobs_for(catalogue_for(vee_car, EVERYTHING), vee_car).items()}
    four_car = replace(SIX, cylinders=4, bank_cylinders=((1, 2, 3, 4),))
    four = {part: job.pieces for part, job in jobs_for(catalogue_for(four_car, EVERYTHING), four_car).items()}
    counted = ("spark_plugs", "ignition_coil", "oxygen_sensor_upstream", "valve_cover_gasket", "head_gasket", "battery")
    assert [inline[part] for part in counted] == [6, 6, 2, 1, 1, 1]
    assert [vee[part] for part in counted] == [8, 8, 2, 2, 2, 1]
    assert [four[part] for part in counted] == [4, 4, 1, 1, 1, 1]


@pytest.mark.parametrize("ignition", ["shared_coils", "distributor"])
def test_a_shared_coil_is_one_part_of_the_car_and_its_leads_come_off(ignition: str) -> None:
    found = for_car(ignition=ignition)
    assert found.parts["ignition_coil"].per == "car"
    assert found.parts["spark_plugs"].per == "cylinder"
    assert "leads" in found.steps["coils_off"].name


def test_plugs_live_by_their_type() -> None:
    scales = [for_car(plug_type=kind).parts["spark_plugs"].onset.scale_km for kind in ("copper", "platinum", "iridium")]
    assert scales == sorted(scales)
    unknown = for_car(plug_type=None).parts["spark_plugs"].onset
    assert scales[0] < unknown.scale_km < scales[-1]
    assert "not known" in unknown.origin


def test_only_a_turbo_engine_has_charge_pipes_in_the_way() -> None:
    turbo, other = for_car(induction="turbo"), for_car(induction="naturally_aspirated")
    assert "charge_pipes_off" in turbo.steps["intake_manifold_off"].needs
    assert "charge_pipes_off" not in other.steps
    assert "charge_pipes_off" not in other.steps["intake_manifold_off"].needs


def test_only_the_steps_that_remaining_parts_need_are_listed() -> None:
    few = {part: EVERYTHING.parts[part] for part in ("battery", "fuel_pump")}
    found = catalogue_for(SIX, replace(EVERYTHING, parts=few))
    assert set(found.steps) == {"battery_off", "rear_seat_out", "fuel_pressure_relieved"}


UNKNOWN = {
    "intake_flaps": "'actuator of the intake flaps' may not be there at all on this car, but stays listed",
    "cam_timing": "may not be there at all on this car, but stay listed",
    "air_metering": "'mass air flow (MAF) sensor' may not be there",
    "coolant_pump": "'coolant pump' and 'drive belt' are taken as on most cars",
    "plug_type": "'spark plugs' is taken as on most cars",
    "layout": "'head gasket'",
}


@pytest.mark.parametrize("field", UNKNOWN)
def test_an_unknown_field_keeps_the_part_and_says_so(field: str) -> None:
    found = for_car(**{field: None})
    assert set(found.parts) == set(EVERYTHING.parts)
    (remark,) = set(found.remarks) - set(EVERYTHING.remarks)
    assert f"does not say '{field}'" in remark
    assert UNKNOWN[field] in remark
    assert f"obdwatch car edit old-fern --set {field}=" in remark


def test_a_field_that_no_longer_matters_is_not_asked_for() -> None:
    """A diesel has no coils, so the kind of its ignition is of no use."""
    assert for_car(fuel="diesel", ignition=None, plug_type=None).remarks == EVERYTHING.remarks


def test_a_field_of_a_condition_that_does_not_hold_anyway_is_not_asked_for() -> None:
    both = Variant({"layout": ("vee",), "transmission": ("manual",)}, {"price": 5.0})
    parts = {**EVERYTHING.parts, "battery": replace(EVERYTHING.parts["battery"], variants=(both,))}
    catalogue = replace(EVERYTHING, parts=parts)
    assert catalogue_for(replace(SIX, transmission=None), catalogue).remarks == EVERYTHING.remarks
    vee = catalogue_for(replace(SIX, layout="vee", transmission=None), catalogue)
    assert any("'transmission': 'battery' is taken" in remark for remark in vee.remarks)


def test_without_a_car_everything_is_kept_and_one_sentence_says_so() -> None:
    found = catalogue_for(None, EVERYTHING)
    assert set(found.parts) == set(EVERYTHING.parts)
    assert found.remarks == (*EVERYTHING.remarks, NO_CAR)


@pytest.mark.parametrize("car", [None, SIX, Car("empty"), Car("vee", layout="vee", cam_timing=())])
def test_the_catalogue_of_a_car_stays_as_it_is(car: Car | None) -> None:
    once = catalogue_for(car, EVERYTHING)
    assert catalogue_for(car, once) == once


def test_a_condition_of_several_fields_is_settled_by_one_that_does_not_hold() -> None:
    both = {"layout": ("vee",), "coolant_pump": ("electric",)}
    assert matches(both, Car("a", layout="vee", coolant_pump="electric")) is True
    assert matches(both, Car("a", layout="inline")) is False
    assert matches(both, Car("a", layout="vee")) is None
    assert matches({}, None) is True
