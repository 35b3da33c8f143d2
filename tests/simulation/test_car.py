from dataclasses import replace

import pytest

from obdwatch.decoding.parameters import PARAMETER_BY_KEY, decode_fields, encode_pid
from obdwatch.decoding.readiness import encode_readiness
from obdwatch.errors import InputError
from obdwatch.records import CodeKind, Readiness
from obdwatch.simulation.car import VirtualCar
from obdwatch.simulation.faults import parse_fault
from obdwatch.simulation.layouts import (
    INLINE_FOUR_AIR_FLOW,
    INLINE_FOUR_PRESSURE,
    INLINE_SIX,
    LAYOUTS,
    VEE_SIX_AIR_FLOW,
    Layout,
)
from obdwatch.simulation.memory import CarMemory
from obdwatch.simulation.snapshot import CarSnapshot
from obdwatch.simulation.trips import compose, cycle, standing

SHORT = compose("short", (cycle("udds", 15, 70),))


def _engine(snapshot: CarSnapshot) -> dict[str, float]:
    return dict(snapshot.ecus[0].values)


def test_the_same_arguments_give_the_same_car_however_often_one_looks() -> None:
    often, rarely = VirtualCar(INLINE_SIX, SHORT, seed=4), VirtualCar(INLINE_SIX, SHORT, seed=4)
    for step in range(1, 400):
        often.snapshot(0.1 * step)
    assert _engine(often.snapshot(40.0)) == _engine(rarely.snapshot(40.0))
    assert _engine(VirtualCar(INLINE_SIX, SHORT, seed=5).snapshot(40.0)) != _engine(rarely.snapshot(40.0))


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_every_reported_value_is_a_j1979_parameter_within_its_range(layout: Layout) -> None:
    car = VirtualCar(layout, SHORT)
    for t in (1.0, 6.2, 9.0, 30.0, 60.0):
        for unit in car.snapshot(t).ecus:
            for key, value in unit.values.items():
                parameter = PARAMETER_BY_KEY[key]
                assert parameter.minimum - parameter.scale <= value <= parameter.maximum + parameter.scale, key
                decoded = decode_fields(parameter.pid, encode_pid(parameter.pid, unit.values))
                if parameter.absent_raw is not None and value == parameter.absent_raw * parameter.scale:
                    assert key not in decoded  # 0 in fuel system status 2 means that there is none
                    continue
                assert decoded[key] == pytest.approx(value, abs=0.51 * parameter.scale)


def test_a_layout_reports_what_it_has_sensors_for() -> None:
    flow = _engine(VirtualCar(INLINE_FOUR_AIR_FLOW, SHORT).snapshot(1.0))
    pressure = _engine(VirtualCar(INLINE_FOUR_PRESSURE, SHORT).snapshot(1.0))
    both = _engine(VirtualCar(INLINE_SIX, SHORT).snapshot(1.0))
    assert "air_flow" in flow
    assert "intake_manifold_pressure" not in flow
    assert "air_flow" not in pressure
    assert "intake_manifold_pressure" in pressure
    assert {"air_flow", "intake_manifold_pressure", "engine_oil_temperature", "odometer"} <= set(both)
    assert "short_term_fuel_trim_bank_2" in both
    assert "short_term_fuel_trim_bank_2" not in flow
    assert "oxygen_sensor_equivalence_ratio_bank_2_sensor_1" in both
    assert "oxygen_sensor_voltage_bank_1_sensor_1" in flow


def test_key_on_shows_a_standing_engine_with_barometric_manifold_pressure() -> None:
    car = VirtualCar(INLINE_FOUR_PRESSURE, SHORT)
    snapshot = car.snapshot(3.0)
    values = _engine(snapshot)
    assert snapshot.ignition_on
    assert snapshot.awake
    assert not snapshot.engine_running
    assert values["engine_speed"] == 0.0
    assert values["intake_manifold_pressure"] == pytest.approx(values["barometric_pressure"], abs=1.0)
    assert values["fuel_system_status"] == 0.0
    assert values["run_time"] == 0.0


def test_a_control_unit_may_sleep_through_cranking() -> None:
    sleepy, wakeful = VirtualCar(VEE_SIX_AIR_FLOW, SHORT), VirtualCar(INLINE_SIX, SHORT)
    seen = [(sleepy.snapshot(6.0 + 0.05 * n), wakeful.snapshot(6.0 + 0.05 * n)) for n in range(40)]
    assert not all(first.awake for first, _ in seen)
    assert all(second.awake for _, second in seen)
    assert min(second.supply_voltage for _, second in seen) < 11.5
    assert sleepy.snapshot(12.0).awake


def test_after_key_off_nobody_answers() -> None:
    car = VirtualCar(INLINE_SIX, compose("stand", (standing(3),)))
    snapshot = car.snapshot(car.trip.key_off_at + 3.0)
    assert not snapshot.ignition_on
    assert not snapshot.awake
    assert not snapshot.engine_running
    assert snapshot.ecus == ()
    assert snapshot.supply_voltage > 11.5


def test_the_second_unit_supports_little_and_agrees_with_the_first() -> None:
    engine, transmission = VirtualCar(INLINE_SIX, SHORT).snapshot(50.0).ecus
    assert (engine.ecu, transmission.ecu) == (0x7E8, 0x7E9)
    assert set(transmission.values) == {"engine_speed", "vehicle_speed", "run_time", "control_module_voltage"}
    assert transmission.values["vehicle_speed"] == engine.values["vehicle_speed"]
    assert transmission.values["engine_speed"] == pytest.approx(engine.values["engine_speed"], abs=15.0)


def test_readiness_can_be_sent() -> None:
    for unit in VirtualCar(INLINE_SIX, SHORT).snapshot(2.0).ecus:
        assert len(encode_readiness(Readiness(0.0, unit.ecu, unit.lamp_on, 0, False, unit.monitor_support))) == 4


def test_an_erase_empties_what_service_04_erases() -> None:
    car = VirtualCar(INLINE_FOUR_AIR_FLOW, SHORT, [parse_fault("coolant_sensor_reads_low")])
    assert car.snapshot(5.0).ecus[0].codes[CodeKind.PENDING] == ("P0116",)
    assert car.snapshot(5.0).ecus[0].freeze_frame is not None
    car.erase_codes(5.1)
    unit = car.snapshot(5.2).ecus[0]
    assert unit.codes[CodeKind.PENDING] == ()
    assert unit.freeze_frame is None
    assert unit.values["distance_since_erase"] == 0.0
    assert not unit.monitor_support["catalyst"][1]


def test_a_next_trip_starts_from_what_the_last_one_left() -> None:
    fault = [parse_fault("coolant_sensor_reads_low")]
    first = VirtualCar(INLINE_FOUR_AIR_FLOW, SHORT, fault)
    memory = first.finish()
    assert memory.odometer_km > CarMemory().odometer_km
    assert [entry.code for entry in memory.codes] == ["P0116"]
    second = VirtualCar(INLINE_FOUR_AIR_FLOW, SHORT, fault, memory=memory)
    snapshot = second.snapshot(5.0)
    assert snapshot.ecus[0].codes[CodeKind.STORED] == ("P0116",)
    assert snapshot.ecus[0].lamp_on
    assert second.machine.odometer == pytest.approx(memory.odometer_km)


def test_trips_of_different_seed_can_be_trips_of_one_car() -> None:
    first = VirtualCar(INLINE_FOUR_AIR_FLOW, SHORT, seed=1)
    second = VirtualCar(INLINE_FOUR_AIR_FLOW, SHORT, seed=2, memory=first.finish())
    stranger = VirtualCar(INLINE_FOUR_AIR_FLOW, SHORT, seed=2)
    assert second.information["vin"] == first.information["vin"] != stranger.information["vin"]
    assert second.machine.tolerances == first.machine.tolerances != stranger.machine.tolerances
    assert _engine(second.snapshot(40.0)) != _engine(VirtualCar(INLINE_FOUR_AIR_FLOW, SHORT, seed=1).snapshot(40.0))


def test_misfire_counts_of_the_last_drive_are_shown_until_the_engine_runs_again() -> None:
    memory = CarMemory(misfire_last=(7, 0, 0, 0), misfire_averages=(3.5, 0.0, 0.0, 0.0))
    car = VirtualCar(INLINE_FOUR_AIR_FLOW, SHORT, memory=memory)

    def results(t: float) -> dict[tuple[int, int], float | None]:
        return {(r.monitor, r.test): r.value for r in car.snapshot(t).ecus[0].monitors}

    assert results(2.0)[0xA2, 0x0C] == 7.0
    assert results(2.5)[0xA2, 0x0B] == pytest.approx(3.5, abs=0.5)  # whole counts
    assert results(30.0)[0xA2, 0x0C] != 7.0


def test_a_discharged_battery_does_not_start_the_car_and_the_car_stands() -> None:
    memory = CarMemory(battery_charge=0.05)
    frozen = replace(SHORT, weather=replace(SHORT.weather, ambient=-20.0))
    car = VirtualCar(VEE_SIX_AIR_FLOW, frozen, [parse_fault("battery")], memory=memory)
    snapshot = car.snapshot(40.0)
    assert not snapshot.engine_running
    assert car.machine.vehicle_speed == 0.0


def test_a_cylinder_the_engine_has_not_is_refused_at_once() -> None:
    with pytest.raises(InputError, match="no cylinder 6"):
        VirtualCar(INLINE_FOUR_AIR_FLOW, SHORT, [parse_fault("ignition_coil@6")])
