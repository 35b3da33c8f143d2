"""The charging voltage against this car's own earlier drives in comparable air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.charging_record import ChargingRecord
from obdwatch.detectors.oxygen_sensors_baseline import FEWEST_DRIVES, MAD_TO_SIGMA, since_repair
from obdwatch.physics.charging import COMPENSATION
from obdwatch.records import History

REPAIRS: tuple[str, ...] = ("alternator", "drive_belt", "battery")
"""A new one of these starts the car's numbers anew."""

COMPARABLE = 20.0
"""Drives in air so close [K] are compared, with a regulator's compensation allowed for."""

LEAST_DRIVING, LEAST_IDLE = 0.3, 0.5
"""Volts beyond the own past: a regulator holds its level within some 0.1 V (common practice), consumers at idle move it
further."""

SIGMAS, LEAST_SCATTER = 4.0, 0.05
"""Standard deviations of the car's own scatter, which is at least a few steps of common readings [V]."""


@dataclass(frozen=True, slots=True)
class Own:
    """What the past allows: from `low` to `high` [V], known from `drives` drives."""

    low: float
    high: float
    drives: int


@dataclass(frozen=True, slots=True)
class Past:
    """The car's own voltage at speed and at idle, None without a past."""

    driving: Own | None = None
    idle: Own | None = None


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
    for feature in since_repair(history, "charging", REPAIRS):
        if feature.healthy:
            by_session.setdefault(feature.session_id, {})[feature.name] = feature.value
    same = from_adapter(record.source)
    drives = [one for one in by_session.values() if "outside_air" in one and one.get(FROM_ADAPTER) == same]
    return Past(
        _own(record.air, drives, "charging_voltage", LEAST_DRIVING),
        _own(record.air, drives, "idle_voltage", LEAST_IDLE),
    )


def _own(air: float, drives: list[dict[str, float]], name: str, least: float) -> Own | None:
    rows = [(one["outside_air"], one[name]) for one in drives if name in one]
    rows = [(at, value) for at, value in rows if abs(at - air) <= COMPARABLE]
    if len(rows) < FEWEST_DRIVES:
        return None
    values = np.array([value for _, value in rows])
    middle = float(np.median(values))
    spread = max(LEAST_SCATTER, float(np.median(np.abs(values - middle))) * MAD_TO_SIGMA)
    # A regulator may follow the temperature or not: the allowance is for the usual distance, either way.
    drift = abs(COMPENSATION) * float(np.median([abs(at - air) for at, _ in rows]))
    slack = max(least, SIGMAS * spread) + drift
    return Own(middle - slack, middle + slack, len(rows))
