import pytest

from obdwatch.simulation.electrics import Electrics, starter_current
from obdwatch.simulation.faults import Effects, effects_of, parse_fault
from obdwatch.simulation.layouts import INLINE_FOUR_AIR_FLOW, INLINE_SIX, LAYOUTS, Layout


def _effects(fault: str) -> Effects:
    return effects_of([parse_fault(fault)], ((1, 2, 3, 4),), 0.0)


def _battery(layout: Layout, temperature: float, charge: float = 1.0) -> Electrics:
    return Electrics(layout, charge, temperature, 48.0)


def test_starter_circuit_worked_example() -> None:
    """Open physics textbook: 12 V over 0.010 + 0.050 ohm; then 0.090 ohm of corrosion in the circuit."""
    sound = starter_current(12.0, 0.0, 0.010, 0.050)
    assert sound == pytest.approx(200.0)
    assert 12.0 - sound * 0.010 == pytest.approx(10.0)
    assert sound**2 * 0.050 == pytest.approx(2000.0)
    corroded = starter_current(12.0, 0.0, 0.010, 0.050, 0.090)
    assert corroded == pytest.approx(80.0)
    assert corroded * 0.050 == pytest.approx(4.0)
    assert corroded**2 * 0.050 == pytest.approx(320.0)


# Resting voltage over charge at 26.7 degC (battery handbook); the surface charge is gone after two days.
@pytest.mark.parametrize(
    ("charge", "voltage"), [(1.0, 12.65), (0.75, 12.45), (0.5, 12.24), (0.25, 12.06), (0.0, 11.89)]
)
def test_resting_voltage_follows_the_charge(charge: float, voltage: float) -> None:
    assert _battery(INLINE_SIX, 26.7, charge).open_voltage(Effects()) == pytest.approx(voltage, abs=0.01)


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_a_sound_battery_passes_the_load_test_and_its_own_cold_rating(layout: Layout) -> None:
    """Half the cold-cranking current: 9.6 V at 21 degC, 8.5 V at -18; the whole at -18 degC: 7.2 V (test tables)."""
    for temperature, share, limit in ((21.0, 0.5, 9.6), (-18.0, 0.5, 8.5), (-18.0, 1.0, 7.2)):
        battery = _battery(layout, temperature)
        amps = share * layout.cold_cranking_current
        voltage = battery.open_voltage(Effects()) - 0.35 - amps * battery.battery_resistance(Effects())
        assert voltage >= limit


def test_a_worn_out_battery_fails_the_load_test() -> None:
    battery, worn = _battery(INLINE_FOUR_AIR_FLOW, 21.0, 0.9), _effects("battery")
    amps = 0.5 * INLINE_FOUR_AIR_FLOW.cold_cranking_current
    assert battery.open_voltage(worn) - 0.35 - amps * battery.battery_resistance(worn) < 9.6


def _crank(fault: str | None, omega: float = 22.0) -> tuple[float, float, float]:
    electrics = _battery(INLINE_FOUR_AIR_FLOW, 20.0, 0.92)
    torque, fall = electrics.crank(0.05, omega, 70.0, _effects(fault) if fault else Effects())
    return torque, electrics.voltage, fall


def test_starter_and_battery_faults_pull_the_voltage_opposite_ways() -> None:
    torque, voltage, fall = _crank(None)
    assert fall > 0.0
    for fault in ("starter_motor", "starter_cable"):
        assert _crank(fault)[0] < 0.75 * torque
        assert _crank(fault)[1] > voltage
    assert _crank("battery")[0] < 0.75 * torque
    assert _crank("battery")[1] < voltage - 1.0


def _run(
    fault: str | None, speed: float = 2000.0, load: float = 500.0, rise: float = 0.0, hood: float = 25.0
) -> Electrics:
    electrics = Electrics(INLINE_FOUR_AIR_FLOW, 0.95, 20.0, 12.0)
    effects = _effects(fault) if fault else Effects()
    for _ in range(400):
        electrics.run(0.05, speed, 0.0, load, hood, effects)
    for _ in range(10):
        electrics.run(0.05, speed, rise, load, hood, effects)
    return electrics


def test_a_sound_alternator_holds_the_common_range() -> None:
    assert 13.5 < _run(None).voltage < 14.8  # common practice
    assert 13.2 < _run(None, speed=750.0, load=520.0, hood=60.0).voltage < 14.8
    assert _run(None, hood=-10.0).voltage > _run(None, hood=50.0).voltage


def test_regulator_and_diode_faults_show_in_the_running_voltage() -> None:
    assert _run("alternator_overcharges").voltage > 15.0
    assert _run("alternator_undercharges").voltage < 13.2
    assert _run("alternator", load=700.0).voltage < 12.8


def test_a_slipping_belt_dips_when_the_engine_speeds_up() -> None:
    steady = _run("drive_belt=0.7", speed=2500.0, load=450.0)
    rising = _run("drive_belt=0.7", speed=2500.0, load=450.0, rise=250.0)
    assert rising.alternator_current < steady.alternator_current
    assert rising.belt_slip > steady.belt_slip
    assert _run(None, rise=250.0).belt_slip == 0.0


def test_charge_goes_out_while_cranking_and_comes_back_while_driving() -> None:
    electrics = _battery(INLINE_FOUR_AIR_FLOW, 20.0, 0.7)
    for _ in range(40):
        electrics.crank(0.05, 22.0, 70.0, Effects())
    drained = electrics.charge
    assert drained < 0.7
    for _ in range(4000):
        electrics.run(0.05, 2000.0, 0.0, 400.0, 30.0, Effects())
    assert electrics.charge > drained
