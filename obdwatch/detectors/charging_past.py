"""The charging voltage against this car's own earlier drives in comparable air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.charging_record import ChargingRecord
from obdwatch.detectors.charging_start import latest_usual
from obdwatch.detectors.oxygen_sensors_baseline import since_repair
from obdwatch.physics.charging import COMPENSATION
from obdwatch.physics.prediction import Norm, predict
from obdwatch.records import History

REPAIRS: tuple[str, ...] = ("alternator", "drive_belt", "battery")
"""A new one of these starts the car's numbers anew."""

COMPARABLE = 40.0
"""Drives in air so close [K] are compared, with a regulator's compensation allowed for."""

LEAST_DRIVING, LEAST_IDLE = 0.3, 0.5
"""Volts beyond the own past: a regulator holds its level within some 0.1 V (common practice), consumers at idle move it
further."""

REFERENCE = 20.0
"""Outside air at which the norms are stated [degC]."""

USUAL_DRIVING = Norm(level=14.15, between=0.3, within=0.08, slope=COMPENSATION / 2.0, slopes=-COMPENSATION / 2.0)
"""Voltage at speed [V]: 13.5 to 14.8 between cars (published trade reference, taken as two deviations either way), held
by one regulator within some 0.1 V (common practice), which follows the temperature or does not."""

USUAL_IDLE = Norm(level=13.9, between=0.4, within=0.2, slope=COMPENSATION / 2.0, slopes=-COMPENSATION / 2.0)
"""As USUAL_DRIVING at a warm idle, where consumers count for more [V] (common practice)."""

DELAY = "charging_delay"
"""Kept with every start that shows it: the seconds from the running engine to the charging alternator."""

CHANCE = 1e-3
"""Chance that a sound drive lies beyond a limit to one side."""


@dataclass(frozen=True, slots=True)
class Own:
    """What the past allows: from `low` to `high` [V, s], known from `drives` drives."""

    low: float
    high: float
    drives: int


@dataclass(frozen=True, slots=True)
class Past:
    """The car's own voltage at speed and at idle, and its delay after a start [s]; None without a past."""

    driving: Own | None = None
    idle: Own | None = None
    delay: Own | None = None


FROM_ADAPTER = "voltage_from_adapter"
"""Kept with every drive: the two sources differ by some tenths of a volt and are not compared with each other."""


def from_adapter(source: str) -> float:
    """Return 1 for the adapter's own voltage, 0 for the control unit's."""
    return float(source == "adapter_voltage")


def compare(record: ChargingRecord, history: History) -> Past:
    """Return what earlier healthy drives lead to expect of this one."""
    if record.air is None:
        return Past()
    by_session: dict[str, dict[str, float]] = {}
    for name in ("outside_air", FROM_ADAPTER, "charging_voltage", "idle_voltage", DELAY):
        for feature in (one for one in since_repair(history, "charging", REPAIRS, name) if one.healthy):
            by_session.setdefault(feature.session_id, {})[feature.name] = feature.value
    same = from_adapter(record.source)
    drives = [one for one in by_session.values() if "outside_air" in one and one.get(FROM_ADAPTER) == same]
    return Past(
        _own(record.air, drives, "charging_voltage", USUAL_DRIVING, LEAST_DRIVING),
        _own(record.air, drives, "idle_voltage", USUAL_IDLE, LEAST_IDLE),
        _delay(record.air, drives),
    )


def _delay(air: float, drives: list[dict[str, float]]) -> Own | None:
    earlier = [(one["outside_air"], one[DELAY]) for one in drives if DELAY in one]
    found = latest_usual(air, earlier)
    return None if found is None else Own(0.0, *found)


def _own(air: float, drives: list[dict[str, float]], name: str, norm: Norm, least: float) -> Own | None:
    rows = [(one["outside_air"], one[name]) for one in drives if name in one]
    rows = [(at, value) for at, value in rows if abs(at - air) <= COMPARABLE]
    if not rows:
        return None
    at, values = np.array(rows).T
    usual = predict(norm, at - REFERENCE, values, air - REFERENCE)
    slack = max(least, usual.limit(CHANCE))
    return Own(usual.middle - slack, usual.middle + slack, usual.readings)
