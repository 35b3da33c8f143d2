import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdwatch.decoding.monitors import decode_results, encode_results, passed
from obdwatch.decoding.vehicle_information import vin_fits
from obdwatch.simulation.identity import (
    averages_after,
    engine_information,
    invented_vin,
    monitor_results,
    transmission_information,
)
from obdwatch.simulation.layouts import INLINE_FOUR_AIR_FLOW, LAYOUTS, VEE_SIX_BOTH, Layout

VALUES = {"time_0": 80.0, "ratio_0": 0.30, "trim_0": -20.0, "pressure": 0.05, "percent": 0.4, "intake_0": -4.0}


@given(seed=st.integers(0, 10_000))
def test_the_number_is_well_formed_and_belongs_to_no_region(seed: int) -> None:
    vin = invented_vin(INLINE_FOUR_AIR_FLOW, seed)
    assert vin_fits(vin)
    assert vin[0] == "0"  # ISO 3780 gives no region this character


def test_cars_of_different_seed_differ() -> None:
    assert len({invented_vin(layout, seed) for layout in LAYOUTS for seed in range(20)}) == 20 * len(LAYOUTS)


def test_information_fits_the_fields_of_service_09() -> None:
    engine = engine_information(VEE_SIX_BOTH, 3, (1, 2, 3))
    assert len(str(engine["calibration_id"])) <= 16
    assert len(bytes.fromhex(str(engine["calibration_verification"]))) == 4
    assert len(str(engine["ecu_name"])) <= 20
    assert len(str(transmission_information(VEE_SIX_BOTH)["ecu_name"])) <= 20


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_results_survive_the_way_over_the_wire(layout: Layout) -> None:
    results = monitor_results(layout, 12.0, VALUES, [3] * layout.cylinders, [1.08] * layout.cylinders)
    for monitor in {result.monitor for result in results}:
        own = [result for result in results if result.monitor == monitor]
        assert list(decode_results(encode_results(own), 12.0, 0x7E8, can=True)) == own


def test_results_carry_the_values_of_the_published_examples() -> None:
    """Scalings of SAE J1979: 80 ms, 0.3008 as a ratio, -20 %, -4.00 degrees, 3 counts."""
    results = {
        (result.monitor, result.test): result
        for result in monitor_results(INLINE_FOUR_AIR_FLOW, 0.0, VALUES, [3, 0, 0, 0], [0.0] * 4)
    }
    assert results[0x01, 0x05].raw[0] == 0x0050
    assert results[0x21, 0x80].raw[0] == 0x004D
    assert results[0x81, 0x80].raw == (0xF830, 0xF63C, 0x09C4)
    assert results[0x35, 0x80].raw == (0xFE70, 0xFC18, 0x03E8)
    assert results[0xA2, 0x0C].raw[0] == 3
    assert all(passed(result) for result in results.values())


def test_a_monitor_that_has_not_run_is_all_zero() -> None:
    results = monitor_results(INLINE_FOUR_AIR_FLOW, 0.0, {}, [0] * 4, [0.0] * 4)
    catalyst = next(result for result in results if result.monitor == 0x21)
    assert catalyst.raw == (0, 0, 0)
    assert not catalyst.completed


def test_two_heads_and_two_banks_have_their_own_monitors() -> None:
    monitors = {result.monitor for result in monitor_results(VEE_SIX_BOTH, 0.0, VALUES, [0] * 6, [0.0] * 6)}
    assert {0x01, 0x05, 0x21, 0x22, 0x35, 0x36, 0x3C, 0x81, 0x82, 0xA1, 0xA2, 0xA7} <= monitors


def test_averages_are_moved_at_the_end_of_a_drive() -> None:
    assert averages_after((0.0, 1.08), (12, 30)) == pytest.approx((1.2, 3.972))
