"""Which part a monitor of service 06 speaks of, on which bank, and what lets it run; ids are those of SAE J1979."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from obdwatch.detectors.misfire_pattern import CAM_CODES, EXHAUST_CAM_CODES
from obdwatch.detectors.monitor_results_margin import Judged
from obdwatch.records import Car, MonitorResult

OXYGEN, CATALYST, GAS_RECIRCULATION, CAMS = range(0x01, 0x11), range(0x21, 0x25), range(0x31, 0x35), range(0x35, 0x39)
EVAPORATIVE, HEATERS, HEATED_CATALYST = range(0x39, 0x3E), range(0x41, 0x51), range(0x61, 0x65)
SECONDARY_AIR, FUEL_SYSTEM, BOOST = range(0x71, 0x75), range(0x81, 0x85), range(0x85, 0x87)

SENSORS_PER_BANK = 4

ONE_CYLINDER_CODES = frozenset(f"P03{number:02d}" for number in range(1, 13))

HALF_WAY = 25.0
"""Margin [%] of the other bank from which it is well within: half of the 50 that a result in the middle has."""

DRIVES: tuple[tuple[range, str], ...] = (
    (OXYGEN, "With the engine hot, drive ten minutes at a steady 50 to 90 km/h, with a few gentle runs on overrun."),
    (HEATERS, "Start cold and let the engine run for five minutes."),
    (CATALYST, "With the engine hot, drive 15 minutes at a steady 70 to 100 km/h."),
    (EVAPORATIVE, "With the tank a quarter to three quarters full, start after a night's stand and drive 20 minutes."),
    (CAMS, "With the engine hot, drive ten minutes with some brisk acceleration."),
    (FUEL_SYSTEM, "With the engine hot, drive ten minutes with idling and steady speeds."),
    (
        GAS_RECIRCULATION,
        "With the engine hot, drive ten minutes at a steady speed, then roll out in gear from 80 km/h.",
    ),
    (SECONDARY_AIR, "Start cold and let the engine idle for two minutes."),
)
"""What usually lets a monitor run (common practice; each maker has conditions of its own)."""


def parts_of(one: Judged, car: Car | None, codes: frozenset[str], judged: Sequence[Judged]) -> tuple[str, ...]:
    """Return the parts that a result points to, likeliest first; empty where none of the known parts is meant.

    `judged` are all results of the drive: another bank or another test of the same monitor narrows it down.
    """
    monitor = one.result.monitor
    if monitor in OXYGEN or monitor in HEATERS:
        return ("oxygen_sensor_upstream",) if is_upstream(monitor) else ()
    if monitor in CATALYST:
        return ("catalytic_converter", "exhaust_leak", "oxygen_sensor_upstream")
    if monitor in CAMS:
        return _cams(one, car, codes, judged)
    if monitor in FUEL_SYSTEM:
        return _fuel(one, codes, judged)
    if monitor in HEATED_CATALYST:
        return ("catalytic_converter",)
    return ("intake_leak",) if monitor in BOOST else ()


def is_upstream(monitor: int) -> bool:
    """Whether an oxygen sensor (or heater) monitor speaks of the sensor before the catalyst."""
    first = OXYGEN.start if monitor in OXYGEN else HEATERS.start
    return (monitor - first) % SENSORS_PER_BANK == 0


def _cams(one: Judged, car: Car | None, codes: frozenset[str], judged: Sequence[Judged]) -> tuple[str, ...]:
    """Intake or exhaust cam: by code, by what the engine has, else by the order of tests (usually intake first)."""
    intake, exhaust = "cam_timing_solenoid_intake", "cam_timing_solenoid_exhaust"
    fitted = car.cam_timing if car is not None else None
    if fitted == ("intake",) or fitted == ("exhaust",):
        return (f"cam_timing_solenoid_{fitted[0]}",)
    said = bool(codes & CAM_CODES), bool(codes & EXHAUST_CAM_CODES)
    tests = sorted({other.result.test for other in judged if other.result.monitor == one.result.monitor})
    second = len(tests) > 1 and tests.index(one.result.test) >= len(tests) / 2
    exhaust_first = said == (False, True) or (said[0] == said[1] and second)
    return (exhaust, intake) if exhaust_first else (intake, exhaust)


def _fuel(one: Judged, codes: frozenset[str], judged: Sequence[Judged]) -> tuple[str, ...]:
    """A fuel system result in percent is the correction the car needs: more fuel for a lean engine.

    What both banks share (leak, pump, air sensor) moves both; where one keeps well within, the other's own parts are
    meant, and so they are where one cylinder misfires besides.
    """
    others = [o for o in judged if o.result.monitor in FUEL_SYSTEM and o.result.monitor != one.result.monitor]
    alone = bool(others) and min(other.margin for other in others) > HALF_WAY
    if one.result.unit == "%" and one.value < 0.0:
        return ("fuel_injector", "maf_sensor", "oxygen_sensor_upstream")
    one_misfires = len(codes & ONE_CYLINDER_CODES) == 1
    if alone or one_misfires:
        return ("fuel_injector", "exhaust_leak", "oxygen_sensor_upstream", "intake_leak")
    return ("intake_leak", "crankcase_ventilation", "fuel_pump", "maf_sensor")


def bank_of_monitor(monitor: int) -> int | None:
    """Return the bank, counted from 1, None where a monitor has none."""
    if monitor in OXYGEN or monitor in HEATERS:
        first = OXYGEN.start if monitor in OXYGEN else HEATERS.start
        return (monitor - first) // SENSORS_PER_BANK + 1
    for group in (CATALYST, GAS_RECIRCULATION, CAMS, HEATED_CATALYST, FUEL_SYSTEM, BOOST):
        if monitor in group:
            return monitor - group.start + 1
    return None


def drive_for(not_run: Iterable[MonitorResult]) -> str:
    """Return what to drive so that the results that have not run come in; empty where nothing helps."""
    waiting = [result.monitor for result in not_run]
    return " ".join(text for group, text in DRIVES if any(monitor in group for monitor in waiting))
