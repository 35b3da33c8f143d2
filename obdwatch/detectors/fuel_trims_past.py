"""What the car's earlier healthy drives say of its trims, since the last repair of a part that the trims judge."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from obdwatch.detectors.fuel_trims_limits import LOW_FLOW, OWN_LOW
from obdwatch.detectors.oxygen_sensors_baseline import FEWEST_DRIVES, MOST_DRIVES, Baseline, baseline, since_repair
from obdwatch.physics.order_statistics import median
from obdwatch.physics.prediction import Norm, Prediction, predict
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


CONTRAST = Norm(level=0.0, between=2.0, within=0.8)
"""Trim at idle over that with air flowing [%] of sound cars: between cars the 5 that one may have is two and a half
standard deviations; trims of one car repeat to 1 to 2 % between drives, and the day moves both alike (common
practice)."""

FUEL_STEP = 18.0
"""Rise of the level [%] that only another fuel makes between two drives: from a tenth of ethanol to the half that is
the least in E85 (ASTM D5798, from memory) the air per fuel goes from 14.1 to 11.7. Wear comes in smaller steps."""

TANK_DRIVES = 3
"""Drives on one tank in which the fuel may still be the reason: a commuter fills up once a week; a keeper who was asked
has answered by then (common practice)."""


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

    def few(self, name: str) -> Prediction | None:
        """Return what one or two earlier drives let expect of the contrast, of which the fuel is no part; None untold.

        The sign is turned where the name begins with a minus. With three drives `of` knows it better.
        """
        if name.removeprefix("-") != "contrast":
            return None
        rows = since_repair(self.history, self.detector, PARTS, "contrast")
        values = {one.session_id: one.value for one in rows if one.healthy}
        if not 0 < len(values) < FEWEST_DRIVES:
            return None
        sign = -1.0 if name.startswith("-") else 1.0
        return predict(CONTRAST, np.zeros(len(values)), sign * np.array(list(values.values())))

    def usual(self, name: str) -> float:
        """Return the middle of a measure over earlier healthy drives, however few; 0, that of all cars, without any."""
        rows = since_repair(self.history, self.detector, PARTS, name)
        values = [one.value for one in rows if one.healthy][:MOST_DRIVES]
        return median(values) if values else 0.0

    def logarithm(self, name: str, within: float) -> tuple[float, float] | None:
        """Return the mean logarithm of a positive measure over one or more drives, and what today's may differ by.

        `within` is the scatter of the logarithm between drives of one car, where too few tell their own.
        """
        values = [
            feature.value
            for feature in since_repair(self.history, self.detector, PARTS, name)
            if feature.healthy and feature.value > 0.0
        ]
        if not values:
            return None
        logs = np.log(np.array(values[-MOST_DRIVES:]))
        return median(logs), within * float(np.sqrt(1.0 + 1.0 / len(logs)))

    def knows_leak(self) -> bool:
        """Whether the last drive that saw both found the engine lean at idle against the road, as a leak makes it."""
        rows = since_repair(self.history, self.detector, PARTS, "contrast")
        if not rows or rows[-1].healthy:
            return False
        usual = self.of("contrast")
        return rows[-1].value > (LOW_FLOW if usual is None else usual.middle + OWN_LOW)

    def jumped(self, level: float) -> bool:
        """Whether the level [%] of both banks went up by a change of fuel at once, not more than a tank ago."""
        rows = [
            (feature.value, feature.healthy) for feature in since_repair(self.history, self.detector, PARTS, "level")
        ]
        sound = [value for value, healthy in rows if healthy]
        if not sound:
            return False
        usual = median(sound)
        up = [value - usual >= FUEL_STEP for value, _ in rows]
        strange = len(up) - 1 - max((place for place, one in enumerate(up) if not one), default=-1)
        before = rows[-1 - strange] if strange < len(rows) else None
        sudden = before is not None and abs(before[0] - usual) < FUEL_STEP / 2.0
        return level - usual >= FUEL_STEP and sudden and strange < TANK_DRIVES
