"""The idle of this drive against the car's own past: throttle position for the same air, and the filling.

Both are taken twice, with the air as measured and with the fuel trims taken for air nobody measured. What shows in both
is the throttle or the cylinders; what shows in one only is a leak, a sensor or the fuel.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.idle_quality_record import BIN_ENOUGH, BINS_PER_E, IdleRecord
from obdwatch.detectors.oxygen_sensors_baseline import FEWEST_DRIVES, MAD_TO_SIGMA, MOST_DRIVES, baseline, since_repair
from obdwatch.physics.air import STANDARD_PRESSURE
from obdwatch.physics.idle_air import residual_filling
from obdwatch.physics.prediction import Norm, predict
from obdwatch.records import FloatArray, History, Measure

NEAR = 0.2
"""Earlier openings within so much of a natural logarithm compare with this one: the neighbouring step."""

SLOPE_SEEN = 0.05
"""Spread of earlier openings [natural logarithm] from which their slope is known."""

SLOPE_ALLOWANCE = 8.0
"""Throttle position [%] that a changed opening may explain per natural logarithm where no slope is known: opening grows
at least in proportion to an angle of some percent (geometry of a butterfly)."""

MOST_TRIM = 0.4
"""Total trim [-] beyond which the mixture is no longer right and the trims tell nothing of the air: controls learn 20
to 25 % and add as much (from memory)."""

PRESSURE_STEP = 1.0
"""One step of the pressure's scale [kPa] (SAE J1979)."""

PLAIN_DROP = 0.02
"""A drop of the plain filling [-] as large as half a step of pressure at idle: below it there is none."""

RESOLUTION = 0.15
"""Error of a mean throttle position [%]: 0.39 % steps (SAE J1979), uniform, with the control's own dither."""


USUAL_THROTTLE = Norm(level=5.0, between=3.0, within=RESOLUTION, slope=5.0, slopes=2.5)
"""Throttle position of a warm idle [%], and its rise per natural logarithm of the opening: an idle stands at some 2 to
10 % of the throttle's travel (common practice), and opening grows in proportion to the angle or faster (geometry of a
butterfly)."""

SIGMAS = 4.0
"""Many drives are compared: four standard deviations are passed by chance once in 30,000."""

CHANCE = 1e-3
"""Chance that a sound idle lies so far from one or two earlier ones; few drives make a wide limit already."""


@dataclass(frozen=True, slots=True)
class Shift:
    """Throttle position now less that of earlier drives [%]: for the `measured` air and for the air the fuel trims tell
    of, with the error `sigma`; from `drives` drives, on average `before` [%].
    """

    measured: float
    trimmed: float
    sigma: float
    before: float
    drives: int


def learnt_of(record: IdleRecord) -> tuple[Measure, ...]:
    """Return the idle in steps of opening, for the car's history."""
    measures = []
    for step, opening, trim, throttle, _ in _steps(record):
        prefix = _prefix(record)
        measures += [
            Measure(f"{prefix}_throttle_{step}", throttle, "%"),
            Measure(f"{prefix}_opening_{step}", opening, "mm2"),
            Measure(f"{prefix}_trim_{step}", trim, "ratio"),
        ]
    measures += [Measure(name, value, "ratio") for name, value in _fillings(record).items()]
    return tuple(measures)


def _fillings(record: IdleRecord) -> dict[str, float]:
    """Return the filling at the quiet part of the idle: relative to the ideal, corrected by the trims, and plain."""
    quiet = record.quiet(record.pressure)
    if quiet is None:
        return {}
    here = np.isfinite(record.fill) & (record.pressure <= quiet + PRESSURE_STEP) & (np.abs(record.trim) <= MOST_TRIM)
    if np.count_nonzero(here) < BIN_ENOUGH:
        return {}
    fill, trim, pressure = record.fill[here], record.trim[here], record.pressure[here]
    return {
        "fill": float(np.median(fill)),
        "fill_trimmed": float(np.median(fill * (1.0 + trim))),
        "fill_plain": float(np.median(fill * residual_filling(pressure, STANDARD_PRESSURE))),
    }


def throttle_shift(record: IdleRecord, history: History, detector: str, parts: tuple[str, ...]) -> Shift | None:
    """Return how far the throttle stands from where it used to for the same air; None without enough past."""
    past = _past(record, history, detector, parts)
    rows = []
    for _, opening, trim, throttle, seconds in _steps(record):
        measured = _expected(past[:, (0, 1)], past[:, 3], opening)
        trimmed = _expected(
            np.stack([past[:, 0] * (1.0 + past[:, 2]), past[:, 1]], axis=1), past[:, 3], opening * (1 + trim)
        )
        if measured is not None and trimmed is not None:
            sigma = max(measured[1], trimmed[1])
            rows.append((throttle - measured[0], throttle - trimmed[0], sigma, measured[0], seconds))
    if not rows:
        return None
    table = np.array(rows)
    mean = np.average(table[:, :4], axis=0, weights=table[:, 4])
    return Shift(float(mean[0]), float(mean[1]), float(mean[2]), float(mean[3]), len(np.unique(past[:, 3])))


def fill_drop(record: IdleRecord, history: History, detector: str, parts: tuple[str, ...]) -> float | None:
    """Return by how much the filling has surely dropped below earlier drives, with and without trims; None untold.

    A drop that is only in the ideal it is compared with, because the load was another, is none.
    """
    drops = {}
    for name, value in _fillings(record).items():
        past = baseline(history, detector, name, parts)
        if past is None:
            return None
        drops[name] = past.middle - value - 2.0 * past.spread
    if not drops:
        return None
    return min(drops["fill"], drops["fill_trimmed"]) if drops["fill_plain"] > PLAIN_DROP else min(0.0, drops["fill"])


def _prefix(record: IdleRecord) -> str:
    per = "_per_litre" if record.per_litre else ""
    return f"{'absolute' if record.throttle_key == 'throttle_position' else 'relative'}{per}"


def _steps(record: IdleRecord) -> Iterator[tuple[int, float, float, float, float]]:
    """Yield step, mean opening, trim, throttle and seconds of each step of opening seen long enough."""
    known = np.isfinite(record.opening) & np.isfinite(record.throttle) & (record.opening > 0.0)
    if not known.any():
        return
    opening, trim, throttle = record.opening[known], record.trim[known], record.throttle[known]
    steps = np.round(np.log(opening) * BINS_PER_E).astype(int)
    for step in np.unique(steps):
        here = steps == step
        if np.count_nonzero(here) >= BIN_ENOUGH:
            means = [float(one[here].mean()) for one in (opening, trim, throttle)]
            yield int(step), means[0], means[1], means[2], float(np.count_nonzero(here))


def _past(record: IdleRecord, history: History, detector: str, parts: tuple[str, ...]) -> np.ndarray:
    """Return opening, throttle, trim and drive (a number) of every step of earlier healthy drives."""
    prefix = _prefix(record)
    found: dict[tuple[str, str], dict[str, float]] = {}
    for feature in since_repair(history, detector, parts):
        if feature.name.startswith(f"{prefix}_") and feature.healthy:
            _, _, kind_step = feature.name.partition(f"{prefix}_")
            kind, _, step = kind_step.rpartition("_")
            found.setdefault((feature.session_id, step), {})[kind] = feature.value
    drives = {session: number for number, session in enumerate(dict.fromkeys(session for session, _ in found))}
    rows = [
        (one["opening"], one["throttle"], one["trim"], drives[session])
        for (session, _), one in found.items()
        if one.keys() >= {"opening", "throttle", "trim"} and one["opening"] > 0.0
    ]
    return np.array(rows, dtype=np.float64).reshape(-1, 4)


def _expected(points: np.ndarray, drives: np.ndarray, opening: float) -> tuple[float, float] | None:
    """Return the throttle position that earlier drives had at an opening, and its error; None where none tells."""
    if opening <= 0.0:
        return None
    off = np.log(points[:, 0] / opening)
    near = np.abs(off) <= NEAR
    comparable = np.unique(drives[near])[:MOST_DRIVES]
    if not len(comparable):
        return None
    if len(comparable) >= FEWEST_DRIVES:
        near &= np.isin(drives, comparable)
        return _of_many(off[near], points[near, 1])
    # Steps of one drive share the errors of that drive: it counts once.
    each = np.array([[one[near & (drives == drive)].mean() for one in (off, points[:, 1])] for drive in comparable])
    usual = predict(USUAL_THROTTLE, each[:, 0], each[:, 1])
    return usual.middle, usual.limit(CHANCE) / SIGMAS


def _of_many(off: FloatArray, throttle: FloatArray) -> tuple[float, float]:
    if float(np.ptp(off)) >= SLOPE_SEEN and len(off) > FEWEST_DRIVES:
        slope, level = np.polyfit(off, throttle, 1)
        allowance = 0.0
    else:
        slope, level = 0.0, float(np.median(throttle))
        allowance = SLOPE_ALLOWANCE * abs(float(np.median(off)))
    residual = throttle - (level + slope * off)
    spread = float(np.median(np.abs(residual - np.median(residual)))) * MAD_TO_SIGMA
    return float(level), max(RESOLUTION, spread) + allowance / 2.0
