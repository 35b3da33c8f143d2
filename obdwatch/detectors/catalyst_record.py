"""What one bank's pair of sensors showed of the catalyst between them, in steady warm cruise or, failing that, in any
warm driving in closed loop.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from obdwatch.detectors.oxygen_sensors_record import WIDEST_BRACKET, Bank, Cuts, States
from obdwatch.detectors.sampled import spacing
from obdwatch.physics.catalyst_activity import activity, running_mean, switching_voltage
from obdwatch.physics.order_statistics import median, quantiles
from obdwatch.records import BoolArray, Drive, FloatArray, Signal
from obdwatch.signals.alignment import hold

SETTLED = 20.0
"""Time after a fuel cut until the oxygen it stored is used up [s]: a cut fills the catalyst, and a full one lets lean
exhaust through however good it is (common practice)."""

HALF_WINDOW = 2.0
"""Half the window of the running mean [s]: control swings last 0.5 to 2 s; slow drift of the rear sensor is none."""

SLOWEST_SAMPLING = 1.2
"""Spacing of readings [s] beyond which the window holds too few for a mean."""

ENOUGH_READINGS = 100
"""Readings of either sensor below which nothing is said: ten blocks of ten."""

BLOCKS = 10

QUIET_FRONT = 0.1
"""Mean swing before the catalyst [V] below which it is not put to the test: a quarter of what a sound switching sensor
makes (common practice)."""

SILENT_REAR = 0.03
"""A rear sensor that stays within this [V] through fuel cuts and enrichment measures nothing: six steps of its scale
of 0.005 V (SAE J1979)."""

BREAKTHROUGH = 0.1
"""Above its own middle by more than this [V], the rear sensor sees rich exhaust break through (common practice)."""

OFTEN = (0.2, 0.8)
"""Quantiles between which a rear sensor that copies the swing has moved: a fifth of the readings to either side."""

MEMORY = (2.0, 8.0)
"""After a cut [s], a full catalyst still lets lean exhaust through (common practice)."""

MEMORY_LEAN = 0.4
"""Rear voltage that shows it [V]: below the point of switching, 0.45 V (common practice)."""


@dataclass(frozen=True, slots=True)
class CatalystView:
    """One bank: mean swings `front` and `rear` [V], their `ratio` with its standard `error`, from `readings`; `steady`
    tells whether in cruise; `breakthrough` and `memory` are shares of readings, None where not seen; `two_sided` that
    both rich and lean come through; `missing` says what was missing.
    """

    bank: int
    wide_range: bool
    front: float = float("nan")
    rear: float = float("nan")
    ratio: float = float("nan")
    error: float = float("nan")
    readings: int = 0
    steady: bool = True
    breakthrough: float | None = None
    memory: float | None = None
    two_sided: bool = False
    missing: str = ""
    span: tuple[float, float] | None = None


def view(bank: Bank, cruise: States, driving: States, cuts: Cuts) -> CatalystView:
    """Return what one bank showed."""
    rear = bank.rear
    if rear is None:
        return CatalystView(bank.number, bank.wide_range, missing="no_rear_sensor")
    if max(spacing(bank.front), spacing(rear)) > SLOWEST_SAMPLING:
        return CatalystView(bank.number, bank.wide_range, missing="sampling_too_slow")
    for where, steady in ((cruise, True), (driving, False)):
        front_taken, rear_taken = where.take(bank.front, SETTLED), where.take(rear, SETTLED)
        if min(np.count_nonzero(front_taken), np.count_nonzero(rear_taken)) >= ENOUGH_READINGS:
            if _silent(rear, driving, cuts):
                return CatalystView(bank.number, bank.wide_range, missing="rear_silent")
            return _compare(bank, rear, front_taken, rear_taken, steady, driving)
    return CatalystView(bank.number, bank.wide_range, missing="too_little_cruise")


def certain(drive: Drive, cruise: States) -> States:
    """Return the cruise with every time at which the status was too old to show a fuel cut taken for one."""
    doubt = ~np.isfinite(hold(drive.signals.get("fuel_system_status"), cruise.at, WIDEST_BRACKET))
    since = cruise.at - np.maximum.accumulate(np.where(doubt, cruise.at, -np.inf))
    return replace(cruise, since_cut=np.minimum(cruise.since_cut, since))


def warm_driving(cruise: States) -> States:
    """Return the same grid with all warm driving in closed loop, steady or not, in place of the cruise."""
    return replace(cruise, cruise=cruise.driving)


def _compare(
    bank: Bank, rear: Signal, front_taken: BoolArray, rear_taken: BoolArray, steady: bool, driving: States
) -> CatalystView:
    front_times, front_values = bank.front.times[front_taken], bank.front.values[front_taken]
    if bank.wide_range:
        # Offsets of the sensor and a mixture held a little rich do not matter to the swing.
        middle = running_mean(front_times, front_values, HALF_WINDOW)
        front_values = switching_voltage(1.0 + front_values - middle)
    rear_times, rear_values = rear.times[rear_taken], rear.values[rear_taken]
    front = activity(front_times, front_values, HALF_WINDOW)
    behind = activity(rear_times, rear_values, HALF_WINDOW)
    blocks = [
        activity(times, values, HALF_WINDOW)
        for times, values in zip(np.array_split(rear_times, BLOCKS), np.array_split(rear_values, BLOCKS), strict=True)
    ]
    error = float(np.std(blocks)) / float(np.sqrt(BLOCKS)) / max(front, 1e-9)
    return CatalystView(
        bank.number,
        bank.wide_range,
        front,
        behind,
        behind / max(front, 1e-9),
        error,
        len(rear_values),
        steady,
        _breakthrough(rear, driving),
        _memory(rear, driving),
        _two_sided(rear_values),
        "front_quiet" if front < QUIET_FRONT else "",
        (float(rear_times[0]), float(rear_times[-1])),
    )


def _silent(rear: Signal, driving: States, cuts: Cuts) -> bool:
    """Whether the rear sensor did not move although fuel was cut, or in the whole drive."""
    values = rear.values[driving.take(rear, 0.0)]
    low, high = quantiles(values, (0.01, 0.99))
    if len(values) == 0 or high - low > SILENT_REAR:
        return False
    inside = np.zeros(len(rear.times), dtype=np.bool_)
    for begin, end in zip(cuts.begin_before, cuts.end_after, strict=True):
        inside |= (rear.times >= begin) & (rear.times <= end)
    return not inside.any() or float(np.ptp(np.append(rear.values[inside], values))) <= SILENT_REAR


def _breakthrough(rear: Signal, driving: States) -> float | None:
    values = rear.values[driving.take(rear, SETTLED)]
    return _share(values, values > median(values) + BREAKTHROUGH) if len(values) else None


def _two_sided(values: FloatArray) -> bool:
    """Whether the rear sensor swings often: a good catalyst that is full lets lean exhaust through, now and then."""
    low, high = quantiles(values, OFTEN)
    return high - low > BREAKTHROUGH


def _memory(rear: Signal, driving: States) -> float | None:
    after = replace(driving, cruise=driving.cruise & (driving.since_cut < MEMORY[1]))
    values = rear.values[after.take(rear, MEMORY[0])]
    return _share(values, values < MEMORY_LEAN)


def _share(values: FloatArray, which: BoolArray) -> float | None:
    return float(np.mean(which)) if len(values) >= ENOUGH_READINGS else None
