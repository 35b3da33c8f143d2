import math

import pytest
from fluids.compressible import P_critical_flow
from hypothesis import given
from hypothesis import strategies as st

from obdwatch.simulation.air_path import (
    AirPath,
    CamPhasers,
    Filling,
    cylinder_air_flow,
    orifice_flow,
)
from obdwatch.simulation.layouts import INLINE_FOUR_PRESSURE, INLINE_SIX

KELVIN = 273.15


# Worked values of the speed-density equation, R = 287.05 J/(kg K), computed by hand.
@pytest.mark.parametrize(
    ("ve", "pressure", "air", "speed", "flow"),
    [(0.75, 33.0, 35.0, 750.0, 4.372), (0.80, 60.0, 30.0, 2500.0, 28.729), (0.92, 100.0, 25.0, 4500.0, 100.78)],
)
def test_speed_density_worked_values(ve: float, pressure: float, air: float, speed: float, flow: float) -> None:
    assert cylinder_air_flow(ve, pressure, 2.5, speed, air + KELVIN) == pytest.approx(flow, rel=2e-4)


def test_trade_press_value_for_three_litres_at_idle_speed() -> None:
    """Trade press: 3.0 L, 700 1/min, VE 1, 1.18 g/L gives 20.65 g/s."""
    temperature = 101.325 / (0.28705 * 1.18)  # of air of 1.18 g/L
    assert cylinder_air_flow(1.0, 101.325, 3.0, 700.0, temperature) == pytest.approx(20.65, abs=0.01)


def test_flow_chokes_where_the_reference_library_says() -> None:
    critical = P_critical_flow(100.0, 1.4)
    choked = orifice_flow(1e-5, 100.0, 10.0, 293.15, 1.0)
    assert orifice_flow(1e-5, 100.0, critical - 1.0, 293.15, 1.0) == pytest.approx(choked, rel=1e-6)
    assert orifice_flow(1e-5, 100.0, critical + 15.0, 293.15, 1.0) < 0.99 * choked


def test_choked_flow_is_the_textbook_value() -> None:
    """0.6847 p A / sqrt(R T) for air (any gas dynamics text)."""
    expected = 0.6847 * 100e3 * 1e-5 / math.sqrt(287.05 * 293.15) * 1000.0
    assert orifice_flow(1e-5, 100.0, 20.0, 293.15, 1.0) == pytest.approx(expected, rel=1e-3)


@given(low=st.floats(5.0, 99.9), step=st.floats(0.01, 50.0))
def test_flow_never_rises_with_back_pressure(low: float, step: float) -> None:
    high = min(low + step, 100.0)
    assert orifice_flow(1e-5, 100.0, high, 293.15, 0.8) <= orifice_flow(1e-5, 100.0, low, 293.15, 0.8) + 1e-12


def _settle(area: float, leak: float = 0.0, speed: float = 800.0) -> AirPath:
    path = AirPath(INLINE_FOUR_PRESSURE, 101.325, 71.0)
    for _ in range(400):
        path.step(0.05, speed, area, leak, 0.0, 300.0, 0.7)
    return path


def test_manifold_settles_where_inflow_equals_what_the_cylinders_draw() -> None:
    path = _settle(1.6e-5, leak=2.0)
    assert path.throttle_flow + path.leak_flow == pytest.approx(path.cylinder_flow, rel=1e-3)
    assert path.cylinder_flow == pytest.approx(cylinder_air_flow(0.7, path.pressure, 1.6, 800.0, 300.0), rel=1e-6)


def test_a_leak_raises_manifold_pressure_and_takes_air_past_the_throttle() -> None:
    tight, leaky = _settle(1.6e-5), _settle(1.6e-5, leak=2.0)
    assert leaky.pressure > tight.pressure + 2.0
    assert leaky.leak_flow > 0.2
    assert tight.leak_flow == 0.0


@pytest.mark.parametrize("speed", [300.0, 800.0, 3000.0, 6500.0])
def test_no_throttle_step_makes_the_pressure_swing_past_its_end(speed: float) -> None:
    path = _settle(1.0e-5, speed=speed)
    before, pressures = path.pressure, []
    for _ in range(100):
        path.step(0.05, speed, 1.8e-3, 0.0, 0.0, 300.0, 0.85)
        pressures.append(path.pressure)
    assert min(pressures) >= before - 1e-6
    assert max(pressures) <= 101.325
    assert max(pressures[-20:]) - min(pressures[-20:]) < 0.5


def test_mass_balance_holds_in_every_step() -> None:
    path, before = _settle(1.0e-5), 0.0
    for step in range(60):
        before = path.pressure
        path.step(0.05, 1500.0, 1e-5 + 2e-6 * step, 1.0, 0.1, 300.0, 0.8)
        stored = (path.pressure - before) * INLINE_FOUR_PRESSURE.manifold_volume_l / (0.28705 * 300.0) / 0.05
        assert path.throttle_flow + path.leak_flow + 0.1 - path.cylinder_flow == pytest.approx(stored, abs=1e-9)


def test_filling_is_best_where_cams_and_flaps_belong() -> None:
    filling = Filling(INLINE_SIX)
    for speed in (1500.0, 2500.0, 4500.0, 6000.0):
        right = (filling.best_intake(speed), filling.best_exhaust(speed))
        flap = float(filling.wants_long_runner(speed))
        best = filling.efficiency(speed, 97.0, 105.0, *right, flap)
        assert best > filling.efficiency(speed, 97.0, 105.0, 0.0, right[1], flap)
        assert best > filling.efficiency(speed, 97.0, 105.0, right[0], right[1] + 25.0, flap)
        assert best >= filling.efficiency(speed, 97.0, 105.0, *right, 1.0 - flap)


def test_a_retarded_intake_cam_costs_most_at_high_speed_and_a_short_runner_only_at_low() -> None:
    filling = Filling(INLINE_SIX)

    def lost(speed: float, intake: float, flap: float) -> float:
        right = filling.best_intake(speed), filling.best_exhaust(speed)
        best = filling.efficiency(speed, 97.0, 105.0, *right, float(filling.wants_long_runner(speed)))
        return 1.0 - filling.efficiency(speed, 97.0, 105.0, intake, right[1], flap) / best

    assert lost(6000.0, 0.0, 0.0) > 2.0 * lost(2000.0, 0.0, 1.0)
    assert lost(2500.0, filling.best_intake(2500.0), 0.0) > 0.08
    assert lost(6000.0, filling.best_intake(6000.0), 0.0) == pytest.approx(0.0, abs=1e-9)


def test_overlap_costs_filling_only_under_vacuum() -> None:
    filling = Filling(INLINE_SIX)
    idle = filling.efficiency(700.0, 33.0, 101.0, 0.0, 0.0, 1.0), filling.efficiency(700.0, 33.0, 101.0, 45.0, 0.0, 1.0)
    assert idle[1] < 0.8 * idle[0]


def test_a_failing_solenoid_moves_its_cam_less_far() -> None:
    sound, weak = CamPhasers(Filling(INLINE_SIX), 1), CamPhasers(Filling(INLINE_SIX), 1)
    for phasers, authority in ((sound, 1.0), (weak, 0.4)):
        phasers.command(3000.0, 0.95, 80.0, True)
        for _ in range(60):
            phasers.step(0.05, 3000.0, [authority], [0.0], [1.0])
    assert sound.intake[0] == pytest.approx(sound.intake_target, abs=0.1)
    assert weak.intake[0] == pytest.approx(0.4 * weak.intake_target, abs=0.1)


def test_cams_rest_at_idle_and_with_frozen_oil() -> None:
    phasers = CamPhasers(Filling(INLINE_SIX), 1)
    phasers.command(700.0, 0.33, 90.0, True)
    assert phasers.intake_target == 0.0
    phasers.command(3000.0, 0.9, -10.0, True)
    assert phasers.intake_target == 0.0
