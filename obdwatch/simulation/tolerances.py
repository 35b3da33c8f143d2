"""Build tolerances: no two cars of a layout are alike, and the long trims have learnt the difference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.simulation.layouts import Layout
from obdwatch.simulation.mixture import CELLS


@dataclass(frozen=True, slots=True)
class Tolerances:
    """Factors around 1: air-mass sensor, filling, fuel per bank, sensor time (spread: common practice, 1 to 3 %)."""

    air_flow_gain: float
    filling: float
    injectors: tuple[float, ...]
    sensor_time: float

    @classmethod
    def drawn(cls, layout: Layout, seed: int) -> Tolerances:
        """Draw the tolerances of one car; the same seed is the same car."""
        draws = np.random.default_rng([seed, 99]).normal(size=3 + layout.banks)
        return cls(
            air_flow_gain=1.0 + 0.015 * float(np.clip(draws[0], -2, 2)),
            filling=1.0 + 0.015 * float(np.clip(draws[1], -2, 2)),
            injectors=tuple(1.0 + 0.012 * float(np.clip(draw, -2, 2)) for draw in draws[3:]),
            sensor_time=1.0 + 0.08 * float(np.clip(draws[2], -2, 2)),
        )


def learnt_trims(layout: Layout, tolerances: Tolerances) -> tuple[tuple[float, ...], ...]:
    """Return the long trims [%] a sound car of these tolerances has learnt by driving."""
    metered = tolerances.air_flow_gain if layout.has_air_flow_sensor else 1.0 / tolerances.filling
    return tuple(tuple(100.0 * (1.0 / (metered * injector) - 1.0) for _ in CELLS) for injector in tolerances.injectors)
