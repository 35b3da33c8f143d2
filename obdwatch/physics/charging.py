"""The charging system: what voltage a regulator holds, and how a voltage answers to the engine speed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from obdwatch.physics.order_statistics import median
from obdwatch.records import BoolArray, FloatArray

USUAL = (13.5, 14.8)
"""Voltage of a charging 12 V system [V] (published trade reference)."""

LOW, OVER = 13.2, 15.0
"""Below is low above 1,500 1/min after five minutes, above is too much [V] (published trade reference)."""

FULL_BATTERY = 12.65
"""Resting voltage of a full battery [V] (published trade table): below it a battery gives current, it takes none."""

COMPENSATION = -0.02
"""Regulators lower the voltage as the battery warms [V/K]: -3 to -5 mV/K per cell, six cells (common practice)."""

REFERENCE_TEMPERATURE = 15.0
"""Above it [degC] the usual range needs no allowance for cold."""


def highest_regulated(temperature: float, at_reference: float = USUAL[1]) -> float:
    """Highest voltage of a sound temperature-compensated regulator [V].

    Parameters: temperature outside [degC]; at_reference, its value at 15 degC and above [V].
    Valid: -40 to 50 degC, 12 V lead-acid; capped 0.7 V above the reference. Reference: USUAL, COMPENSATION.

    >>> highest_regulated(25.0), round(highest_regulated(-10.0), 2)
    (14.8, 15.3)
    """
    cold = max(0.0, REFERENCE_TEMPERATURE - temperature)
    return at_reference + min(0.7, -COMPENSATION * cold)


def rises_through(times: FloatArray, values: FloatArray, level: float, longest: float) -> float | None:
    """When readings first rise through a level [s], None where they do not or where a gap hides the moment.

    Parameters: times [s], values and level [any]; longest gap between the two readings around the moment [s].
    Valid: readings that rise steadily between two of them. Reference: linear interpolation.

    >>> rises_through(np.array([0.0, 0.1, 0.2]), np.array([12.0, 12.4, 13.2]), 12.8, 0.15)
    0.15
    """
    above = np.flatnonzero(values >= level)
    if not len(above) or above[0] == 0:
        return None
    before, after = int(above[0]) - 1, int(above[0])
    gap = float(times[after] - times[before])
    if gap > longest:
        return None
    share = (level - float(values[before])) / (float(values[after]) - float(values[before]))
    return round(float(times[before]) + share * gap, 4)


@dataclass(frozen=True, slots=True)
class Response:
    """`mean` residual at the events, its `t`, the `chance` that random times answer so strongly, number of `events`."""

    mean: float
    t: float
    chance: float
    events: int


def level_by_speed(speed: FloatArray, voltage: FloatArray, steady: BoolArray, width: float, least: int) -> FloatArray:
    """Voltage that goes with an engine speed while it is steady, for every sample [V]; NaN where too few tell.

    Parameters: speed [1/min], voltage [V], steady; width of a band of speed [1/min]; least, steady samples in a band.
    Reference: median per band.

    >>> speed, voltage = np.array([800.0, 810.0, 820.0, 3000.0]), np.array([14.0, 14.2, 14.4, 14.0])
    >>> level_by_speed(speed, voltage, np.ones(4, bool), 100.0, 3)
    array([14.2, 14.2, 14.2,  nan])
    """
    band = (speed // width).astype(np.int64)
    level = np.full(len(speed), np.nan)
    for one in np.unique(band[steady]):
        members = steady & (band == one)
        if np.count_nonzero(members) >= least:
            level[band == one] = median(voltage[members])
    return level


def event_response(residual: FloatArray, event: BoolArray) -> Response:
    """Mean residual at events, against the same pattern of events laid at random over the record.

    Parameters: residual [any], in the order of time, without NaN; event [-]. The pattern is shifted as a whole round
    the record, so that events stay as clustered as they are and the record as slow as it is.
    Valid: 20 samples or more. Reference: permutation test by circular shifts; t of a mean.

    >>> found = event_response(np.tile([0.0, 0.0, 0.0, -1.0], 10), np.tile([False, False, False, True], 10))
    >>> found.mean, found.events, found.chance  # a strictly periodic record is met again by each fourth shift
    (-1.0, 10, 0.25)
    """
    count = int(np.count_nonzero(event))
    if count < 2 or len(residual) < 2 * count:
        return Response(0.0, 0.0, 1.0, count)
    seen = residual[event]
    mean = float(np.mean(seen))
    error = float(np.std(seen, ddof=1)) / math.sqrt(count)
    # All circular shifts at once: the correlation of the record with the pattern.
    spectrum = np.fft.rfft(residual) * np.conj(np.fft.rfft(event.astype(np.float64)))
    means = np.fft.irfft(spectrum, len(residual)) / count
    as_low = float(np.mean(means <= mean + 1e-9)) if mean <= 0.0 else float(np.mean(means >= mean - 1e-9))
    t = mean / error if error > 1e-12 else math.copysign(math.inf, mean) if mean else 0.0
    return Response(mean, t, as_low, count)
