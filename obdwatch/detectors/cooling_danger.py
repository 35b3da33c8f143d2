"""The live warning: is the coolant dangerously hot, or about to be? Cheap enough to be asked every second of a drive.

Looks at coolant and engine speed alone, so that it works from the first minute of the first drive of any car.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.cooling_record import AFTER_START, RUNNING_SPEED, coolant_of
from obdwatch.detectors.sampled import held, readings
from obdwatch.detectors.warm_up import CAUTION, STOP
from obdwatch.detectors.warm_up_model import HOTTEST_REGULATION, MAPPED_FROM
from obdwatch.physics.heat_rejection import time_to_reach
from obdwatch.records import BoolArray, Car, Drive, Finding, FloatArray, Measure, Signal, Span, Urgency, Verdict

NAME = "cooling"

PARTS = ("coolant_pump", "thermostat", "radiator_fan", "coolant_temperature_sensor")
"""Where the place does not tell yet: all of these make an engine overheat, or seem to."""

SUSTAINED = 10.0
"""A limit counts once the coolant has stayed beyond it so long [s]: one reading can be wrong, three in 10 s are not."""

BRIEF_STOP = 60.0
"""The engine off for no longer [s], as at a light, lets little heat soak into the coolant; its own `SUSTAINED` 10 s of
running after it still count afresh (common practice)."""

LEAP, LEAP_RATE, LASTING = 8.0, 1.5, 30.0
"""Coolant that leaps up by more than 8 K and 1.5 K/s between two readings is a contact or a link: full load heats it by
about 1 K/s (common practice). Whatever the cause, who reads 120 degC for half a minute stops."""

RISE_WINDOW, FEWEST_READINGS = 40.0, 4
"""The rise is taken over this [s] and no fewer readings: 1 K of resolution is then 1.5 K/min."""

SOON = 120.0
"""Warn if the engine would have to be stopped within this [s]: time to find a place to stop (common practice)."""

FAN_ROOM = 15.0
"""A plain thermostat's engine may be so far above its opening [K] while its fan still waits: fans start 7 to 15 K
above it (common practice)."""

BEYOND_REGULATION = HOTTEST_REGULATION + 2.0
"""No thermostat regulates so hot [degC]: hottest published, and 2 K of a sensor's tolerance."""


@dataclass(frozen=True, slots=True)
class Peril:
    """How hot it got: `peak` held for 10 s [degC], `rate` at the end [K/min], `left` until 120 degC [s], and when."""

    peak: float
    rate: float
    left: float
    span: Span


def danger(drive: Drive, car: Car | None = None) -> Finding | None:
    """Return a warning where the coolant is dangerously hot or will be within two minutes, else None.

    Made for a drive that is still growing: urgency STOP from 120 degC, SOON from 115 degC, and SOON where it rises
    from above any regulation so steeply that 120 degC is two minutes away. The signature is `overheating`, or
    `about_to_overheat`.
    """
    peril = peril_of(drive, car)
    if peril is None:
        return None
    hot = peril.peak >= CAUTION
    measures = [Measure("hottest_coolant", peril.peak, "degC", None, (-40.0, CAUTION))]
    if not hot:
        measures += [Measure("rise", peril.rate, "K/min"), Measure("time_left", peril.left, "s")]
    return Finding(
        NAME,
        Verdict.FAULT,
        "overheating" if hot else "about_to_overheat",
        Urgency.STOP if peril.peak >= STOP else Urgency.SOON,
        0.95 if hot else 0.8,
        parts=PARTS,
        measures=tuple(measures),
        spans=(peril.span,),
    )


def peril_of(drive: Drive, car: Car | None) -> Peril | None:
    """Return how dangerous the coolant is, None where it is not."""
    coolant = coolant_of(drive)
    floor = _floor(car)
    if coolant is None or np.max(coolant.values) < floor:
        return None
    running = _running(drive, coolant.times)
    if not running.any():
        return None
    values = _held_for(coolant.times, coolant.values, running)
    top = int(np.argmax(values))
    peak = float(values[top])
    if peak >= CAUTION:
        hot = np.flatnonzero(values >= CAUTION)
        span = Span(float(coolant.times[hot[0]]), float(coolant.times[hot[-1]]), "dangerously hot")
        return Peril(peak, 0.0, time_to_reach(STOP, peak, 0.0), span)
    return _rising(coolant, running, floor)


def _rising(coolant: Signal, running: BoolArray, floor: float) -> Peril | None:
    """Judge the end of the drive: hotter than any regulation and rising to the limit within two minutes."""
    times, values = coolant.times, coolant.values
    recent = times >= times[-1] - RISE_WINDOW
    if np.count_nonzero(recent) < FEWEST_READINGS or not np.all(running[recent]) or values[-1] < floor:
        return None
    t, v = times[recent] - times[-1], values[recent]
    if t[-1] - t[0] < RISE_WINDOW / 2.0:
        return None
    rate = float(np.polyfit(t / 60.0, v, 1)[0])
    left = time_to_reach(STOP, float(v[-1]), rate)
    if left > SOON:
        return None
    return Peril(float(v[-1]), rate, left, Span(float(times[recent][0]), float(times[-1]), "rising fast"))


def _floor(car: Car | None) -> float:
    """Return the temperature [degC] above which a rise cannot be the thermostat's own work."""
    named = car.thermostat_temperature if car is not None else None
    if named is None or not LOWEST_NAMED <= named <= MAPPED_FROM:
        return BEYOND_REGULATION
    return min(BEYOND_REGULATION, named + FAN_ROOM)


LOWEST_NAMED = 60.0
"""A profile that names a lower opening temperature [degC] is mistaken: none is sold for road cars (common practice)."""


def _running(drive: Drive, at: FloatArray) -> BoolArray:
    """Mark where the engine runs and ran two minutes ago: heat soaked into standing coolant is not overheating.

    Brief stops are not counted: an engine that stops at every light may never run for two minutes on end.
    """
    signal = readings(drive, "engine_speed")
    if signal is None:
        return np.ones(len(at), dtype=np.bool_)
    speed = held(signal, at)
    turning = speed >= RUNNING_SPEED
    last_on = np.maximum.accumulate(np.where(turning, at, -np.inf))
    next_on = np.minimum.accumulate(np.where(turning, at, np.inf)[::-1])[::-1]
    brief = ~turning & (next_on - last_on <= BRIEF_STOP)
    last_off = np.maximum.accumulate(np.where(turning | brief, -np.inf, at))
    known: BoolArray = turning & (at - last_off >= AFTER_START)
    return known


def _held_for(times: FloatArray, read: FloatArray, running: BoolArray) -> FloatArray:
    """Return the lowest value of the last `SUSTAINED` seconds at each reading, -inf before there are two readings and
    where the engine does not run.

    What leapt beyond `CAUTION` faster than heat can raise it counts once it has stayed there for `LASTING`.
    """
    values = np.where(running, read, -np.inf)
    first = np.searchsorted(times, times - SUSTAINED, side="left")
    first = np.minimum(first, np.maximum(np.arange(len(times)) - 1, 0))
    lowest = np.full(len(times), -np.inf)
    good = (np.arange(len(times)) - first >= 1) & (values >= CAUTION)
    hot = read >= CAUTION
    since = np.maximum.accumulate(np.where(hot & ~np.r_[False, hot[:-1]], np.arange(len(times)), 0))
    for i in np.flatnonzero(good):
        if not _leapt(times, read, since[i]) or times[i] - times[since[i]] >= LASTING:
            lowest[i] = np.min(values[first[i] : i + 1])
    return lowest


def _leapt(times: FloatArray, read: FloatArray, place: int) -> bool:
    """Whether a reading lies higher above the one before than heat can have raised it, or nothing was read before: a
    watch keeps the last minutes only.
    """
    if place == 0:
        return True
    return bool(read[place] - read[place - 1] > LEAP + LEAP_RATE * (times[place] - times[place - 1]))
