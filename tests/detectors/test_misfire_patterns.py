"""Misfire by pattern on an engine whose firings are drawn one by one in the test: who, when, which part, how urgent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors.misfire import detect
from obdwatch.records import Car, Finding, FloatArray, History, Urgency, Verdict
from tests.detectors.misfiring_car import INLINE_FOUR, SHARED_COILS, VEE_SIX, Chance, Trip, normal, record

COILS_APART = replace(INLINE_FOUR, ignition="coil_per_cylinder")


def value(finding: Finding, name: str) -> float:
    return next(one.value for one in finding.measures if one.name == name)


def weak_spark(cylinders: tuple[int, ...], size: float) -> Chance:
    """A spark fails under load: the voltage it needs grows with cylinder pressure (Paschen)."""

    def chance(cylinder: int, load: FloatArray, coolant: FloatArray, since: FloatArray) -> FloatArray:
        return normal(cylinder, load, coolant, since) + size * (load > 60.0) * (cylinder in cylinders)

    return chance


def anywhere(cylinders: tuple[int, ...], size: float) -> Chance:
    def chance(cylinder: int, load: FloatArray, coolant: FloatArray, since: FloatArray) -> FloatArray:
        return normal(cylinder, load, coolant, since) + size * (cylinder in cylinders)

    return chance


def at_idle(size: float) -> Chance:
    def chance(cylinder: int, load: FloatArray, coolant: FloatArray, since: FloatArray) -> FloatArray:
        return normal(cylinder, load, coolant, since) + size * (load < 30.0)

    return chance


def after_cold_start(cylinders: tuple[int, ...], size: float) -> Chance:
    """Coolant that seeped in while standing: gone after about a minute of running."""

    def chance(cylinder: int, load: FloatArray, coolant: FloatArray, since: FloatArray) -> FloatArray:
        return normal(cylinder, load, coolant, since) + size * np.exp(-since / 50.0) * (cylinder in cylinders)

    return chance


def test_a_sound_engine_is_healthy() -> None:
    drive, _ = record(normal)
    finding = detect(drive, INLINE_FOUR, History())
    assert finding.verdict is Verdict.HEALTHY
    assert finding.confidence > 0.9
    assert value(finding, "worst_1000") < 0.2


def test_the_share_of_the_firings_is_the_truth() -> None:
    drive, missed = record(anywhere((2,), 0.05))
    finding = detect(drive, INLINE_FOUR, History())
    read = [value(finding, f"count_cylinder_{number}") for number in (1, 2, 3, 4)]
    assert read == pytest.approx(missed, abs=40)  # the last reading comes up to half a minute before the end
    assert value(finding, "misfire_percent") == pytest.approx(1.25, rel=0.1)  # 5 % of a quarter of the firings


@pytest.mark.parametrize("cylinder", [1, 3, 4])
@pytest.mark.parametrize("size", [0.03, 0.3, 1.0])
def test_one_weak_coil_is_named(cylinder: int, size: float) -> None:
    drive, _ = record(weak_spark((cylinder,), size))
    finding = detect(drive, INLINE_FOUR, History())
    assert (finding.verdict, finding.signature) == (Verdict.FAULT, "one_cylinder")
    assert value(finding, "cylinder") == cylinder
    assert finding.parts[0] == "ignition_coil"
    assert value(finding, "share_loaded") > 80.0


def test_a_lean_cylinder_that_misfires_anywhere_points_to_its_injector() -> None:
    """A quarter of the fuel of one cylinder of four is missing: the mean mixture asks for 6 to 9 % more."""
    drive, _ = record(anywhere((3,), 0.01), trip=Trip(trims=(9.0,)))
    finding = detect(drive, INLINE_FOUR, History())
    assert finding.signature == "one_cylinder"
    assert finding.parts[0] == "fuel_injector"


def test_all_cylinders_lean_alike_send_to_the_tank_before_the_workshop() -> None:
    """E85 in a car that learnt E10 is 42 % lean at every load; a weak pump is leaner under load."""
    burst = at_idle(0.12)
    usual, _ = record(burst, trip=Trip(trims=(3.0,)))
    other_fuel, _ = record(burst, trip=Trip(trims=(38.0,)))
    before, after = (detect(one, INLINE_FOUR, History()) for one in (usual, other_fuel))
    assert (before.verdict, before.urgency) == (Verdict.FAULT, Urgency.SOON)
    assert (after.verdict, after.urgency) == (Verdict.FAULT, Urgency.NEXT_SERVICE)
    assert value(after, "lean_alike") == 1.0


def test_the_other_bank_is_the_yardstick_of_a_lean_one() -> None:
    lean, _ = record(anywhere((3,), 0.01), 6, Trip(trims=(12.0, 2.0)))
    same, _ = record(weak_spark((3,), 0.1), 6, Trip(trims=(9.0, 9.0)))
    assert detect(lean, VEE_SIX, History()).parts[0] == "fuel_injector"
    assert detect(same, VEE_SIX, History()).parts[0] == "ignition_coil"
    assert value(detect(lean, VEE_SIX, History()), "bank") == 1


def test_a_dead_cylinder_must_not_be_driven_on() -> None:
    drive, _ = record(anywhere((2,), 1.0))
    finding = detect(drive, INLINE_FOUR, History())
    assert finding.urgency is Urgency.STOP
    assert finding.parts[0] == "ignition_coil"  # the trims know nothing of it: no fuel is missing
    assert value(finding, "worst_200") == pytest.approx(25.0, abs=2.5)  # one of four is 25 %; reading times blur it
    assert value(finding, "percent_cylinder_2") == pytest.approx(100.0, rel=0.05)


def test_heavy_misfire_that_is_over_is_soon_and_not_stop() -> None:
    drive, _ = record(after_cold_start((1, 2), 0.9))
    finding = detect(drive, INLINE_FOUR, History())
    assert value(finding, "worst_200") > 5.0
    assert finding.urgency is Urgency.SOON


def test_partners_of_a_shared_coil() -> None:
    """Firing order 1-3-4-2: cylinders 1 and 4 are a turn apart, and so are 2 and 3."""
    for pair in ((1, 4), (2, 3)):
        drive, _ = record(weak_spark(pair, 0.1))
        finding = detect(drive, SHARED_COILS, History())
        assert (finding.signature, finding.parts[0]) == ("coil_pair", "ignition_coil")
        assert (value(finding, "cylinder"), value(finding, "cylinder_2")) == pair


def test_partners_without_a_shared_coil_are_just_two_cylinders() -> None:
    drive, _ = record(weak_spark((1, 4), 0.1))
    assert detect(drive, COILS_APART, History()).signature == "two_cylinders"


@pytest.mark.parametrize(
    ("car", "cylinders", "pair"), [(INLINE_FOUR, 4, (2, 3)), (SHARED_COILS, 4, (2, 3)), (VEE_SIX, 6, (3, 5))]
)
def test_two_neighbours_after_a_cold_start_point_to_the_gasket(car: Car, cylinders: int, pair: tuple[int, int]) -> None:
    drive, _ = record(after_cold_start(pair, 0.8), cylinders)
    finding = detect(drive, car, History())
    assert (finding.signature, finding.parts[0]) == ("two_neighbours", "head_gasket")
    assert finding.urgency in (Urgency.SOON, Urgency.STOP)
    assert value(finding, "share_cold_start") > 80.0


def test_two_cylinders_after_a_cold_start_on_an_unknown_engine() -> None:
    drive, _ = record(after_cold_start((3, 5), 0.8), 6)
    finding = detect(drive, None, History())
    assert (finding.signature, finding.parts[0]) == ("two_cold", "head_gasket")


def test_across_the_vee_there_are_no_neighbours() -> None:
    drive, _ = record(anywhere((1, 2), 0.05), 6)
    assert detect(drive, VEE_SIX, History()).signature == "two_cylinders"


def test_one_bank() -> None:
    drive, _ = record(anywhere((2, 4, 6), 0.04), 6, Trip(trims=(0.0, 14.0)))
    finding = detect(drive, VEE_SIX, History())
    assert finding.signature == "one_bank"
    assert value(finding, "bank") == 2
    assert finding.parts[0] == "exhaust_leak"


def test_all_under_load_are_the_plugs_unless_the_fuel_runs_short() -> None:
    plugs, _ = record(weak_spark((1, 2, 3, 4), 0.05))
    starved, _ = record(weak_spark((1, 2, 3, 4), 0.05), trip=Trip(lean_under_load=True))
    found = detect(plugs, INLINE_FOUR, History())
    assert (found.signature, found.parts[0]) == ("all_under_load", "spark_plugs")
    assert detect(starved, INLINE_FOUR, History()).parts[0] == "fuel_pump"


def test_all_at_idle_are_air_or_cams() -> None:
    leaking, _ = record(at_idle(0.06), trip=Trip(trims=(14.0,)))
    even, _ = record(at_idle(0.06))
    assert detect(leaking, INLINE_FOUR, History()).signature == "all_at_idle"
    assert detect(leaking, INLINE_FOUR, History()).parts[0] == "intake_leak"
    assert detect(even, INLINE_FOUR, History()).parts[0] == "cam_timing_solenoid_intake"


def test_cold_only() -> None:
    def chance(cylinder: int, load: FloatArray, coolant: FloatArray, since: FloatArray) -> FloatArray:
        return normal(cylinder, load, coolant, since) + 0.08 * (coolant < 60.0)

    drive, _ = record(chance)
    assert detect(drive, INLINE_FOUR, History()).signature == "all_cold"


def test_twelve_cylinders_and_three() -> None:
    for cylinders in (3, 12):
        drive, _ = record(weak_spark((2,), 0.3), cylinders)
        finding = detect(drive, None, History())
        assert (finding.signature, value(finding, "cylinder")) == ("one_cylinder", 2)
        assert value(finding, "cylinders_inferred") == cylinders


def test_the_law_counts_all_cylinders_but_a_neighbour_tells_more() -> None:
    """0.5 % of one cylinder of four is 0.13 % of all firings, far below the floor, but the others have none."""
    drive, _ = record(anywhere((4,), 0.005))
    finding = detect(drive, INLINE_FOUR, History())
    assert value(finding, "misfire_percent") < 0.25
    assert (finding.verdict, finding.urgency) == (Verdict.FAULT, Urgency.WATCH)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("size", [1e-5, 1e-4, 4e-4])
def test_few_misfires_everywhere_raise_nothing(seed: int, size: float) -> None:
    def chance(cylinder: int, load: FloatArray, coolant: FloatArray, since: FloatArray) -> FloatArray:
        return np.full(len(load), size)

    drive, _ = record(chance, trip=Trip(seed=seed))
    assert detect(drive, INLINE_FOUR, History()).verdict is Verdict.HEALTHY
    assert detect(drive, None, History()).verdict is Verdict.HEALTHY


def test_one_bumpy_stretch_is_no_fault() -> None:
    """Forty misfires over all cylinders within twenty seconds of a warm engine, and none before or after."""

    def chance(cylinder: int, load: FloatArray, coolant: FloatArray, since: FloatArray) -> FloatArray:
        return np.where((since > 1000.0) & (since < 1020.0), 0.04, 0.0)

    drive, _ = record(chance)
    finding = detect(drive, INLINE_FOUR, History())
    assert finding.verdict is Verdict.HEALTHY
    assert finding.signature == "one_burst"


def test_forty_misfires_in_a_few_bursts_are_hardly_ever_raised() -> None:
    """Bursts common to all cylinders in one half-minute of ten (gamma-distributed strength), ten misfires of each."""
    generator = np.random.default_rng(0)
    raised = []
    for seed in range(40):
        burst = np.repeat(generator.gamma(0.1, 10.0, 60), 30)

        def chance(
            cylinder: int, load: FloatArray, coolant: FloatArray, since: FloatArray, burst: FloatArray = burst
        ) -> FloatArray:
            return np.clip(10.0 * burst[: len(load)] / 29_000.0, 0.0, 1.0)

        drive, _ = record(chance, trip=Trip(seed=seed))
        finding = detect(drive, INLINE_FOUR, History())
        raised += [finding.urgency] if finding.verdict is Verdict.FAULT else []
    assert len(raised) <= 2
    assert set(raised) <= {Urgency.WATCH}


def test_little_fuel_in_the_tank_softens_the_verdict() -> None:
    def chance(cylinder: int, load: FloatArray, coolant: FloatArray, since: FloatArray) -> FloatArray:
        return np.where(since % 240.0 > 200.0, 0.03, 0.0)

    drive, _ = record(chance, trip=Trip(fuel_level=6.0))
    finding = detect(drive, INLINE_FOUR, History())
    assert (finding.signature, finding.urgency) == ("low_fuel", Urgency.WATCH)
    full, _ = record(chance, trip=Trip(fuel_level=70.0))
    assert detect(full, INLINE_FOUR, History()).signature != "low_fuel"


def test_the_cars_own_limit_is_heard() -> None:
    drive, _ = record(anywhere((1, 2, 3, 4), 0.004), trip=Trip(own_limit=0.3))
    finding = detect(drive, INLINE_FOUR, History())
    assert finding.verdict is Verdict.FAULT
    assert value(finding, "car_own_result") == pytest.approx(0.4, abs=0.1)
    lenient, _ = record(anywhere((1, 2, 3, 4), 0.0004), trip=Trip(own_limit=3.0))
    assert detect(lenient, INLINE_FOUR, History()).verdict is Verdict.HEALTHY
