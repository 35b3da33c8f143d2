"""The seconds around a start: the voltage and the speed of the engine, with what a sound battery and starter reach."""

from __future__ import annotations

import numpy as np

from obdwatch.curves.curve import Axis, Curve, Expected, Look, Panel, Series
from obdwatch.detectors.cranking import NAME, floor, slowest
from obdwatch.detectors.cranking_past import compare
from obdwatch.detectors.cranking_record import FEWEST, INRUSH, VOLTS, Start, prepare
from obdwatch.detectors.sampled import readings
from obdwatch.records import Car, Drive, FloatArray, History, Measure, Signal

BEFORE, AFTER = 5.0, 5.0
"""Seconds shown on either side of the start."""


def curve(drive: Drive, car: Car | None, history: History) -> Curve | None:
    """Return voltage [V] and engine speed [1/min] over seconds since the starter turned; None where it was not seen.

    The floor of the voltage is that of a load test at this temperature, the speed the slowest of a sound starter or
    the least that this car's own earlier starts lead to expect.
    """
    start = prepare(drive)
    if isinstance(start, str) or start.end <= start.begin or start.speeds + start.volts < FEWEST:
        return None
    past = compare(start, history)
    slow = past.speed.limit if past.speed is not None else slowest(start.coolant)
    panels = []
    volts = readings(drive, start.source) if start.source else None
    if volts is not None:
        volts = _possible(volts)
        panels.append(_panel("Voltage", "V", volts, start, floor(start), start.cranking is not None))
    speed = readings(drive, "engine_speed")
    if speed is not None:
        panels.append(_panel("Engine speed", "1/min", speed, start, slow, start.speed is not None))
    return Curve(
        NAME, Axis("seconds since the starter turned", "s"), tuple(panels), _facts(start, slow, past.speed is not None)
    )


def _possible(volts: Signal) -> Signal:
    kept = (volts.values >= VOLTS[0]) & (volts.values <= VOLTS[1])
    return Signal(volts.key, volts.unit, volts.times[kept], volts.values[kept], volts.ecu)


def _panel(words: str, unit: str, signal: Signal, start: Start, least: float, judged: bool) -> Panel:
    first, last = np.searchsorted(signal.times, [start.begin - BEFORE, start.end + AFTER])
    x = signal.times[first:last] - start.begin
    measured = Series(words.lower(), Look.LINE, x, signal.values[first:last])
    # The inrush pulls the voltage lower and is no part of the cranking voltage; the speed has to rise first.
    ends: FloatArray = np.array([min(INRUSH, (start.end - start.begin) / 2.0), start.end - start.begin])
    expected = (Expected("at least, while the starter turns", ends, low=np.full(2, least)),) if judged else ()
    return Panel(Axis(words, unit), (measured,), expected)


def _facts(start: Start, slow: float, own: bool) -> tuple[Measure, ...]:
    shown = [Measure("lasted", start.end - start.begin, "s"), Measure("fired", float(start.fired), "")]
    if start.coolant is not None:
        shown.append(Measure("coolant", start.coolant, "degC"))
    if start.cranking is not None:
        shown.append(Measure("voltage", start.cranking, "V", None, (floor(start), VOLTS[1])))
        shown.append(Measure("voltage_readings", float(start.volts), ""))
    if start.speed is not None:
        shown.append(Measure("speed", start.speed, "1/min", None, (slow, float("inf"))))
        shown.append(Measure("speed_readings", float(start.speeds), ""))
    if own:
        shown.append(Measure("own_baseline", 1.0, ""))
    return tuple(shown)
