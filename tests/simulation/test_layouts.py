import pytest

from obdwatch.errors import InputError
from obdwatch.simulation.air_path import Filling
from obdwatch.simulation.combustion import Limits
from obdwatch.simulation.layouts import LAYOUTS, Layout, layout_named


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_banks_and_firing_order_name_every_cylinder_once(layout: Layout) -> None:
    cylinders = list(range(1, layout.cylinders + 1))
    assert sorted(layout.firing_order) == cylinders
    assert sorted(number for bank in layout.bank_cylinders for number in bank) == cylinders
    assert [layout.bank_of(number) for number in layout.bank_cylinders[-1]] == [layout.banks - 1] * len(
        layout.bank_cylinders[-1]
    )


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_full_load_torque_is_that_of_an_engine_without_charger(layout: Layout) -> None:
    limits = Limits(layout, Filling(layout))
    most = max(limits.torque(speed) for speed in range(1000, int(layout.redline), 100))
    assert 80.0 < most / layout.displacement_l < 105.0  # Nm/L, common practice


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_the_profile_says_what_the_layout_is(layout: Layout) -> None:
    car = layout.car_record("mine")
    assert car.id == "mine"
    assert (car.displacement_l, car.cylinders, car.layout) == (
        layout.displacement_l,
        layout.cylinders,
        layout.arrangement,
    )
    assert car.bank_cylinders == layout.bank_cylinders
    assert (car.air_metering, car.coolant_pump, car.ignition) == (
        layout.air_metering,
        layout.coolant_pump,
        layout.ignition,
    )


def test_layouts_cover_what_detectors_tell_apart() -> None:
    assert {layout.air_metering for layout in LAYOUTS} == {"air_flow", "pressure", "both"}
    assert {layout.coolant_pump for layout in LAYOUTS} == {"belt", "electric"}
    assert {layout.cam_timing for layout in LAYOUTS} == {(), ("intake",), ("intake", "exhaust")}
    assert {layout.intake_flaps for layout in LAYOUTS} == {True, False}
    assert {layout.transmission for layout in LAYOUTS} == {"manual", "automatic"}
    assert {layout.ignition for layout in LAYOUTS} == {"coil_per_cylinder", "shared_coils"}
    assert {(layout.arrangement, layout.cylinders) for layout in LAYOUTS} >= {
        ("inline", 4),
        ("inline", 6),
        ("vee", 6),
    }
    assert {layout.upstream_sensor for layout in LAYOUTS} == {"switching", "wide_range"}


def test_an_unknown_layout_is_refused_with_the_names() -> None:
    with pytest.raises(InputError, match="no engine layout 'rotary'; there are inline_four_air_flow"):
        layout_named("rotary")
