import numpy as np
import pytest

from obdwatch.decoding.parameters import PARAMETER_BY_KEY, decode_fields, encode_pid
from obdwatch.records import MarkKind
from obdwatch.simulation.drives import Sampling, quantise, simulate
from obdwatch.simulation.layouts import INLINE_FOUR_AIR_FLOW, LAYOUTS, VEE_SIX_AIR_FLOW, layout_named
from obdwatch.simulation.trips import compose, cycle
from tests.simulation.driven import cruising, driven, reported, true

SHORT = compose("short", (cycle("udds", 15, 110),))


@pytest.mark.parametrize(
    ("key", "value"), [("engine_speed", 1726.3), ("coolant_temperature", 83.4), ("timing_advance", 10.2),
    ("short_term_fuel_trim_bank_1", -7.6), ("air_flow", 3.417), ("absolute_load", 29.1), ("vehicle_speed", 300.0)]
)  # fmt: skip
def test_quantised_values_are_those_that_come_over_the_wire(key: str, value: float) -> None:
    parameter = PARAMETER_BY_KEY[key]
    sent = decode_fields(parameter.pid, encode_pid(parameter.pid, {key: value}))[key]
    assert quantise(parameter, np.array([value]))[0] == pytest.approx(sent)


def test_a_drive_is_the_same_for_the_same_seed_and_another_for_another() -> None:
    first, second = (simulate(INLINE_FOUR_AIR_FLOW, SHORT, seed=3) for _ in range(2))
    other = simulate(INLINE_FOUR_AIR_FLOW, SHORT, seed=4)
    for key, signal in first.drive.signals.items():
        np.testing.assert_array_equal(signal.values, second.drive.signals[key].values)
        np.testing.assert_array_equal(signal.times, second.drive.signals[key].times)
    assert len(other.drive.signals["engine_speed"].times) != len(first.drive.signals["engine_speed"].times)
    assert first.memory == second.memory


def test_signals_have_their_own_increasing_times_and_rates() -> None:
    drive = driven("inline_six", "hot").drive
    for signal in drive.signals.values():
        assert (np.diff(signal.times) > 0.0).all()
        assert len(signal.times) == len(signal.values)
        assert np.isfinite(signal.values).all()
    fast, slow = (np.median(np.diff(drive.signals[k].times)) for k in ("engine_speed", "coolant_temperature"))
    assert fast == pytest.approx(0.25, rel=0.2)
    assert slow == pytest.approx(2.0, rel=0.2)


def test_cranking_is_sampled_fast() -> None:
    drive = driven("inline_six", "freezing")
    start = next(mark.t for mark in drive.drive.marks if mark.kind is MarkKind.ENGINE_START)
    times = drive.drive.signals["control_module_voltage"].times
    assert np.count_nonzero((times > start - 1.0) & (times < start)) >= 8
    assert drive.drive.signals["control_module_voltage"].values.min() < 11.0


def test_gaps_stay_gaps_and_lost_replies_are_missing() -> None:
    sampling = Sampling(gaps=2, gap_seconds=8.0, lost=0.3)
    lossy = simulate(INLINE_FOUR_AIR_FLOW, SHORT, seed=1, sampling=sampling).drive
    whole = simulate(INLINE_FOUR_AIR_FLOW, SHORT, seed=1, sampling=Sampling(gaps=0, lost=0.0)).drive
    gaps = [mark for mark in lossy.marks if mark.kind is MarkKind.GAP]
    assert len(gaps) == 2
    for signal in lossy.signals.values():
        for gap in gaps:
            assert not ((signal.times > gap.t) & (signal.times < gap.t + gap.duration)).any()
    assert len(lossy.signals["engine_speed"].times) < 0.8 * len(whole.signals["engine_speed"].times)


def test_a_sleeping_control_unit_gives_no_values_while_cranking() -> None:
    simulated = simulate(VEE_SIX_AIR_FLOW, SHORT)
    asleep = next(mark for mark in simulated.drive.marks if mark.kind is MarkKind.ASLEEP)
    times = simulated.drive.signals["engine_speed"].times
    assert not ((times > asleep.t + 0.05) & (times < asleep.t + asleep.duration)).any()


@pytest.mark.parametrize("layout", [row.name for row in LAYOUTS if row.has_air_flow_sensor])
def test_displacement_comes_out_of_the_reported_signals(layout: str) -> None:
    """As for real cars (open data set of ten vehicles): Vd = 120 m / (n 1.184 load), median over a drive."""
    drive = driven(layout, "hot")
    where = cruising(drive) & (reported(drive, "air_flow") > 2.0)
    flow, speed, load = (reported(drive, key)[where] for key in ("air_flow", "engine_speed", "absolute_load"))
    found = float(np.median(120.0 * flow / (speed * 1.184 * load / 100.0)))
    assert found == pytest.approx(layout_named(layout).displacement_l, rel=0.04)


def test_signals_tell_of_the_truth() -> None:
    drive = driven("inline_four_large", "hot")
    steady = cruising(drive) & (np.abs(np.gradient(true(drive, "engine_speed"))) < 2.0)
    for key, name, tolerance in (
        ("engine_speed", "engine_speed", 25.0),
        ("vehicle_speed", "vehicle_speed", 1.5),
        ("coolant_temperature", "coolant_temperature", 2.0),
        ("intake_manifold_pressure", "manifold_pressure", 5.0),
    ):
        assert np.median(np.abs(reported(drive, key) - true(drive, name))[steady]) < tolerance


@pytest.mark.parametrize("layout", [row.name for row in LAYOUTS])
def test_the_car_drives_what_it_was_asked_to(layout: str) -> None:
    speed = cycle("udds", 15, 110).speed
    simulated = simulate(layout_named(layout), SHORT)
    asked = np.trapezoid(speed)
    driven_distance = np.trapezoid(true(simulated, "vehicle_speed"), simulated.truth.times)
    assert driven_distance == pytest.approx(asked, rel=0.06)
    assert true(simulated, "engine_speed").max() < layout_named(layout).redline + 400.0


@pytest.mark.parametrize("layout", [row.name for row in LAYOUTS])
def test_work_heat_and_fuel_balance(layout: str) -> None:
    """First law over a warm cruise: gas work and heat to the coolant are the textbook shares of the fuel's heat."""
    drive = driven(layout, "hot")
    where = cruising(drive) & (true(drive, "fuel_flow") > 0.05)
    heat = 41_600.0 * true(drive, "fuel_flow")[where].mean()  # J/g of E10 (handbook)
    work = (true(drive, "indicated_torque") * true(drive, "engine_speed") * np.pi / 30.0)[where].mean()
    assert 0.27 < work / heat < 0.42
    assert work / heat + true(drive, "heat_to_coolant")[where].mean() / heat < 0.9  # the rest leaves hot


@pytest.mark.parametrize("layout", [row.name for row in LAYOUTS])
def test_idle_and_full_load_lie_where_practice_says(layout: str) -> None:
    drive, row = driven(layout, "hot"), layout_named(layout)
    idle = (true(drive, "vehicle_speed") < 1.0) & (drive.truth.times > 60.0) & (true(drive, "engine_speed") > 300.0)
    assert 27.0 < true(drive, "manifold_pressure")[idle].mean() < 46.0  # 17 to 22 inHg of vacuum, more in drive
    assert reported(drive, "engine_speed")[idle].mean() == pytest.approx(row.idle_speed, abs=40.0)
    full = (true(drive, "throttle_opening") > 0.97) & (true(drive, "manifold_pressure") > 93.0)
    assert 68.0 < reported(drive, "absolute_load")[full].mean() < 105.0
    assert reported(drive, "calculated_load")[full].max() > 88.0
    assert true(drive, "lambda_bank_1")[full].mean() < 0.95


def test_overrun_cuts_the_fuel_and_says_so() -> None:
    drive = driven("inline_four_air_flow", "hot")
    cut = (true(drive, "fuel_flow") < 1e-6) & (true(drive, "engine_speed") > 1500.0)
    assert cut.sum() > 20
    inside = cut & np.roll(cut, 12) & np.roll(cut, -12)
    assert (reported(drive, "fuel_system_status")[inside] == 4.0).mean() > 0.7
    assert reported(drive, "oxygen_sensor_voltage_bank_1_sensor_1")[inside].mean() < 0.2


def test_a_recorded_session_says_what_it_supports() -> None:
    drive = driven("inline_six", "hot").drive
    assert drive.session.odometer_km == pytest.approx(148_000.0)
    assert drive.session.supported[0x7E8] == tuple(sorted(drive.session.supported[0x7E8]))
    assert 0x10 in drive.session.supported[0x7E8]
    assert "engine_speed@7E9" in drive.signals
    assert {readiness.this_cycle for readiness in drive.readiness} == {True, False}
    assert drive.vehicle[0].vin_check
    assert len({result.t for result in drive.monitors if result.monitor == 0xA2}) > 3
