"""What a drive shows of the engine's filling: the settled part of full-throttle pulls, hot idle, part load.

Absolute and calculated load come from the engine computer as one number each, so they need no aligning; only the band
of engine speed they belong to is looked up, by interpolation within the pull.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from obdwatch.detectors.air_filling_metering import is_metered
from obdwatch.detectors.heat_input import displacement
from obdwatch.detectors.sampled import held, readings, spacing
from obdwatch.physics.air import STANDARD_PRESSURE, absolute_load
from obdwatch.physics.filling import STANDARD_TEMPERATURE, standard_filling
from obdwatch.physics.order_statistics import median, quantiles
from obdwatch.records import BoolArray, Car, Drive, FloatArray, Signal, Span
from obdwatch.signals import masks
from obdwatch.signals.alignment import grid, places

THROTTLES = ("throttle_position", "commanded_throttle_actuator", "relative_throttle_position")
KEYS = (
    *THROTTLES,
    "engine_speed",
    "vehicle_speed",
    "absolute_load",
    "calculated_load",
    "air_flow",
    "intake_manifold_pressure",
    "barometric_pressure",
    "coolant_temperature",
    "intake_air_temperature",
    "fuel_system_status",
    "short_term_fuel_trim_bank_1",
    "long_term_fuel_trim_bank_1",
)
"""Signals that filling and its fuel trims are read from."""

STEP = 0.5
"""Step of the grid on which pulls are looked for [s]: the filling of a manifold settles within about that."""

SETTLING = 2
"""Steps at full throttle before a reading counts: 1 s, some filling times of a manifold (0.1 to 0.3 s, Heywood)."""

WIDE_MARGIN = 8.0
"""Throttle [% of the sensor] below the drive's widest that still is wide open: a plate passes nearly all its air there
(common practice)."""

FULL_PRESSURE = 0.9
"""Manifold over outside pressure of a wide-open throttle: filter and inlet cost up to a tenth (common practice)."""

FEWEST_LOAD = 55.0
"""Calculated load [%] below which no engine at full throttle lies, however worn: it is a fuel cut or a gear change."""

BRACKET = 3.0
"""Longest time between the two readings of a pull that a third is placed between [s]; an engine gains one 500 1/min
band in about that time in a middle gear (arithmetic: 25 to 35 km/h per 1,000 1/min, 2 to 3 m/s2)."""

FEWEST_IDLE = 20.0
"""Hot idle [s] from which its pressure is a number: several swings of the idle control (common practice)."""

SLOW = 60.0
"""Age of outside pressure and temperatures still used [s]; the slowest class of parameters is read every 30 s."""

NO_THROTTLE = 0.85
"""Manifold over outside pressure at idle from which the engine is not throttled: a diesel or valve-lift control."""


@dataclass(frozen=True, slots=True)
class Pulls:
    """Settled readings at full throttle, `spacing` [s] apart: `speed` [1/min], `filling` at standard air [%],
    `share` (calculated load) [%], `ratio` of manifold to outside pressure [-]; NaN where not known. `spans` are the
    pulls themselves; `warmth` is the middle of the intake air [degC], None where not known.
    """

    speed: FloatArray
    filling: FloatArray
    share: FloatArray
    ratio: FloatArray
    spans: tuple[Span, ...]
    spacing: float = 0.0
    warmth: float | None = None


@dataclass(frozen=True, slots=True)
class Idle:
    """Hot idle: `pressure` [kPa] (None without a sensor), `filling` [%] (None without one), for `seconds` [s]."""

    seconds: float
    pressure: float | None
    filling: float | None
    outside: float


@dataclass(frozen=True, slots=True)
class FillingRecord:
    """What can be judged: `metered` when air is measured and not worked out from the manifold pressure; `boosted` is
    None where it is not known.
    """

    metered: bool
    pulls: Pulls
    idle: Idle | None
    boosted: bool | None
    has_wide_signal: bool


def prepare(drive: Drive, car: Car | None) -> FillingRecord:
    """Collect what the drive shows; any signal may be missing."""
    drive = cleaned(drive)
    at = grid(drive, STEP)
    outside = _outside(drive, at)
    wide = _wide(drive, at, outside)
    idle = _idle(drive, car, at, outside)
    pulls = _pulls(drive, car, at, wide, outside)
    seen = _throttle(drive) is not None or drive.signals.get("intake_manifold_pressure") is not None
    return FillingRecord(is_metered(drive, car), pulls, idle, _boosted(car, pulls), seen)


def cleaned(drive: Drive) -> Drive:
    """Return the drive with the signals that are used here, without what no sensor can have measured."""
    sound = {key: signal for key in KEYS if (signal := readings(drive, key)) is not None}
    return replace(drive, signals=sound)


def _outside(drive: Drive, at: FloatArray) -> FloatArray:
    """Outside pressure [kPa], the standard one where the car does not tell."""
    told = held(drive.signals.get("barometric_pressure"), at, SLOW)
    known = told[np.isfinite(told)]
    usual = median(known) if len(known) else STANDARD_PRESSURE
    return np.where(np.isfinite(told), told, usual)


def _throttle(drive: Drive) -> Signal | None:
    return next((drive.signals[key] for key in THROTTLES if key in drive.signals), None)


def _wide(drive: Drive, at: FloatArray, outside: FloatArray) -> BoolArray:
    """Wide open, above 1,500 1/min: by the throttle where there is one, else by the manifold pressure."""
    turning = held(drive.signals.get("engine_speed"), at, masks.FAST_AGE) >= masks.FULL_THROTTLE_ENGINE_SPEED
    pressure = held(drive.signals.get("intake_manifold_pressure"), at, masks.FAST_AGE)
    throttle = _throttle(drive)
    if throttle is None:
        open_: BoolArray = pressure >= FULL_PRESSURE * outside
        return turning & open_
    limit = max(masks.FULL_THROTTLE, float(throttle.values.max()) - WIDE_MARGIN)
    throttled = pressure < (FULL_PRESSURE - 0.1) * outside
    wide: BoolArray = (held(throttle, at, masks.FAST_AGE) >= limit) & turning & ~throttled
    return wide


def _pulls(drive: Drive, car: Car | None, at: FloatArray, wide: BoolArray, outside: FloatArray) -> Pulls:
    load, flow, share = (drive.signals.get(key) for key in ("absolute_load", "air_flow", "calculated_load"))
    main = load or flow or share
    speed = drive.signals.get("engine_speed")
    nothing = np.empty(0)
    if main is None or speed is None or not wide.any():
        return Pulls(nothing, nothing, nothing, nothing, ())
    settled = wide.copy()
    for back in range(1, SETTLING + 1):
        settled[back:] &= wide[:-back]
    settled[:SETTLING] = False
    settled[:-1] &= wide[1:]
    place = np.clip(np.round((main.times - at[0]) / STEP).astype(np.intp), 0, len(at) - 1)
    chosen = settled[place] & _warm_enough(drive, main.times)
    times, here = main.times[chosen], place[chosen]
    turning = _between(speed, times)
    barometric = outside[here]
    shown = _between(share, times)
    known = np.isfinite(turning) & ~(shown < FEWEST_LOAD) & (turning >= masks.FULL_THROTTLE_ENGINE_SPEED)
    times, here, turning, barometric, shown = (one[known] for one in (times, here, turning, barometric, shown))
    air = _filling(drive, car, load, flow, times, turning)
    warmth = held(drive.signals.get("intake_air_temperature"), times, SLOW)
    middle = median(warmth[np.isfinite(warmth)]) if np.isfinite(warmth).any() else None
    warmth = np.where(np.isfinite(warmth), warmth, STANDARD_TEMPERATURE)
    ratio = _between(drive.signals.get("intake_manifold_pressure"), times) / barometric
    filling = standard_filling(air, barometric, warmth)
    return Pulls(turning, filling, shown, ratio, _spans(at, wide), spacing(main), middle)


def _filling(
    drive: Drive, car: Car | None, load: Signal | None, flow: Signal | None, at: FloatArray, speed: FloatArray
) -> FloatArray:
    if load is not None:
        return _between(load, at)
    size = displacement(drive, car)
    if flow is None or size is None:
        return np.full(len(at), np.nan)
    return absolute_load(speed, _between(flow, at), size)


def _warm_enough(drive: Drive, at: FloatArray) -> BoolArray:
    coolant = held(drive.signals.get("coolant_temperature"), at, SLOW)
    return ~(coolant < masks.WARM_COOLANT)


def _between(signal: Signal | None, at: FloatArray) -> FloatArray:
    """Return values in between two readings that lie close enough, NaN elsewhere."""
    if signal is None or len(signal.times) < 2 or not len(at):
        return np.full(len(at), np.nan)
    after = np.clip(places(signal.times, at, "left"), 1, len(signal.times) - 1)
    before = signal.times[after - 1]
    inside = (at >= before - STEP) & (at <= signal.times[after] + STEP)
    close = inside & (signal.times[after] - before <= BRACKET)
    return np.where(close, np.interp(at, signal.times, signal.values), np.nan)


def _spans(at: FloatArray, wide: BoolArray) -> tuple[Span, ...]:
    edges = np.flatnonzero(np.diff(np.r_[False, wide, False].astype(np.int8)))
    starts, ends = edges[::2], edges[1::2] - 1
    return tuple(
        Span(float(at[first]), float(at[last]), "full throttle")
        for first, last in zip(starts, ends, strict=True)
        if last - first > SETTLING
    )


def _idle(drive: Drive, car: Car | None, at: FloatArray, outside: FloatArray) -> Idle | None:
    idling = masks.idling(drive, at) & masks.warm(drive, at)
    seconds = float(np.count_nonzero(idling)) * STEP
    if seconds < FEWEST_IDLE:
        return None
    then = at[idling]
    pressure = _middle(held(drive.signals.get("intake_manifold_pressure"), then, masks.FAST_AGE))
    speed = held(drive.signals.get("engine_speed"), then, masks.FAST_AGE)
    filling = None
    if is_metered(drive, car):
        load, flow, size = drive.signals.get("absolute_load"), drive.signals.get("air_flow"), displacement(drive, car)
        if load is not None:
            filling = _middle(held(load, then, masks.FAST_AGE))
        elif flow is not None and size is not None:
            filling = _middle(absolute_load(speed, held(flow, then, masks.FAST_AGE), size))
    warmth = _middle(held(drive.signals.get("intake_air_temperature"), then, SLOW))
    if filling is not None and warmth is not None:  # thinner air at the same pressure is not less breathing
        filling = standard_filling(filling, STANDARD_PRESSURE, warmth)
    return Idle(seconds, pressure, filling, median(outside[idling]))


def _middle(values: FloatArray) -> float | None:
    known = values[np.isfinite(values)]
    return median(known) if len(known) else None


def _boosted(car: Car | None, pulls: Pulls) -> bool | None:
    """Whether a charger presses the air in: by the car's own description, else by what no other engine reaches.

    None where neither manifold pressure nor filling is known: then it may.
    """
    if car is not None and car.induction is not None:
        return car.induction != "naturally_aspirated"
    ratios, fillings = (one[np.isfinite(one)] for one in (pulls.ratio, pulls.filling))
    if not len(ratios) and not len(fillings):
        return None
    over = len(ratios) and quantiles(ratios, (BOOST_SHARE,))[0] > BOOSTED_RATIO
    return bool(over or (len(fillings) and quantiles(fillings, (BOOST_SHARE,))[0] > BOOSTED_FILLING))


BOOST_SHARE = 0.9
"""Percentile of the readings of a pull that shows a charger: it takes its time to build up pressure."""

BOOSTED_RATIO = 1.1
"""Manifold over outside pressure that no engine without a charger holds (common practice)."""

BOOSTED_FILLING = 112.0
"""Filling [%] that only a charged engine has: tuned inlets reach 105 to 110 (Heywood, section 6.2, from memory)."""
