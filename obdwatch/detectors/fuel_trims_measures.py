"""The numbers a finding of the fuel-trim detector rests on, and those the car's history keeps."""

from __future__ import annotations

from obdwatch.detectors.fuel_trims_evidence import Evidence
from obdwatch.detectors.fuel_trims_fit import Z95, Level, TrimFit
from obdwatch.detectors.fuel_trims_limits import (
    BANK_APART,
    EVERYWHERE,
    FEW_SIGMAS,
    HIGH_FLOW,
    LOW_FLOW,
    OWN_APART,
    OWN_FAST_IDLE,
    OWN_HIGH,
    OWN_LEVEL,
    OWN_LOW,
    Judgement,
)
from obdwatch.detectors.fuel_trims_past import Past
from obdwatch.detectors.fuel_trims_record import TrimRecord
from obdwatch.records import Measure

SOUND = (-EVERYWHERE, EVERYWHERE)
"""Trim of a sound car nobody knows [%]."""

USUAL_IDLE = (600.0, 1050.0)
"""Hot idle speed [1/min]: 600 to 900, and air conditioning (common practice)."""


def measures_of(
    record: TrimRecord, whole: TrimFit, banks: dict[int, TrimFit], seen: Evidence, past: Past, judgement: Judgement
) -> tuple[Measure, ...]:
    """Return what is shown; for two banks the levels of each come after those of both together."""
    found = [_level("level", whole.whole, expected_range(past, "level", OWN_LEVEL, SOUND))]
    found += _levels(whole, "", past, record.in_grams)
    if len(banks) > 1:
        for bank, fit in banks.items():
            found += _levels(fit, f"_bank_{bank}", past, False)
        apart = banks[1].whole.value - banks[2].whole.value
        limits = expected_range(past, "bank_difference", OWN_APART, (-BANK_APART, BANK_APART))
        found.append(Measure("bank_difference", apart, "%", None, limits))
    contrast = whole.contrast
    if contrast is not None:
        half = Z95 * contrast[1]
        usual = expected_range(past, "contrast", OWN_LOW, _few_range(past))
        found.append(Measure("contrast", contrast[0], "%", (contrast[0] - half, contrast[0] + half), usual))
    found += _parts_of_fit(whole)
    if judgement.bank is not None:
        found.append(Measure("bank", float(judgement.bank), ""))
    shares_cylinder = judgement.signature in ("lean_cylinder", "one_bank_lean")
    if shares_cylinder and seen.misfiring_cylinder is not None:
        found.append(Measure("cylinder", float(seen.misfiring_cylinder), ""))
    if judgement.signature in ("fuel_changed", "fuel_or_fault"):
        found.append(Measure("fuel_shift", judgement.size, "%"))
    if judgement.signature == "idles_fast" and seen.idle_speed is not None:
        before = past.of("idle_speed")
        usual = (before.middle - OWN_FAST_IDLE, before.middle + OWN_FAST_IDLE) if before is not None else USUAL_IDLE
        found.append(Measure("fast_idle", seen.idle_speed, "1/min", None, usual))
    if judgement.signature == "misfire_first":
        found.append(Measure("false_lean", judgement.size, "%"))
    flags = {
        "own_baseline": judgement.by_past,
        "loop_assumed": not record.loop_known,
        "vacuum_guessed": record.vacuum != "pressure",
        "pressure_metered": record.metering == "pressure",
    }
    found += [Measure(name, 1.0, "") for name, is_so in flags.items() if is_so]
    return tuple(found)


def learnt_of(record: TrimRecord, whole: TrimFit, seen: Evidence) -> tuple[Measure, ...]:
    """Return what later drives compare with and no screen shows."""
    found = []
    if whole.idle is not None:
        found.append(Measure("idle_air", whole.idle.air, "g/s"))
    for name, value, unit in (
        ("breathing_idle", seen.breathing_idle, "ratio"),
        ("breathing_flow", seen.breathing_flow, "ratio"),
        ("fuel_level", seen.fuel_level, "%"),
        ("idle_speed", seen.idle_speed, "1/min"),
        ("idle_pressure_share", None if seen.idle_ratio is None else 100.0 * seen.idle_ratio, "%"),
    ):
        if value is not None:
            found.append(Measure(name, value, unit))
    return tuple(found)


def expected_range(past: Past, name: str, own: float, otherwise: tuple[float, float]) -> tuple[float, float]:
    """Return the range of a measure [%]: within `own` of the car's past, `otherwise` where it has none."""
    before = past.of(name)
    return otherwise if before is None else (before.middle - own, before.middle + own)


def _few_range(past: Past) -> tuple[float, float]:
    """Return the range of the contrast [%] from one or two earlier drives, that of an unknown car without any."""
    few = past.few("contrast")
    if few is None:
        return -HIGH_FLOW, LOW_FLOW
    return few.middle - max(OWN_HIGH, FEW_SIGMAS * few.spread), few.middle + max(OWN_LOW, FEW_SIGMAS * few.spread)


def _level(name: str, level: Level, expected: tuple[float, float] | None) -> Measure:
    return Measure(name, level.value, "%", level.interval, expected)


def _levels(fit: TrimFit, suffix: str, past: Past, with_air: bool) -> list[Measure]:
    found = []
    for name, level in (("trim_at_idle", fit.idle), ("trim_at_flow", fit.flow)):
        if level is not None:
            found.append(_level(f"{name}{suffix}", level, expected_range(past, f"{name}{suffix}", OWN_LEVEL, SOUND)))
            if with_air:
                found.append(Measure(name.replace("trim", "air"), level.air, "g/s"))
    return found


def _parts_of_fit(whole: TrimFit) -> list[Measure]:
    """The two-part fit: leak, error that is the same everywhere, growth with flow."""
    found = []
    for name, part in (("error", whole.error), ("slope", whole.rise)):
        if part is not None:
            found.append(Measure(name, part[0], "%", (part[0] - Z95 * part[1], part[0] + Z95 * part[1])))
    if whole.leak is not None:
        half = Z95 * whole.leak.sigma
        found.append(Measure("leak_share", whole.leak.share, "%", (whole.leak.share - half, whole.leak.share + half)))
        for name, ends, unit in (("leak_flow", whole.leak.flow, "g/s"), ("leak_diameter", whole.leak.diameter, "mm")):
            if ends is not None:
                found.append(Measure(name, ends[0], unit, (ends[1], ends[2])))
    return found
