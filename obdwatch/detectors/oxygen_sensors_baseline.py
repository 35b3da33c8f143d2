"""What earlier healthy drives of the same car measured, since the last repair of the parts in question; for the
detectors of oxygen sensors, catalyst and idle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from obdwatch.physics.order_statistics import median
from obdwatch.records import Event, EventKind, Feature, History

FEWEST_DRIVES = 3
"""Earlier drives that make a baseline: a middle that one odd drive cannot move."""

MOST_DRIVES = 15
"""The oldest so many drives make the baseline: one that moved on would hide what creeps up over years."""

MAD_TO_SIGMA = 1.4826  # of a normal distribution


@dataclass(frozen=True, slots=True)
class Baseline:
    """`middle` of earlier drives and their robust standard deviation `spread`, from `drives` drives."""

    middle: float
    spread: float
    drives: int

    def beyond(self, value: float, least: float, sigmas: float = 4.0) -> bool:
        """Whether a value lies above the baseline by more than `least` and by more than its own scatter explains."""
        return value - self.middle > max(least, sigmas * self.spread)


def baseline(history: History, detector: str, name: str, parts: tuple[str, ...]) -> Baseline | None:
    """Return the car's own baseline of a measure, None where fewer than three healthy drives tell."""
    by_drive = {
        feature.session_id: feature.value for feature in since_repair(history, detector, parts, name) if feature.healthy
    }
    if len(by_drive) < FEWEST_DRIVES:
        return None
    values = np.array(list(by_drive.values())[:MOST_DRIVES])
    middle = median(values)
    return Baseline(middle, median(np.abs(values - middle)) * MAD_TO_SIGMA, len(values))


def since_repair(history: History, detector: str, parts: tuple[str, ...], name: str | None = None) -> Sequence[Feature]:
    """Return what a detector measured on earlier drives since the last repair of one of these parts, oldest first;
    all its measures, or the one of this `name`.
    """
    repairs = [event for event in history.events if event.kind is EventKind.REPAIR and event.part in parts]
    own = features_of(history, detector, name)
    return [feature for feature in own if all(_after(feature, event) for event in repairs)] if repairs else own


def features_of(history: History, detector: str, name: str | None = None) -> Sequence[Feature]:
    """Return every finite number that a detector measured on earlier drives, oldest first; or those of one `name`."""
    if name is None:
        return history.by_detector.get(detector, ())
    return history.by_name.get(detector, {}).get(name, ())


def _after(feature: Feature, repair: Event) -> bool:
    """Whether a drive came after a repair; one without date and odometer is taken as before it."""
    if feature.at is not None:
        return feature.at > repair.at
    if feature.odometer_km is not None and repair.odometer_km is not None:
        return feature.odometer_km > repair.odometer_km
    return False
