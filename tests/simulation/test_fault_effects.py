"""Each fault at full severity moves the signals it should, in a drive, and the truth says so."""

import numpy as np
import pytest

from obdwatch.records import CodeKind
from obdwatch.simulation.drives import SimulatedDrive
from obdwatch.simulation.layouts import layout_named
from tests.simulation.driven import (
    cruising,
    driven,
    floored,
    idling,
    mean_trim,
    reported,
    true,
)

FOUR, SIX, VEE, PRESSURE = "inline_four_air_flow", "inline_six", "vee_six_air_flow", "inline_four_pressure"


def _mean(drive: SimulatedDrive, key: str, where: np.ndarray) -> float:
    assert where.any()
    return float(np.mean(reported(drive, key)[where]))


def _codes(drive: SimulatedDrive) -> set[str]:
    return {code.code for code in drive.drive.codes}


def _monitor(drive: SimulatedDrive, monitor: int, test: int) -> float:
    values = [r.value for r in drive.drive.monitors if (r.monitor, r.test) == (monitor, test) and r.completed]
    assert values
    assert values[-1] is not None
    return values[-1]


def test_the_healthy_car_has_no_codes_and_small_trims() -> None:
    for layout in (FOUR, SIX, VEE, PRESSURE):
        drive = driven(layout, "hot")
        assert _codes(drive) == set()
        assert abs(mean_trim(drive, idling(drive))) < 8.0  # within the range called normal in the trade press
        assert abs(mean_trim(drive, idling(drive)) - mean_trim(drive, cruising(drive))) < 3.0
        assert drive.truth.faulty_parts == ()


def test_an_open_thermostat_slows_the_warm_up() -> None:
    healthy, faulty = driven(FOUR, "cold"), driven(FOUR, "cold", "thermostat_stuck_open")
    assert reported(faulty, "coolant_temperature")[-1] < reported(healthy, "coolant_temperature")[-1] - 12.0
    assert true(faulty, "thermostat_opening").min() > 0.3
    assert faulty.truth.faulty_parts == ("thermostat",)


def test_a_dead_fan_lets_standing_traffic_overheat() -> None:
    healthy, faulty = driven(FOUR, "slow_traffic"), driven(FOUR, "slow_traffic", "radiator_fan")
    assert reported(faulty, "coolant_temperature")[-1] > reported(healthy, "coolant_temperature")[-1] + 6.0
    assert true(faulty, "radiator_fan").max() == pytest.approx(0.0)


@pytest.mark.parametrize(("fault", "sign"), [("coolant_sensor_reads_low", -1.0), ("coolant_sensor_reads_high", 1.0)])
def test_a_lying_coolant_sensor_disagrees_with_the_intake_air_after_a_long_stand(fault: str, sign: float) -> None:
    drive = driven(FOUR, "cold", fault)
    first = reported(drive, "coolant_temperature")[60] - reported(drive, "intake_air_temperature")[60]
    assert sign * first > 15.0
    assert "P0116" in _codes(drive)
    assert abs(true(drive, "coolant_temperature")[60] - 20.0) < 3.0


@pytest.mark.parametrize("fault", ["intake_leak", "crankcase_ventilation"])
def test_unmetered_air_moves_the_trims_at_idle_most(fault: str) -> None:
    drive, healthy = driven(FOUR, "hot", f"{fault}=0.4"), driven(FOUR, "hot")
    idle = mean_trim(drive, idling(drive)) - mean_trim(healthy, idling(healthy))
    cruise = mean_trim(drive, cruising(drive)) - mean_trim(healthy, cruising(healthy))
    assert idle > 5.0
    assert 0.5 < cruise < 0.6 * idle


def test_a_leak_follows_the_balance_of_air() -> None:
    """1 + trim = total air / measured air, with the true leak flow (fuel balance)."""
    drive, healthy = driven(FOUR, "hot", "intake_leak=0.4"), driven(FOUR, "hot")
    where = idling(drive)
    leak = true(drive, "intake_leak_flow")[where].mean()
    throttle = true(drive, "throttle_air_flow")[where].mean()
    base = 1.0 + mean_trim(healthy, idling(healthy)) / 100.0
    expected = 100.0 * (base * (1.0 + leak / throttle) - 1.0)
    assert mean_trim(drive, where) == pytest.approx(expected, abs=2.0)


def test_with_pressure_metering_a_leak_spares_the_trims_and_closes_the_throttle() -> None:
    drive, healthy = driven(PRESSURE, "hot", "intake_leak"), driven(PRESSURE, "hot")
    assert abs(mean_trim(drive, idling(drive)) - mean_trim(healthy, idling(healthy))) < 1.5
    assert _mean(drive, "throttle_position", idling(drive)) < _mean(healthy, "throttle_position", idling(healthy)) - 1.0
    assert _mean(drive, "engine_speed", idling(drive)) > _mean(healthy, "engine_speed", idling(healthy)) + 10.0


def test_a_dirty_air_mass_sensor_under_reads_most_at_high_flow() -> None:
    drive, healthy = driven(SIX, "hot", "maf_sensor=0.6"), driven(SIX, "hot")

    def ratio(which: SimulatedDrive, where: np.ndarray) -> float:
        return float(np.mean(reported(which, "air_flow")[where]) / np.mean(true(which, "throttle_air_flow")[where]))

    high = ratio(drive, floored(drive, 4500, 6500)) / ratio(healthy, floored(healthy, 4500, 6500))
    assert high < 0.88
    assert ratio(drive, idling(drive)) / ratio(healthy, idling(healthy)) > high + 0.08
    assert mean_trim(drive, cruising(drive)) > mean_trim(healthy, cruising(healthy)) + 3.0


def test_weak_fuel_delivery_shows_in_trims_that_grow_with_flow_and_in_a_long_crank() -> None:
    drive, healthy = driven(FOUR, "hot", "fuel_pump=0.6"), driven(FOUR, "hot")
    rise_idle = mean_trim(drive, idling(drive)) - mean_trim(healthy, idling(healthy))
    rise_cruise = mean_trim(drive, cruising(drive)) - mean_trim(healthy, cruising(healthy))
    assert rise_cruise > rise_idle + 2.0
    assert (true(drive, "starter_current") > 1.0).sum() > (true(healthy, "starter_current") > 1.0).sum() + 3
    lean = floored(drive, 4000, 6500)
    assert (
        true(drive, "lambda_bank_1")[lean].mean() > true(healthy, "lambda_bank_1")[floored(healthy, 4000, 6500)].mean()
    )


def test_a_late_intake_cam_loses_filling_at_high_speed() -> None:
    drive, healthy = driven(SIX, "hot", "cam_timing_solenoid_intake"), driven(SIX, "hot")
    high = _mean(drive, "absolute_load", floored(drive, 4800, 6500)) / _mean(
        healthy, "absolute_load", floored(healthy, 4800, 6500)
    )
    assert high < 0.90
    assert abs(_monitor(drive, 0x35, 0x80)) > 10.0
    assert abs(_monitor(healthy, 0x35, 0x80)) < 6.0
    assert "P0012" in _codes(drive)


def test_a_cam_stuck_advanced_idles_rough_at_high_manifold_pressure() -> None:
    drive, healthy = driven(SIX, "hot", "cam_timing_solenoid_intake_stuck_advanced"), driven(SIX, "hot")
    pressure = "intake_manifold_pressure"
    assert _mean(drive, pressure, idling(drive)) > _mean(healthy, pressure, idling(healthy)) + 6.0
    missed = [sum(true(d, f"misfires_cylinder_{n}")[-1] for n in range(1, 7)) for d in (drive, healthy)]
    assert missed[0] > 20 * (missed[1] + 1)


def test_an_exhaust_cam_that_does_not_return_loses_filling_and_names_its_monitor() -> None:
    drive, healthy = driven(SIX, "hot", "cam_timing_solenoid_exhaust"), driven(SIX, "hot")
    assert _mean(drive, "absolute_load", floored(drive, 4800, 6500)) < 0.94 * _mean(
        healthy, "absolute_load", floored(healthy, 4800, 6500)
    )
    assert abs(_monitor(drive, 0x35, 0x81)) > 10.0


def test_one_head_of_a_vee_can_fail_alone() -> None:
    drive = driven(VEE, "hot", "cam_timing_solenoid_intake@2")
    assert abs(_monitor(drive, 0x36, 0x80)) > 10.0
    assert abs(_monitor(drive, 0x35, 0x80)) < 6.0
    assert "P0022" in _codes(drive)


def test_a_stuck_flap_loses_filling_in_the_low_range_only() -> None:
    drive, healthy = driven(SIX, "hot", "intake_flap_actuator"), driven(SIX, "hot")

    def kept(low: float, high: float) -> float:
        values = [_mean(d, "absolute_load", floored(d, low, high)) for d in (drive, healthy)]
        return values[0] / values[1]

    assert kept(1500, 3000) < 0.95
    assert kept(4800, 6500) == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("fault", ["starter_motor", "starter_cable"])
def test_a_worn_starter_turns_slowly_with_the_voltage_up(fault: str) -> None:
    drive, healthy = driven(FOUR, "freezing", fault), driven(FOUR, "freezing")
    speed, volts = _cranking(drive)
    sound_speed, sound_volts = _cranking(healthy)
    assert speed < 0.8 * sound_speed
    assert volts > sound_volts


def test_an_aged_battery_turns_slowly_with_the_voltage_down() -> None:
    drive, healthy = driven(FOUR, "freezing", "battery=0.7"), driven(FOUR, "freezing")
    speed, volts = _cranking(drive)
    sound_speed, sound_volts = _cranking(healthy)
    assert speed < 0.8 * sound_speed
    assert volts < sound_volts - 1.0


def _cranking(drive: SimulatedDrive) -> tuple[float, float]:
    """Return mean speed and voltage while the starter turns the engine and nothing burns yet."""
    turning = (true(drive, "starter_current") > 1.0) & (true(drive, "indicated_torque") == 0.0)
    turning &= true(drive, "engine_speed") > 40.0
    assert turning.any()
    return float(true(drive, "engine_speed")[turning].mean()), float(true(drive, "battery_voltage")[turning].mean())


def test_a_sound_engine_cranks_in_the_common_range() -> None:
    for layout in (FOUR, SIX, VEE, PRESSURE):
        assert 150.0 < _cranking(driven(layout, "freezing"))[0] < 330.0  # 150 to 300, common practice


@pytest.mark.parametrize(
    ("fault", "low", "high"),
    [("alternator", 11.0, 13.0), ("alternator_overcharges", 15.0, 16.5), ("alternator_undercharges", 12.0, 13.2)],
)
def test_charging_faults_show_in_the_running_voltage(fault: str, low: float, high: float) -> None:
    assert (
        low < _mean(driven(FOUR, "hot", fault), "control_module_voltage", cruising(driven(FOUR, "hot", fault))) < high
    )
    healthy = driven(FOUR, "hot")
    assert 13.5 < _mean(healthy, "control_module_voltage", cruising(healthy)) < 14.8


def test_a_slipping_belt_charges_less_at_idle() -> None:
    drive, healthy = driven(FOUR, "hot", "drive_belt"), driven(FOUR, "hot")
    key = "control_module_voltage"
    assert _mean(drive, key, idling(drive)) < _mean(healthy, key, idling(healthy)) - 0.7
    assert true(drive, "belt_slip").max() > 0.1


@pytest.mark.parametrize(
    ("fault", "missing"),
    [
        ("ignition_coil@3=0.9", {3}),
        ("fuel_injector@2", {2}),
        ("spark_plugs", {1, 2, 3, 4, 5, 6}),
    ],
)
def test_misfire_falls_on_the_cylinders_of_the_fault(fault: str, missing: set[int]) -> None:
    drive = driven(SIX, "hot", fault)
    counts = {n: true(drive, f"misfires_cylinder_{n}")[-1] for n in range(1, 7)}
    assert {n for n, count in counts.items() if count > 15} == missing
    for n, count in counts.items():
        reported_count = _monitor_count(drive, n)
        assert reported_count == pytest.approx(count, abs=max(6.0, 0.12 * count))


def _monitor_count(drive: SimulatedDrive, cylinder: int) -> float:
    """Return the last count of test 0C; a raw zero is a count here, not a test that has not run."""
    results = [r for r in drive.drive.monitors if (r.monitor, r.test) == (0xA1 + cylinder, 0x0C)]
    assert results[-1].value is not None
    return results[-1].value


def test_a_gasket_between_two_cylinders_shows_after_a_cold_night() -> None:
    drive = driven(SIX, "cold", "head_gasket@4")
    counts = [true(drive, f"misfires_cylinder_{n}")[-1] for n in range(1, 7)]
    assert min(counts[3], counts[4]) > 50
    assert sum(counts[:3]) + counts[5] < 10


def test_an_exhaust_leak_reads_lean_where_the_flow_is_low() -> None:
    drive, healthy = driven(FOUR, "hot", "exhaust_leak=0.5"), driven(FOUR, "hot")
    idle = mean_trim(drive, idling(drive)) - mean_trim(healthy, idling(healthy))
    cruise = mean_trim(drive, cruising(drive)) - mean_trim(healthy, cruising(healthy))
    assert idle > 4.0
    assert cruise < 0.6 * idle
    assert true(drive, "lambda_bank_1")[idling(drive)].mean() < 0.97  # truly rich


def test_a_slow_sensor_switches_less_often_and_fails_its_monitor() -> None:
    drive, healthy = driven(FOUR, "hot", "oxygen_sensor_upstream"), driven(FOUR, "hot")
    key = "oxygen_sensor_voltage_bank_1_sensor_1"

    def crossings(which: SimulatedDrive) -> int:
        values = reported(which, key)[cruising(which)] > 0.45
        return int(np.count_nonzero(np.diff(values)))

    assert crossings(drive) < 0.7 * crossings(healthy)
    assert _monitor(drive, 0x01, 0x05) > 200.0
    assert _monitor(healthy, 0x01, 0x05) < 100.0


def test_behind_a_dead_catalyst_the_rear_sensor_copies_the_front() -> None:
    drive, healthy = driven(FOUR, "hot", "catalytic_converter"), driven(FOUR, "hot")
    rear = "oxygen_sensor_voltage_bank_1_sensor_2"
    closed = [cruising(d) & (reported(d, "fuel_system_status") == 2.0) for d in (drive, healthy)]
    movement = [
        np.abs(np.diff(reported(d, rear)[where])).sum() for d, where in zip((drive, healthy), closed, strict=True)
    ]
    assert movement[0] > 3.0 * movement[1]


def test_deposits_open_the_throttle_further_at_idle() -> None:
    drive, healthy = driven(FOUR, "hot", "throttle_body"), driven(FOUR, "hot")
    key = "throttle_position"
    assert _mean(drive, key, idling(drive)) > _mean(healthy, key, idling(healthy)) + 1.0


def test_a_stopped_coolant_pump_cooks_the_block() -> None:
    drive, healthy = driven(SIX, "hot", "coolant_pump_stops"), driven(SIX, "hot")
    stopped = (true(drive, "coolant_pump_flow") == 0.0) & (true(drive, "engine_speed") > 500.0)
    if stopped.any():
        assert true(drive, "block_temperature").max() > true(healthy, "block_temperature").max()
    weak = driven(SIX, "hot", "coolant_pump")
    assert true(weak, "coolant_pump_flow").mean() < 0.5 * true(healthy, "coolant_pump_flow").mean()
    gaps = [(true(d, "block_temperature") - true(d, "coolant_temperature")).max() for d in (weak, healthy)]
    assert gaps[0] > gaps[1] + 4.0


def test_low_coolant_names_no_part_but_the_truth_knows() -> None:
    drive = driven(FOUR, "hot", "coolant_level")
    assert drive.truth.faulty_parts == ()
    assert drive.truth.severities == {"coolant_level": 1.0}


@pytest.mark.parametrize("fault", ["thermostat_stuck_open", "maf_sensor", "ignition_coil@2", "battery", "intake_leak"])
def test_severity_zero_is_the_healthy_car_to_the_last_bit(fault: str) -> None:
    drive, healthy = driven(FOUR, "freezing", f"{fault}=0"), driven(FOUR, "freezing")
    for key, signal in healthy.drive.signals.items():
        np.testing.assert_array_equal(signal.values, drive.drive.signals[key].values)
    for key, values in healthy.truth.signals.items():
        np.testing.assert_array_equal(values, drive.truth.signals[key])


def test_catalyst_damaging_misfire_is_confirmed_at_once() -> None:
    drive = driven(SIX, "hot", "fuel_injector@2")
    stored = {code.code for code in drive.drive.codes if code.kind is CodeKind.STORED}
    assert "P0302" in stored
    assert layout_named(SIX).bank_of(2) == 0
