"""What a drive has shown so far, drive by drive."""

from __future__ import annotations

import numpy as np
import pytest

from obdwatch.records import Drive, Session
from obdwatch.signals.coverage import (
    Coverage,
    coverage,
    cranking_captured,
    soaked_cold_start,
    warmed_up,
)
from tests.signals.recordings import Series, drive_of

MINUTES = 20
TIMES = np.arange(0, MINUTES * 60, 0.5)


def phase(idle: float, cruise: float, coast: float, pull: float) -> Series:
    """Ten minutes at idle, eight of cruise, one of coasting, one with three pulls of five seconds."""
    values = np.full(len(TIMES), idle)
    values[TIMES >= 600] = cruise
    values[TIMES >= 1080] = coast
    values[TIMES >= 1140] = cruise
    for start in (1145, 1160, 1175):
        values[(start <= TIMES) & (start + 5 > TIMES)] = pull
    return TIMES.tolist(), values.tolist()


def whole_drive(session: Session | None = None) -> Drive:
    coolant = np.clip(12 + TIMES * 0.15, 12, 92)
    return drive_of(
        {
            "engine_speed": phase(750, 2000, 2200, 4000),
            "vehicle_speed": phase(0, 80, 60, 90),
            "calculated_load": phase(25, 40, 10, 98),
            "throttle_position": phase(15, 25, 14, 82),
            "fuel_system_status": phase(2, 2, 4, 4),
            "coolant_temperature": (TIMES.tolist(), coolant.tolist()),
            "intake_air_temperature": (TIMES.tolist(), [11.0] * len(TIMES)),
        },
        session,
    )


def test_a_whole_drive_shows_everything_but_the_start() -> None:
    seen = coverage(whole_drive())
    assert seen.duration == MINUTES * 60 - 0.5
    assert seen.soaked_cold_start is True
    assert seen.warm_up_reached
    # 71 degC are reached after 393.3 s, so 206 s of the ten minutes at idle are warm.
    assert seen.idle_warm == pytest.approx(206.5, abs=1)
    # The eight minutes and the three pauses after pulls, each less the five seconds that a change takes.
    assert seen.steady_cruise == pytest.approx(475 + 5 + 5 + 15, abs=4)
    assert seen.overrun == pytest.approx(60, abs=1)
    assert seen.full_throttle_pulls == 3
    assert not seen.cranking_captured


def test_nothing_has_been_shown_by_nothing() -> None:
    assert coverage(drive_of({})) == Coverage()
    assert coverage(drive_of({"fuel_level": ([0, 60], [50, 50])})) == Coverage(duration=60.0)


@pytest.mark.parametrize(
    ("coolant", "air", "hours", "expected"),
    [
        (12.0, 10.0, None, True),
        (12.0, 20.0, None, False),
        (12.0, 20.0, 10.0, True),  # the keeper knows better than a sensor in the sun
        (12.0, 10.0, 1.0, False),
        (85.0, 84.0, None, False),  # hot, whatever the air
        (85.0, 20.0, 10.0, False),
        (12.0, None, None, None),
        (None, 10.0, None, None),
        (None, None, 8.0, True),
    ],
)
def test_a_cold_start_is_known_by_the_soak_or_by_the_temperatures(
    coolant: float | None, air: float | None, hours: float | None, expected: bool | None
) -> None:
    first = {"coolant_temperature": coolant, "intake_air_temperature": air}
    series = {key: ([0.0, 1.0], [value, value]) for key, value in first.items() if value is not None}
    drive = drive_of(series | {"engine_speed": ([0, 1], [0, 750])}, Session("test", None, soak_hours=hours))
    assert soaked_cold_start(drive) is expected


def test_a_coolant_seen_too_late_says_nothing_of_the_start() -> None:
    late = {"coolant_temperature": ([300.0], [20.0]), "intake_air_temperature": ([0.0], [20.0])}
    assert soaked_cold_start(drive_of(late)) is None


@pytest.mark.parametrize(
    ("coolant", "expected"), [([20, 50, 71], True), ([20, 50, 70], False), ([80, 85, 90], False), ([80, 60, 75], False)]
)
def test_a_warm_up_begins_cold_and_ends_warm(coolant: list[float], expected: bool) -> None:
    assert warmed_up(drive_of({"coolant_temperature": ([0, 100, 200], coolant)})) is expected


def start(speeds: list[float], voltage_key: str = "control_module_voltage", voltage_step: float = 0.2) -> Drive:
    times = [0.2 * place for place in range(len(speeds))]
    voltages = np.arange(0, times[-1] + 0.01, voltage_step).tolist()
    return drive_of({"engine_speed": (times, speeds), voltage_key: (voltages, [10.0] * len(voltages))})


CRANKED = [0, 0, 0, 180, 200, 210, 220, 900, 1100, 1050]


@pytest.mark.parametrize("key", ["control_module_voltage", "adapter_voltage"])
def test_a_start_seen_several_times_is_captured(key: str) -> None:
    assert cranking_captured(start(CRANKED, key))


@pytest.mark.parametrize(
    "drive",
    [
        start([0, 0, 0, 200, 900, 1100]),  # one value of the crank speed
        start([0, 0, 0, 900, 1100]),
        start([800, 850, 800]),
        start([0, 200, 210, 220, 0, 0]),  # it never ran
        start(CRANKED, voltage_step=1.3),
        start(CRANKED, "fuel_level"),
        drive_of({}),
    ],
)
def test_a_start_not_seen_is_not_captured(drive: Drive) -> None:
    assert not cranking_captured(drive)


def test_the_second_start_of_a_session_counts_too() -> None:
    assert cranking_captured(start([800, 800, 0, 0, *CRANKED]))


def test_a_short_stab_at_the_pedal_is_no_pull() -> None:
    drive = whole_drive()
    shorter = {key: (s.times.tolist(), s.values.tolist()) for key, s in drive.signals.items()}
    throttle = np.array(shorter["throttle_position"][1])
    throttle[(TIMES >= 1146) & (TIMES < 1150)] = 20
    drive = drive_of(shorter | {"throttle_position": (TIMES.tolist(), throttle.tolist())})
    assert coverage(drive).full_throttle_pulls == 2


def test_times_of_another_century_do_not_fill_the_memory() -> None:
    drive = drive_of({"engine_speed": ([0.0, 4e9], [750, 750])})
    assert coverage(drive).duration == 4e9
