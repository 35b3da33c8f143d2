"""The warm-up detector on twelve open recordings of one healthy turbo-diesel in all weathers (data set: CC BY 4.0).

Nothing is known to be wrong with the car, so a fault found here is a false alarm; four of the drives are slow and cold.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from obdwatch.detectors.heat_input import burns_lean
from obdwatch.detectors.warm_up import detect
from obdwatch.explanations.findings import explain
from obdwatch.records import Car, Drive, Feature, Finding, History, Verdict
from tests.detectors.real_drives import read_drive
from tests.detectors.test_warm_up_history import features
from tests.shared_data import SHARED, shared

NAMES = sorted(path.name for path in (SHARED / "data" / "warmup_drives").glob("*.csv.gz")) or ["absent"]
SLOW = ("2018-02-21_ka", "2018-02-26_rt", "2018-02-27_ka", "2018-03-20_ka")


@cache
def drive(name: str) -> Drive:
    return read_drive(shared(f"data/warmup_drives/{name}"))


def measure(finding: Finding, name: str) -> float:
    return next(one.value for one in finding.measures if one.name == name)


@pytest.mark.parametrize("name", NAMES)
def test_no_fault_is_claimed_on_a_healthy_car(name: str) -> None:
    finding = detect(drive(name), None, History())
    assert finding.verdict is not Verdict.FAULT


@pytest.mark.parametrize("name", NAMES)
def test_no_fault_is_claimed_when_the_profile_names_engine_and_thermostat(name: str) -> None:
    car = Car("car", fuel="diesel", displacement_l=2.0, thermostat_temperature=88.0)
    assert detect(drive(name), car, History()).verdict is not Verdict.FAULT


@pytest.mark.parametrize("order", ["as driven", "winter first"])
def test_no_fault_is_claimed_against_the_cars_own_past(order: str) -> None:
    """Five drives of July before six of winter, and the other way round: the season must not look like wear."""
    names = NAMES if order == "as driven" else sorted(NAMES, key=lambda name: name[4:])
    past: tuple[Feature, ...] = ()
    for day, name in enumerate(names):
        finding = detect(drive(name), Car("car", displacement_l=2.0), History(past))
        assert finding.verdict is not Verdict.FAULT, name
        past += features(finding, day)


@pytest.mark.parametrize("name", NAMES)
def test_every_verdict_explains_itself_with_numbers(name: str) -> None:
    finding = explain(detect(drive(name), None, History()))
    assert finding.headline
    assert "The warm-up was followed for" in finding.reasons[0]
    assert any("a healthy engine with the same fuel" in reason for reason in finding.reasons)
    assert finding.spans
    assert bool(finding.drive_to_get) == (finding.verdict is Verdict.NOT_ENOUGH_DATA)


@pytest.mark.parametrize("name", [name for name in NAMES if not name.startswith(SLOW)])
def test_a_drive_that_settles_is_called_healthy_with_its_level(name: str) -> None:
    finding = detect(drive(name), None, History())
    assert finding.verdict is Verdict.HEALTHY
    if not name.startswith("2017-07-11"):  # its gap of 604 s hides the arrival
        assert 88.0 <= measure(finding, "regulating_temperature") <= 93.0  # its own plateau, read off the recordings


@pytest.mark.parametrize("name", [name for name in NAMES if name.startswith(SLOW)])
def test_a_slow_cold_drive_lies_within_what_was_to_be_expected(name: str) -> None:
    finding = detect(drive(name), None, History())
    end = next(one for one in finding.measures if one.name == "coolant_at_end")
    assert end.expected is not None
    assert end.expected[0] < end.value < end.expected[1]
    assert measure(finding, "stuck_open_probability") < 0.2


def test_an_engine_without_throttle_is_recognised_by_its_idle_pressure() -> None:
    assert all(burns_lean(drive(name), None) for name in NAMES)


def test_a_gap_in_the_recording_does_not_become_a_curve() -> None:
    finding = detect(drive(next(name for name in NAMES if name.startswith(("2017-07-11", "absent")))), None, History())
    assert finding.verdict is Verdict.HEALTHY
    # 604 s of gap carried on at the last flow would add some 10 MJ to what was measured.
    assert measure(finding, "duration") > 1000.0


@pytest.mark.parametrize("path", [Path("LICENSE.txt")])
def test_the_data_carry_their_licence(path: Path) -> None:
    assert "Attribution" in shared(f"data/warmup_drives/{path}").read_text(encoding="utf-8", errors="replace")
