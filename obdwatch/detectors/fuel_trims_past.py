"""What the car's earlier healthy drives say of its trims, since the last repair of a part that the trims judge."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from obdwatch.detectors.oxygen_sensors_baseline import MOST_DRIVES, Baseline, baseline, since_repair
from obdwatch.records import History

PARTS = (
    "intake_leak",
    "crankcase_ventilation",
    "exhaust_leak",
    "maf_sensor",
    "fuel_pump",
    "fuel_injector",
    "oxygen_sensor_upstream",
    "throttle_body",
)
"""A repair of one of these starts the trims anew."""

LEAST_SPREAD = 0.4
"""Scatter of a mean trim between drives [%] below which three drives alike are luck: half a step of 100/128."""


@dataclass(frozen=True, slots=True)
class Past:
    """The car's own baselines by measure."""

    history: History
    detector: str

    def of(self, name: str) -> Baseline | None:
        """Return the baseline of a measure, its sign turned where the name begins with a minus; None untold."""
        known = baseline(self.history, self.detector, name.removeprefix("-"), PARTS)
        if known is None:
            return None
        sign = -1.0 if name.startswith("-") else 1.0
        return replace(known, middle=sign * known.middle, spread=max(LEAST_SPREAD, known.spread))

    def logarithm(self, name: str, within: float) -> tuple[float, float] | None:
        """Return the mean logarithm of a positive measure over one or more drives, and what today's may differ by.

        `within` is the scatter of the logarithm between drives of one car, where too few tell their own.
        """
        values = [
            feature.value
            for feature in since_repair(self.history, self.detector, PARTS)
            if feature.name == name and feature.healthy and feature.value > 0.0
        ]
        if not values:
            return None
        logs = np.log(np.array(values[-MOST_DRIVES:]))
        return float(np.median(logs)), within * float(np.sqrt(1.0 + 1.0 / len(logs)))
