"""How a thermostat that opens late shows: coolant rises past regulation as if shut, then falls at once to a lower one.

Told from a mapped thermostat that lowers its setting, from a hot idle after regulation, and from the overshoot of
sound wax. Works on the whole drive, without the heat balance.
"""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.warm_up_record import LOWEST_OPENING, WarmUpRecord
from obdwatch.physics.order_statistics import median, quantiles

REACHED_TIME = 60.0
"""Time at a temperature [s] that counts as having reached it, longer than a stray slug of hot coolant."""

OVERSHOOT, DROP_TIME, DROP_SHARE, HEAT_GOES_ON = 8.0, 120.0, 0.6, 0.3
"""A late opening: a peak 8 K above what follows (healthy: 3-4 K), most of it lost within two minutes, while the engine
goes on to give a third of the heat: without any, closed losses alone could cool it so."""

WAX_LAG = 20.0
"""A sound wax element follows the coolant with 10 to 40 s of delay (common practice), so a fast warm-up may overshoot
more; with the 8 K above this allows 40 s up to 0.4 K/s, faster than any road car warms up."""

RISING_SHARE, LATELY_SHARE, RISING_TIME, DIP = 0.25, 0.5, 180.0, 5.0
"""Past the later level, within 4 K of it, it gains a quarter as much per heat as over the whole warm-up; coolant that
regulated there before a hot idle gains next to nothing. Where the thermostat may be a mapped one, it also gains half as
much in the last three minutes and never falls back by 5 K: one that lowers its setting leaves a level instead."""


def sustained_peak(record: WarmUpRecord) -> float:
    """Return what the coolant reached for a whole minute, engine running [degC]; a hot restart does not count."""
    hot = np.sort(record.whole.measured[record.whole.heat > 0.0])
    longest = int(REACHED_TIME / record.whole.step)
    return float(hot[-longest]) if len(hot) >= longest else -np.inf


def opened_late(record: WarmUpRecord, plain: bool) -> bool:
    """Tell whether the thermostat opened late: a peak on first arrival, lost within two minutes though heat goes on.

    `plain` is True for a car known to have a plain wax thermostat: then a level held above regulation is late too, and
    so is sticking again and again.
    """
    measured, heat, step = record.whole.measured, record.whole.heat, record.whole.step
    top = int(np.argmax(measured))
    after = int(DROP_TIME / step)
    end = top + after + int(REACHED_TIME / step)
    if end > len(measured) or np.any(record.whole.restart[1:end]):
        return False
    peak, settled = float(measured[top]), median(measured[top + after :])
    if not _rose_past(record, top, settled, plain):
        return False
    over = peak - settled
    heated = np.mean(heat[top : top + after]) >= HEAT_GOES_ON * np.mean(heat[max(0, top - after) : top])
    dropped = peak - np.min(measured[top : top + after + 1]) >= DROP_SHARE * over
    stays = plain or quantiles(measured[top + after :], (0.95,))[0] <= settled + OVERSHOOT / 2.0
    return bool(over >= OVERSHOOT + _rate(record, top) * WAX_LAG and heated and dropped and stays)


def still_rising(record: WarmUpRecord, level: float) -> bool:
    """Tell whether the drive ends before a coolant that is up to `level` [degC] or beyond has settled."""
    measured, step = record.whole.measured, record.whole.step
    top = int(np.argmax(measured))
    near_end = top >= len(measured) - 1 - int((DROP_TIME + REACHED_TIME) / step)
    return bool(near_end and measured[top] > level - DIP and _rose_past(record, top, LOWEST_OPENING, plain=False))


def _rate(record: WarmUpRecord, top: int) -> float:
    """How fast the coolant came up to its peak [K/s]."""
    measured = record.whole.measured[: top + 1]
    early = int(np.argmax(measured >= measured[top] - 2.0 * OVERSHOOT))
    return float((measured[top] - measured[early]) / (record.whole.step * max(1, top - early)))


def _rose_past(record: WarmUpRecord, top: int, settled: float, plain: bool) -> bool:
    """Tell whether the coolant came past the later level and up to its peak without regulating on the way."""
    measured = record.whole.measured[: top + 1]
    if top < 2 or np.min(measured) >= LOWEST_OPENING or measured[top] < LOWEST_OPENING + OVERSHOOT:
        return False
    passed = min(int(np.argmax(measured >= settled - OVERSHOOT / 2.0)), top - 1)
    left = int(np.flatnonzero(measured <= settled + OVERSHOOT / 2.0)[-1])
    whole = _gain(record, 0, top)
    if left > passed and _gain(record, passed, left) < RISING_SHARE * whole:
        return False
    lately = _gain(record, max(top // 2, top - int(RISING_TIME / record.whole.step)), top)
    dip = np.max(np.maximum.accumulate(measured[passed:]) - measured[passed:])
    return plain or bool(lately >= LATELY_SHARE * whole and dip <= DIP)


def _gain(record: WarmUpRecord, start: int, end: int) -> float:
    """Rise of the coolant per heat of the fuel between two steps."""
    heat = float(np.sum(record.whole.heat[start:end]))
    return float(record.whole.measured[end] - record.whole.measured[start]) / max(heat, 1e-9)
