import numpy as np
import pytest

from obdwatch.simulation.combustion import air_per_fuel
from obdwatch.simulation.mixture import CALIBRATED_ETHANOL, Mixture, Purge, TrimBank


def _closed_loop(measured: float, true_air: float, ethanol: float = CALIBRATED_ETHANOL, banks: int = 1) -> Mixture:
    """Steer with an ideal wide-range sensor until the trims stand still."""
    mixture = Mixture(((0.0,) * 4,) * banks, 100.0)
    mixture.closed = True
    for _ in range(20_000):
        mixture.locate(measured)
        mixture.inject(measured, [true_air / banks] * banks, 1.0, [1.0] * banks, 0.0, ethanol, cut=False)
        for trim, value in zip(mixture.trims, mixture.lambdas, strict=True):
            trim.follow_wide_range(0.05, value - 1.0, 1.5)
            trim.learn(0.05, mixture.place)
    return mixture


def test_trims_make_up_for_air_that_was_not_measured() -> None:
    """Fuel balance: 1 + trim = true over measured air."""
    mixture = _closed_loop(measured=9.0, true_air=10.0)
    trim = mixture.trims[0]
    total = trim.short + trim.long_at(mixture.place)
    assert total == pytest.approx(100.0 * (10.0 / 9.0 - 1.0), abs=0.1)
    assert abs(trim.short) < 0.2  # all of it has been learnt
    assert mixture.lambdas[0] == pytest.approx(1.0, abs=1e-3)


def test_more_ethanol_moves_both_banks_alike() -> None:
    mixture = _closed_loop(10.0, 10.0, ethanol=0.30, banks=2)
    expected = 100.0 * (air_per_fuel(CALIBRATED_ETHANOL) / air_per_fuel(0.30) - 1.0)
    totals = [trim.short + trim.long_at(mixture.place) for trim in mixture.trims]
    assert totals == pytest.approx([expected, expected], abs=0.1)
    assert 5.0 < expected < 12.0


def test_learning_moves_only_cells_near_the_flow() -> None:
    trim = TrimBank((0.0, 0.0, 0.0, 0.0))
    trim.smoothed = 5.0
    for _ in range(200):
        trim.learn(0.05, 0.25)
    assert trim.long[0] > trim.long[1] > 0.0
    assert trim.long[2] == trim.long[3] == 0.0


def test_trims_stop_at_their_limit() -> None:
    mixture = _closed_loop(measured=5.0, true_air=12.0)
    assert mixture.trims[0].short <= 25.0
    assert mixture.trims[0].long_at(mixture.place) <= 25.0


def test_a_switching_sensor_makes_the_short_trim_cycle_around_its_mean() -> None:
    trim, voltage, seen = TrimBank((0.0,) * 4), 0.1, []
    delay = [0.0] * 8  # 0.4 s from injector to sensor
    for _ in range(2000):
        trim.follow_switching(0.05, voltage, 1.7, 0.0)
        delay.append(trim.short)
        voltage = 0.8 if delay.pop(0) > 3.0 else 0.1  # stoichiometric at +3 %
        seen.append(trim.short)
    settled = np.array(seen[400:])
    assert settled.mean() == pytest.approx(3.0, abs=0.95)  # half a jump
    assert 1.5 < np.ptp(settled) < 10.0
    crossings = np.count_nonzero(np.diff(settled > 3.0)) / (len(settled) * 0.05)
    assert 0.5 < crossings < 5.0  # common practice for a switching sensor


def test_an_open_loop_lets_the_short_trim_go_and_keeps_the_long_one() -> None:
    trim = TrimBank((4.0,) * 4)
    trim.short = 6.0
    for _ in range(60):
        trim.release(0.05)
    assert abs(trim.short) < 0.1
    assert trim.long_at(1.5) == 4.0


def test_a_full_canister_gives_vapour_and_empties() -> None:
    full, empty = Purge(1.0), Purge(0.05)
    given = [0.0, 0.0]
    for _ in range(2400):
        for index, purge in enumerate((full, empty)):
            purge.step(0.25, True, 12.0, 60.0, 2.0)
            given[index] += purge.fuel
    assert given[0] > 5.0 * given[1]
    assert full.load < 1.0


def test_purge_pauses_so_that_trims_can_be_learnt_and_closes_when_not_allowed() -> None:
    purge, duties = Purge(0.5), []
    for _ in range(1200):
        purge.step(0.25, True, 12.0, 60.0, 2.0)
        duties.append(purge.duty)
    assert 0.2 < np.mean(np.array(duties) < 1.0) < 0.7
    for _ in range(40):
        purge.step(0.25, False, 12.0, 60.0, 2.0)
    assert purge.duty == 0.0
