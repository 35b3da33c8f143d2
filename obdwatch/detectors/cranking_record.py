"""One start of the engine as the recording shows it: from the resting battery to the first firing.

The dip of the first tenth of a second is missed by any adapter and caught by luck, so it is no part of the cranking
voltage. A start that the control units sleep through keeps what was seen on both sides of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.sampled import once, readings
from obdwatch.physics.order_statistics import median
from obdwatch.records import Drive, FloatArray, MarkKind, Signal
from obdwatch.signals.masks import RUNNING_SPEED

TURNING = 30.0
"""Below it [1/min] nothing turns: a starter turns an engine with 100 and more, and the scale has steps of 0.25."""

FEWEST = 3
"""Readings of a quantity during one start below which its middle may be the inrush or the first firing."""

INRUSH = 0.1
"""The starter draws its stall current for less than so long [s] (published: missed at the rates of this link)."""

REST_WINDOW, REST_GUARD = 15.0, 0.2
"""Resting voltage: so long before the starter [s], but not the last moment, in which the relay may already pull."""

DIP = 0.5
"""A fall of the voltage [V] that only a starter makes with the key on: 0.5 V over 10 milliohm is 50 A (Ohm's law)."""

LONGEST_CRANK = 30.0
"""Starters must not run longer [s] at a time (common practice); further back is another attempt."""

LONGEST_GAP = 5.0
"""A longer hole [s] between the last reading at rest and the first with the engine running hides the start."""

VOLTS = (5.0, 18.0)
"""What a 12 V system can show while a control unit still answers [V]."""

PLATEAU = 0.25
"""Readings within this share of the middle speed are the plateau; compression makes it swing by 10 to 20 % (common
practice), the first firing adds far more."""

SOURCES = ("adapter_voltage", "control_module_voltage", "control_module_voltage@7E9")
"""Where a voltage may come from, best first: the adapter measures at the plug, hardly loaded."""


@dataclass(frozen=True, slots=True)
class Start:
    """A start between `begin` and `end` [s]; what was not seen is None, and `fired` tells whether the engine ran.

    Voltages [V]: `resting`, `cranking` (middle without the inrush), `lowest`; `speed` [1/min] and its `ripple` [-] on
    the plateau; `speeds` and `volts` count the readings while cranking; `to_fire` [s] from the first turn, `within` [s]
    the longest the start can have lasted; `coolant` [degC]; `source` names the voltage signal.
    `speed` is the middle of its readings, of which the first may still spin up and the last already fire;
    `speed_error` [-] is its standard error, as compressions swing the speed and readings are few.
    """

    begin: float
    end: float
    fired: bool
    speeds: int = 0
    volts: int = 0
    speed: float | None = None
    ripple: float | None = None
    source: str = ""
    resting: float | None = None
    cranking: float | None = None
    lowest: float | None = None
    to_fire: float | None = None
    within: float | None = None
    coolant: float | None = None
    asleep: bool = False
    speed_error: float = 0.0

    @property
    def complete(self) -> bool:
        """Whether speed and voltage were both seen often enough."""
        return self.speeds >= FEWEST and self.volts >= FEWEST


def prepare(drive: Drive) -> Start | str:
    """Return the first start that was seen well, else the first; the reason why where there is none."""
    return once(drive, "start", lambda: _prepare(drive))


def _prepare(drive: Drive) -> Start | str:
    speed = readings(drive, "engine_speed")
    if speed is None:
        return "speed_missing"
    running = speed.values >= RUNNING_SPEED
    ends = [int(i) for i in np.flatnonzero(running[1:] & ~running[:-1]) + 1]
    turning = np.flatnonzero((speed.values > TURNING) & ~running)
    if not ends and len(turning) and not running.any():
        ends = [int(turning[-1]) + 1]
    if not ends:
        return "started_running" if running.any() else "never_started"
    found: Start | None = None
    for end in ends:
        if not _from_rest(speed, end):
            continue
        one = _start(drive, speed, end)
        if one.complete:
            return one
        found = found or one
    return found if found is not None and _told(found) else "started_running"


def _from_rest(speed: Signal, end: int) -> bool:
    """Whether the engine stood still before, or the recording began while it was cranked: not an idle that dropped."""
    slow = np.flatnonzero(speed.values[:end] >= RUNNING_SPEED)
    since = int(slow[-1]) + 1 if len(slow) else 0
    return since == 0 or bool((speed.values[since:end] <= TURNING).any())


def _told(start: Start) -> bool:
    """Whether an incomplete start says anything: it was seen to begin at rest."""
    return start.within is not None or start.resting is not None or start.speeds > 0


def _start(drive: Drive, speed: Signal, end: int) -> Start:
    """Everything about the start whose first running reading has the index `end` (one past the last for none)."""
    fired = end < len(speed.times)
    first = end
    while first > 0 and TURNING < speed.values[first - 1] < RUNNING_SPEED:
        first -= 1
    stop = float(speed.times[end]) if fired else float(speed.times[-1])
    begin = float(speed.times[first]) if first < end else stop
    if stop - begin > LONGEST_CRANK:
        first = int(np.searchsorted(speed.times, stop - LONGEST_CRANK))
        begin = float(speed.times[first])
    still = first > 0 and float(speed.values[first - 1]) <= TURNING
    at_rest = float(speed.times[first - 1]) if still else None
    source, volts = _voltage(drive, begin, stop)
    resting = _resting(volts, speed, begin) if still else None
    begin = _first_dip(volts, resting, at_rest, begin, stop)
    values = speed.values[first:end]
    steady = plateau(values)
    while_cranking = _between(volts, begin, stop)
    settled = _between(volts, begin + INRUSH, stop)
    if len(settled) < min(2, len(while_cranking)):
        settled = while_cranking
    within = stop - at_rest if fired and at_rest is not None else None
    if within is not None and within > LONGEST_GAP + (stop - begin):
        within = None
    seen = len(values) + len(while_cranking) >= FEWEST
    return Start(
        begin,
        stop,
        fired,
        speeds=len(values),
        volts=len(while_cranking),
        speed=median(steady) if len(steady) else None,
        ripple=float(np.std(steady) / np.mean(steady)) if len(steady) >= FEWEST else None,
        source=source,
        resting=resting,
        cranking=median(settled) if len(settled) else None,
        lowest=float(np.min(while_cranking)) if len(while_cranking) else None,
        to_fire=stop - begin if seen and begin < stop else None,
        within=within,
        coolant=_coolant(drive, begin),
        speed_error=_error(steady),
        asleep=any(m.kind is MarkKind.ASLEEP and abs(m.t - stop) <= LONGEST_GAP for m in drive.marks),
    )


def _voltage(drive: Drive, begin: float, end: float) -> tuple[str, Signal | None]:
    """The voltage signal with most readings while cranking; the better source where two have enough."""
    best: tuple[int, str, Signal | None] = (-1, "", None)
    for key in SOURCES:
        signal = readings(drive, key)
        if signal is None:
            continue
        possible = (signal.values >= VOLTS[0]) & (signal.values <= VOLTS[1])
        signal = Signal(key, signal.unit, signal.times[possible], signal.values[possible], signal.ecu)
        count = min(FEWEST, len(_between(signal, begin - 1.0, end)))
        if count > best[0]:
            best = (count, key, signal)
    return best[1], best[2]


def _between(signal: Signal | None, begin: float, end: float) -> FloatArray:
    if signal is None:
        return np.empty(0)
    first, last = np.searchsorted(signal.times, [begin, end])
    return signal.values[first:last]


def _resting(volts: Signal | None, speed: Signal, begin: float) -> float | None:
    """Middle of the voltage while nothing turned, before the starter."""
    turned = np.flatnonzero((speed.values > TURNING) & (speed.times < begin))
    since = max(begin - REST_WINDOW, float(speed.times[turned[-1]]) + REST_GUARD if len(turned) else -np.inf)
    values = _between(volts, since, begin - REST_GUARD)
    if not len(values):
        return None
    return median(values)


def _first_dip(volts: Signal | None, resting: float | None, at_rest: float | None, begin: float, end: float) -> float:
    """The earlier of the first turn and the first fall of the voltage after the last reading at rest."""
    if volts is None or resting is None or at_rest is None:
        return begin
    first, last = np.searchsorted(volts.times, [max(at_rest, end - LONGEST_CRANK), end])
    low = np.flatnonzero(volts.values[first:last] < resting - DIP)
    return min(begin, float(volts.times[first + low[0]])) if len(low) else begin


def plateau(values: FloatArray) -> FloatArray:
    """Speeds on the plateau: not the first reading, in which the starter still spins up, and not the first firing."""
    if not len(values):
        return values
    body = values[1:] if len(values) > FEWEST else values
    middle = median(body)
    return body[np.abs(body - middle) <= PLATEAU * middle]


USUAL_SWING = 0.02
"""Standard deviation of a crank speed on its plateau [-]: compression swings it by some per cent of itself (common
practice). It counts as much as FEWEST readings, so that two or three that agree by luck prove nothing."""

MAD_TO_SIGMA, MEDIAN_ERROR = 1.4826, 1.2533
"""Of a normal distribution: its standard deviation in median absolute deviations, and by how much the standard error of
a median is larger than that of a mean."""


def _error(values: FloatArray) -> float:
    """Standard error of the middle of a few readings [-]; one that still spins up or already fires is no swing."""
    count = len(values)
    if count < 2:
        return USUAL_SWING
    middle = median(values)
    swing = MAD_TO_SIGMA * median(np.abs(values - middle)) / middle
    pooled = np.sqrt((FEWEST * USUAL_SWING**2 + count * swing**2) / (FEWEST + count))
    return float(MEDIAN_ERROR * pooled / np.sqrt(count))


def _coolant(drive: Drive, begin: float) -> float | None:
    coolant = readings(drive, "coolant_temperature")
    if coolant is None:
        return None
    nearest = int(np.argmin(np.abs(coolant.times - begin)))
    return float(coolant.values[nearest]) if abs(float(coolant.times[nearest]) - begin) <= 60.0 else None
