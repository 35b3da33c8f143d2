"""How far the throttle stands open for the air that passes it, step by step of opening, today and on earlier drives.

While the flow is choked the opening follows from the air alone, whatever the engine does with it: a cold idle and a
steady light cruise tell of the throttle as a warm idle does. Each step is read apart, so that the steps of the
throttle's scale even out.

The comparison is made twice, with the air as measured and with the fuel trims taken for air nobody measured. What shows
in both is the throttle; what shows in one only is a leak, a sensor or the fuel.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.heat_input import displacement
from obdwatch.detectors.idle_quality_record import AGE, STEP, air_through, throttle_of, trim_of
from obdwatch.detectors.oxygen_sensors_baseline import MOST_DRIVES, since_repair
from obdwatch.detectors.sampled import held, readings
from obdwatch.physics.air import STANDARD_PRESSURE
from obdwatch.physics.idle_air import CRITICAL_PRESSURE_RATIO, idle_opening
from obdwatch.physics.order_statistics import median
from obdwatch.physics.prediction import Norm, predict
from obdwatch.records import BoolArray, Car, Drive, FloatArray, History, Measure
from obdwatch.signals.alignment import grid
from obdwatch.signals.masks import IDLE_VEHICLE_SPEED, RUNNING_SPEED

STEADY = 4
"""Seconds of a steady throttle before a reading counts: the manifold has filled (0.1 to 0.3 s, Heywood) and the slowest
of the signals has been read again."""

STEADY_THROTTLE = 0.8
"""Range of a steady throttle [%]: two steps of its scale (SAE J1979)."""

STEADY_AIR = 0.15
"""Range of the opening over the same time, as a share of it: one step of opening."""

CHOKED_LOAD = 33.0
"""Absolute load [%] at standard pressure up to which the flow past a throttle is choked whatever the engine: filled to
0.65 of the manifold's density, the least of 0.65 to 0.9 (common practice), at a manifold of 0.528 and 310 K."""

OLDEST_WEATHER = 120.0
"""Oldest reading used of outside pressure [s]: it changes with height, by 1 kPa in about 80 m."""

STEPS_PER_E = 7.0
"""Openings are compared in steps of a seventh of a natural logarithm (15 %)."""

STEP_ENOUGH = 10
"""Seconds in a step that make its mean worth keeping."""

NEAR = 0.2
"""Openings within so much of a natural logarithm compare: the neighbouring step."""

GAP = 0.45
"""Distance of two earlier steps [natural logarithm] between which the angle is taken for a straight line: three steps,
over which the area of a plate in a bore bends by less than 0.1 % of its way (geometry)."""

MOST_TRIM = 0.4
"""Total trim [-] beyond which the mixture is no longer right and the trims tell nothing of the air: controls learn 20
to 25 % and add as much (from memory)."""

SLOPE, SLOPES = 5.0, 2.5
"""Rise of the throttle position [%] per natural logarithm of the opening and its spread between throttles: an idle
stands at some 2 to 10 % of the throttle's travel (common practice), and opening grows in proportion to the angle or
faster (geometry of a butterfly)."""

STEP_ERROR = 100.0 / 255.0 / np.sqrt(12.0)
"""Error of the mean throttle position of one step of opening [%]: a step of the scale (SAE J1979), uniform, where the
throttle rests within it."""

DRIVE_ERROR = 0.1
"""Error that all steps of a drive share [%]: half a step of outside pressure (0.3 %), 5 K between air sensor and
throttle (0.8 %) and the air sensor itself (1 %, common practice) move an opening by 1.3 %, and the angle by that times
the 7.5 % of the steeper throttles."""

MUCH_WORSE = 1.5
"""Times the error of the best earlier drive beyond which another, which compares by a distant step only, would blur
more than it adds: two drives of errors 1 and 1.5 are together as sure as one of 0.83."""

USUAL_CHANGE = 3.0
"""Spread of what a throttle may have moved [%] before anything is known: the range of idle throttles."""

SIGMAS = 4.0
"""Many drives are compared: four standard deviations are passed by chance once in 30,000."""

CHANCE = 1e-3
"""Chance that a sound throttle lies so far from few earlier drives; few drives make a wide limit already."""


@dataclass(frozen=True, slots=True)
class ThrottleCurve:
    """Mean `opening` [mm2, of one litre for `per_litre` kinds], `throttle` [%] and `trim` [-] of each `step`, by rising
    opening; `kind` names throttle signal and unit of air, as only the same compare.
    """

    kind: str
    step: FloatArray
    opening: FloatArray
    throttle: FloatArray
    trim: FloatArray


@dataclass(frozen=True, slots=True)
class Shift:
    """Throttle position now less that of earlier drives [%]: for the `measured` air and for the air the fuel trims tell
    of, with the error `sigma`; `shut`, by how much a hole of fixed size would have let it close at idle, with the error
    `shut_sigma`; from `drives` drives, before that at `before` [%].
    """

    measured: float
    trimmed: float
    sigma: float
    shut: float
    shut_sigma: float
    before: float
    drives: int


def throttle_curve(drive: Drive, car: Car | None) -> ThrottleCurve | None:
    """Return the throttle over the opening where the flow was steady and choked; None where nothing tells."""
    key, _ = throttle_of(drive, np.empty(0))
    if not key or readings(drive, "engine_speed") is None:
        return None
    at = grid(drive, STEP)
    throttle = held(readings(drive, key), at, AGE)
    still = _steady(throttle, STEADY_THROTTLE)
    still[still] = _choked(drive, at[still])
    when, throttle = at[still], throttle[still]
    if not len(when):
        return None
    speed = held(readings(drive, "engine_speed"), when, AGE)
    pressure, before = _pressures(drive, when)
    warmth = held(readings(drive, "intake_air_temperature"), when, 60.0)
    warmth = np.where(np.isfinite(warmth), warmth, 25.0)
    litres = displacement(drive, car)
    flow, measured = air_through(drive, when, speed, pressure, warmth, litres)
    opening = np.where(speed >= RUNNING_SPEED, idle_opening(flow, before, warmth), np.nan)
    trim = trim_of(drive, when)
    good = (opening > 0.0) & (np.abs(trim) <= MOST_TRIM)
    # A second that was left out between two neighbours only makes the test of steadiness stricter.
    good &= _steady(np.log(np.where(opening > 0.0, opening, np.nan)), STEADY_AIR)
    kind = key.removesuffix("_throttle_position").removesuffix("_position").replace("throttle", "absolute")
    if litres is None and not measured:
        kind += "_per_litre"
    return _stepped(kind, opening[good], throttle[good], trim[good])


def _steady(values: FloatArray, most: float) -> BoolArray:
    """Whether a quantity stayed within a range over the last seconds; False where unknown."""
    steady = np.zeros(len(values), dtype=np.bool_)
    highest = lowest = values[STEADY:]
    for back in range(1, STEADY + 1 if len(highest) else 1):
        earlier = values[STEADY - back : len(values) - back]
        highest, lowest = np.maximum(highest, earlier), np.minimum(lowest, earlier)
    steady[STEADY:] = highest - lowest <= most
    return steady


def _pressures(drive: Drive, when: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return manifold pressure, NaN where unknown, and that before the throttle [kPa]."""
    pressure = held(readings(drive, "intake_manifold_pressure"), when, AGE)
    before = held(readings(drive, "barometric_pressure"), when, OLDEST_WEATHER)
    return pressure, np.where(np.isfinite(before), before, STANDARD_PRESSURE)


def _choked(drive: Drive, when: FloatArray) -> BoolArray:
    """Whether air flows past the throttle as fast as it can: by manifold pressure, else by load, else at idle only."""
    pressure, before = _pressures(drive, when)
    by_pressure = pressure <= CRITICAL_PRESSURE_RATIO * before
    if np.isfinite(pressure).all():
        return np.asarray(by_pressure)
    load = held(readings(drive, "absolute_load"), when, AGE)
    by_load = load <= CHOKED_LOAD * before / STANDARD_PRESSURE
    standing = held(readings(drive, "vehicle_speed"), when, AGE) <= IDLE_VEHICLE_SPEED
    choked: BoolArray = np.where(np.isfinite(pressure), by_pressure, np.where(np.isfinite(load), by_load, standing))
    return choked


def _stepped(kind: str, opening: FloatArray, throttle: FloatArray, trim: FloatArray) -> ThrottleCurve | None:
    steps, where, seconds = np.unique(np.round(np.log(opening) * STEPS_PER_E), return_inverse=True, return_counts=True)
    enough = seconds >= STEP_ENOUGH
    if not enough.any():
        return None
    means = [np.bincount(where, weights=one)[enough] / seconds[enough] for one in (opening, throttle, trim)]
    return ThrottleCurve(kind, steps[enough], means[0], means[1], means[2])


def learnt_of_curve(curve: ThrottleCurve | None) -> tuple[Measure, ...]:
    """Return the steps for the car's history."""
    if curve is None:
        return ()
    named = (("angle", curve.throttle, "%"), ("opening", curve.opening, "mm2"), ("trim", curve.trim, "ratio"))
    return tuple(
        Measure(f"{curve.kind}_{name}_{step:.0f}", float(value), unit)
        for name, values, unit in named
        for step, value in zip(curve.step, values, strict=True)
    )


def throttle_shift(
    curve: ThrottleCurve | None, usual: float | None, history: History, detector: str, parts: tuple[str, ...]
) -> Shift | None:
    """Return how far the throttle stands from where it used to for the same air; None without a past.

    `usual` is the throttle position of today's idle [%], from which that of before is told.
    """
    if curve is None:
        return None
    found = []
    for opening, throttle, trim in _past(curve.kind, history, detector, parts):
        measured = _offset(np.log(curve.opening), curve.throttle, np.log(opening), throttle)
        grown = np.log(curve.opening * (1.0 + curve.trim)), np.log(opening * (1.0 + trim))
        trimmed = _offset(grown[0], curve.throttle, grown[1], throttle)
        if measured is not None and trimmed is not None:
            found.append((measured.open, trimmed.open, -measured.shut, measured.open_error, measured.shut_error))
    if not found:
        return None
    table = np.array(found)
    errors = (table[:, 3], table[:, 3], table[:, 4])
    (measured_now, sigma), (trimmed_now, other), (shut, shut_sigma) = map(_from_all, table[:, :3].T, errors)
    at = float(curve.throttle[0]) if usual is None else usual
    return Shift(measured_now, trimmed_now, max(sigma, other), shut, shut_sigma, at - measured_now, len(table))


def _from_all(offsets: FloatArray, errors: FloatArray) -> tuple[float, float]:
    """Return what has changed since all earlier drives, and its error by the chance that a sound throttle has."""
    good = errors <= MUCH_WORSE * errors.min()
    norm = Norm(level=0.0, between=USUAL_CHANGE, within=median(errors[good]))
    expected = predict(norm, np.zeros(int(good.sum())), -offsets[good])
    return -expected.middle, expected.limit(CHANCE) / SIGMAS


def _past(
    kind: str, history: History, detector: str, parts: tuple[str, ...]
) -> Iterator[tuple[FloatArray, FloatArray, FloatArray]]:
    """Yield opening, throttle and trim of the first earlier drives, each by rising opening.

    A drive that was found faulty leaves none behind, one that could not be judged does.
    """
    drives: dict[str, dict[float, dict[str, float]]] = {}
    for feature in since_repair(history, detector, parts):
        name, _, step = feature.name.rpartition("_")
        of_kind, _, quantity = name.rpartition("_")
        if of_kind == kind and quantity in ("opening", "angle", "trim"):
            if len(drives) == MOST_DRIVES and feature.session_id not in drives:
                break  # oldest first
            drives.setdefault(feature.session_id, {}).setdefault(float(step), {})[quantity] = feature.value
    for steps in drives.values():
        rows = [(one["opening"], one["angle"], one["trim"]) for _, one in sorted(steps.items()) if len(one) == 3]
        rows = [one for one in rows if one[0] > 0.0]
        if rows:
            opening, throttle, trim = np.array(rows, dtype=np.float64).T
            yield opening, throttle, trim


@dataclass(frozen=True, slots=True)
class _Offset:
    """Against one earlier drive [%]: by how much the throttle stands further open as a mean, and at the least opening
    by a hole or a layer of fixed area; each with its error.
    """

    open: float
    open_error: float
    shut: float
    shut_error: float


def _offset(now: FloatArray, throttle: FloatArray, then: FloatArray, stood: FloatArray) -> _Offset | None:
    """Compare with one earlier drive; `now` and `then` are logarithms of openings."""
    order = np.argsort(then)
    then, stood = then[order], stood[order]
    pairs = [(one, angle, _stood_at(one, then, stood)) for one, angle in zip(now, throttle, strict=True)]
    known = np.array([(one, angle - at[0], at[1]) for one, angle, at in pairs if at is not None])
    if not len(known):
        return None
    # What a fixed area does to the angle falls as the opening grows: so does the weight of a step.
    area = np.exp(now.min() - known[:, 0])
    mean, fixed = area / area.sum(), area / np.sum(area**2)
    return _Offset(
        float(mean @ known[:, 1]), _error(mean, known[:, 2]), float(fixed @ known[:, 1]), _error(fixed, known[:, 2])
    )


def _error(share: FloatArray, slopes: FloatArray) -> float:
    """Return the error of a weighted sum of steps; those of the drive and of the slope do not even out."""
    drive, steps, slope = DRIVE_ERROR * share.sum(), STEP_ERROR * np.sqrt(share @ share), share @ slopes
    return float(np.sqrt(drive**2 + steps**2 + slope**2))


def _stood_at(at: float, then: FloatArray, stood: FloatArray) -> tuple[float, float] | None:
    """Return the earlier throttle position at an opening and the error of what lies between its steps [%]."""
    if np.abs(then - at).min() > NEAR:
        return None
    right = int(np.searchsorted(then, at))
    if 0 < right < len(then) and then[right] - then[right - 1] <= GAP:
        return float(np.interp(at, then, stood)), 0.0
    nearest = int(np.argmin(np.abs(then - at)))
    off = at - float(then[nearest])
    slope, spread = _slope(then, stood, nearest)
    return float(stood[nearest]) + slope * off, spread * abs(off)


def _slope(then: FloatArray, stood: FloatArray, nearest: int) -> tuple[float, float]:
    """Return the rise of the throttle per logarithm at a step and its error: the usual one, and that to the next step,
    each weighed by its error.
    """
    others = [one for one in (nearest - 1, nearest + 1) if 0 <= one < len(then)]
    if not others:
        return SLOPE, SLOPES
    other = min(others, key=lambda one: abs(float(then[one] - then[nearest])))
    run = float(then[other] - then[nearest])
    own = STEP_ERROR * np.sqrt(2.0) / max(abs(run), 1e-6)
    weight = SLOPES**2 / (SLOPES**2 + own**2)
    rise = float(stood[other] - stood[nearest]) / run if abs(run) > 1e-6 else SLOPE
    return float(SLOPE + weight * (rise - SLOPE)), float(own * np.sqrt(weight))
