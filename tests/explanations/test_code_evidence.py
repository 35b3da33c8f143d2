"""A code is read together with a drive: sentences with numbers, and silence where the drive shows nothing."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.explanations.code_evidence import evidence
from obdwatch.explanations.codes import explain
from obdwatch.records import (
    CodeKind,
    CodeReading,
    Drive,
    Finding,
    FreezeFrame,
    MonitorResult,
    Session,
    Signal,
    Urgency,
    Verdict,
)

SECONDS = 240
HALF = SECONDS // 2


def drive(signals: Mapping[str, float | list[float]], **more: object) -> Drive:
    """A warm drive at 1 Hz: two minutes of idle, then two minutes at 2,500 rpm; lists give both halves."""
    times = np.arange(SECONDS, dtype=float)
    usual: dict[str, float | list[float]] = {
        "engine_speed": [750.0, 2500.0],
        "vehicle_speed": [0.0, 80.0],
        "coolant_temperature": 90.0,
        "fuel_system_status": 2.0,
    }
    made = {key: _signal(key, times, value) for key, value in (usual | dict(signals)).items()}
    return Drive(Session("test", None), made, **more)  # type: ignore[arg-type]


def _signal(key: str, times: np.ndarray, value: float | list[float]) -> Signal:
    halves = value if isinstance(value, list) else [value, value]
    values = np.where(times < HALF, halves[0], halves[1]).astype(float)
    return Signal(key, PARAMETER_BY_KEY[key].unit, times, values)


def trims(bank: int, idle: float, cruise: float) -> dict[str, float | list[float]]:
    return {f"short_term_fuel_trim_bank_{bank}": 0.0, f"long_term_fuel_trim_bank_{bank}": [idle, cruise]}


def said(code: str, seen: Drive, **more: object) -> str:
    return " ".join(evidence(explain(code), seen, **more))  # type: ignore[arg-type]


def test_an_empty_drive_says_nothing() -> None:
    empty = Drive(Session("test", None), {})
    for code in ("P0171", "P0300", "P0128", "P0562", "U0100", "P1234", "P0364"):
        assert evidence(explain(code), empty) == ()


def test_a_lean_idle_that_gets_better_looks_like_an_air_leak() -> None:
    told = said("P0171", drive(trims(1, 18.0, 4.0)))
    assert "bank 1, warm engine: +18.0 % at idle and +4.0 % above 1,800 rpm" in told
    assert "air leak" in told


def test_a_mixture_that_gets_leaner_with_speed_points_to_fuel() -> None:
    told = said("P0171", drive(trims(1, 3.0, 16.0)))
    assert "fuel supply" in told
    assert "air leak" not in told


def test_a_normal_mixture_is_said_too() -> None:
    assert "normal mixture" in said("P0171", drive(trims(1, 2.0, 1.0)))


def test_a_rich_mixture_is_told_from_a_lean_one() -> None:
    assert "rich everywhere" in said("P0172", drive(trims(1, -15.0, -14.0)))


@pytest.mark.parametrize(
    ("second", "words"), [(17.0, "Both banks are off in the same way"), (1.0, "Only bank 1 is off")]
)
def test_banks_are_compared(second: float, words: str) -> None:
    assert words in said("P0171", drive(trims(1, 18.0, 4.0) | trims(2, second, second / 4)))


def test_a_cold_engine_yields_no_trims() -> None:
    assert "Fuel correction" not in said("P0171", drive(trims(1, 18.0, 4.0) | {"coolant_temperature": 20.0}))


def test_open_loop_yields_no_trims() -> None:
    assert "Fuel correction" not in said("P0171", drive(trims(1, 18.0, 4.0) | {"fuel_system_status": 4.0}))


def counts(*values: float) -> tuple[MonitorResult, ...]:
    return tuple(
        MonitorResult(0.0, 0x7E8, 0xA2 + place, 0x0C, 0x24, (int(value), 0, 65535), value, 0.0, 65535.0, "", True)
        for place, value in enumerate(values)
    )


def test_one_cylinder_alone_is_named() -> None:
    """More than 90 % in one cylinder is one cylinder's fault: 40 CFR 86.010-18(h)(2)."""
    told = said("P0300", drive({}, monitors=counts(1, 0, 120, 2)))
    assert "Cylinder 3 has 120 of 123 counted misfires (98%)" in told
    assert "cylinder 3 alone" in told


def test_several_cylinders_have_a_shared_cause() -> None:
    told = said("P0300", drive({}, monitors=counts(30, 28, 31, 29)))
    assert "alone" not in told
    assert "share" in told


def test_counters_at_zero_are_said_as_zero() -> None:
    assert "stand at zero" in said("P0301", drive({}, monitors=counts(0, 0, 0, 0)))


def test_misfire_counters_are_no_evidence_for_a_thermostat() -> None:
    assert "misfires" not in said("P0128", drive({}, monitors=counts(30, 28, 31, 29)))


def test_the_freeze_frame_of_the_code_is_read_in_the_users_units() -> None:
    frame = FreezeFrame(
        0.0, 0x7E8, 0, "P0171", {"engine_speed": 750.0, "vehicle_speed": 0.0, "coolant_temperature": 30.0}
    )
    told = said("P0171", drive({}, freeze_frames=(frame,)))
    assert "When it was set: engine speed 750 rpm, vehicle speed 0 km/h, coolant temperature 30 °C." in told
    assert "still cold" in told
    assert "stood at idle" in told
    assert "86 °F" in said("P0171", drive({}, freeze_frames=(frame,)), units="us")
    assert said("P0171", drive({}, freeze_frames=(frame, frame))) == told  # read twice, said once


def test_a_freeze_frame_of_another_code_is_left_alone() -> None:
    frame = FreezeFrame(0.0, 0x7E8, 0, "P0300", {"engine_speed": 750.0})
    assert "When it was set" not in said("P0171", drive({}, freeze_frames=(frame,)))


def test_the_memories_that_hold_the_code_are_named() -> None:
    codes = (CodeReading(0.0, CodeKind.STORED, "P0171"), CodeReading(1.0, CodeKind.PERMANENT, "P0171"))
    assert "stored and permanent" in said("P0171", drive({}, codes=codes))
    assert "not this one" in said("P0300", drive({}, codes=codes))


def test_low_voltage_is_named_first_for_network_codes() -> None:
    told = said("U0100", drive({"control_module_voltage": 12.4}))
    assert "12.4 V in the middle" in told
    assert "hardly charged" in told
    assert "overcharged" in said("P0563", drive({"control_module_voltage": 15.6}))
    healthy = said("U0100", drive({"control_module_voltage": [14.1, 14.2]}))
    assert "charged" not in healthy


def test_coolant_is_quoted_for_cooling_codes_only() -> None:
    assert "from 90 °C to 90 °C" in said("P0117", drive({}))
    assert "Coolant in this drive" not in said("P0455", drive({}))


def test_a_value_that_never_moves_is_pointed_out() -> None:
    assert "all the time: it never moved" in said("P0122", drive({"throttle_position": 0.0}))
    assert "never moved" not in said("P0122", drive({"throttle_position": [12.0, 30.0]}))


def test_missing_values_are_not_taken_for_a_stuck_sensor() -> None:
    assert "never moved" not in said("P0122", drive({"throttle_position": float("nan")}))


def test_findings_that_point_to_the_same_part_are_joined() -> None:
    finding = Finding(
        "warm_up",
        Verdict.FAULT,
        "stuck_open",
        Urgency.NEXT_SERVICE,
        0.9,
        "The thermostat opens too early",
        parts=("thermostat",),
    )
    told = said("P0128", drive({}), findings=(finding,))
    assert "The thermostat opens too early (thermostat)" in told
    assert "thermostat opens" not in said("P0455", drive({}), findings=(finding,))


def test_evidence_changes_nothing_and_is_repeatable() -> None:
    seen = drive(trims(1, 18.0, 4.0))
    before = seen.signals["long_term_fuel_trim_bank_1"].values.copy()
    assert evidence(explain("P0171"), seen) == evidence(explain("P0171"), seen)
    assert np.array_equal(seen.signals["long_term_fuel_trim_bank_1"].values, before)
