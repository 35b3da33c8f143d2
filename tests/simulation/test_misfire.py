import pytest

from obdwatch.simulation.curves import Chance
from obdwatch.simulation.faults import effects_of, parse_fault
from obdwatch.simulation.layouts import INLINE_FOUR_AIR_FLOW, INLINE_FOUR_PRESSURE, INLINE_SIX, Layout
from obdwatch.simulation.misfire import Misfire, misfire_percent, ten_drive_average


# 40 CFR 86.010-18(h)(2): share of the combustions.
@pytest.mark.parametrize(
    ("counts", "revolutions", "cylinders", "percent"),
    [(20, 1000, 4, 1.0), (20, 200, 4, 5.0), (500, 1000, 4, 25.0), (60, 1000, 6, 2.0)],
)
def test_percent_worked_values(counts: int, revolutions: int, cylinders: int, percent: float) -> None:
    assert misfire_percent(counts, revolutions, cylinders) == pytest.approx(percent)


def test_average_over_ten_drives_follows_the_published_chain() -> None:
    """SAE J1979 test 0B; the chain computed by hand."""
    counts = (0, 0, 12, 0, 30, 28, 0, 5, 40, 44)
    expected = (0, 0, 1.2, 1.08, 3.972, 6.3748, 5.7373, 5.6636, 9.0972, 12.5875)
    average = 0.0
    for count, wanted in zip(counts, expected, strict=True):
        average = ten_drive_average(average, count)
        assert average == pytest.approx(wanted, abs=5e-5)


def _run(
    layout: Layout, fault: str | None, filling: float = 0.6, seconds: float = 120.0, coolant: float = 90.0,
    since_start: float = 300.0, soak: float = 12.0, lambda_value: float = 1.0, burning: bool = True,
) -> Misfire:  # fmt: skip
    faults = [parse_fault(fault)] if fault else []
    effects = effects_of(faults, layout.bank_cylinders, 0.0)
    misfire = Misfire(layout, soak, Chance(3, 5))
    for step in range(int(seconds / 0.25)):
        misfire.step(
            0.25, 2000.0, filling, [lambda_value] * layout.banks, 0.08, coolant, since_start + 0.25 * step, burning,
            effects,
        )  # fmt: skip
    return misfire


def test_a_sound_engine_hardly_ever_misses() -> None:
    assert sum(_run(INLINE_SIX, None, seconds=600.0).true) <= 8


def test_a_bad_coil_misses_in_its_cylinder_hot_and_under_load() -> None:
    loaded = _run(INLINE_FOUR_AIR_FLOW, "ignition_coil@3=0.6").true
    light = _run(INLINE_FOUR_AIR_FLOW, "ignition_coil@3=0.6", filling=0.2).true
    cold = _run(INLINE_FOUR_AIR_FLOW, "ignition_coil@3=0.6", coolant=20.0).true
    assert loaded[2] > 40
    assert loaded[0] + loaded[1] + loaded[3] < 5
    assert light[2] < 0.3 * loaded[2]
    assert cold[2] < loaded[2]


def test_a_shared_coil_takes_the_pair_that_fires_half_a_cycle_apart() -> None:
    counts = _run(INLINE_FOUR_PRESSURE, "ignition_coil@1=0.8").true  # firing order 1 3 4 2: partner is 4
    assert min(counts[0], counts[3]) > 40
    assert max(counts[1], counts[2]) < 5


def test_worn_plugs_miss_everywhere_under_load() -> None:
    loaded, light = _run(INLINE_SIX, "spark_plugs=0.8", filling=0.9), _run(INLINE_SIX, "spark_plugs=0.8", filling=0.25)
    assert min(loaded.true) > 20
    assert sum(light.true) < 0.1 * sum(loaded.true)


def test_a_leaking_gasket_takes_two_neighbours_for_a_while_after_a_long_stand() -> None:
    wet = _run(INLINE_SIX, "head_gasket@2", since_start=0.0).true
    late = _run(INLINE_SIX, "head_gasket@2", since_start=600.0).true
    warm = _run(INLINE_SIX, "head_gasket@2", since_start=0.0, soak=0.1).true
    assert min(wet[1], wet[2]) > 100
    assert wet[0] + sum(wet[3:]) < 5
    assert max(late[1], late[2]) < 0.2 * min(wet[1], wet[2])
    assert max(warm[1], warm[2]) < 0.2 * min(wet[1], wet[2])


def test_a_clogged_injector_leans_one_cylinder_until_it_misses() -> None:
    counts = _run(INLINE_FOUR_AIR_FLOW, "fuel_injector@2").true
    assert counts[1] > 200
    assert sum(counts) - counts[1] < 5


def test_nothing_is_counted_while_no_fuel_burns() -> None:
    assert sum(_run(INLINE_SIX, "spark_plugs", filling=0.9, burning=False).counts) == 0


def test_misfires_come_in_bursts_not_at_random() -> None:
    """Variance over mean of counts per ten seconds, above the 1 of a Poisson process."""
    layout, effects = INLINE_FOUR_AIR_FLOW, effects_of([parse_fault("ignition_coil@1=0.5")], ((1, 2, 3, 4),), 0.0)
    misfire, windows, last = Misfire(layout, 0.0, Chance(5, 5)), [], 0
    for step in range(8000):
        misfire.step(0.25, 2000.0, 0.6, [1.0], 0.08, 90.0, 300.0, True, effects)
        if step % 40 == 39:
            windows.append(misfire.true[0] - last)
            last = misfire.true[0]
    mean = sum(windows) / len(windows)
    variance = sum((count - mean) ** 2 for count in windows) / (len(windows) - 1)
    assert variance > 1.3 * mean
