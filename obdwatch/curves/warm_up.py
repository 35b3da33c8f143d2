"""The coolant of a warm-up against what sound cars like this one would have shown on the same drive."""

from __future__ import annotations

import numpy as np

from obdwatch.curves.curve import Axis, Curve, Expected, Look, Panel, Series
from obdwatch.detectors.warm_up import NAME
from obdwatch.detectors.warm_up_model import Comparison, compare
from obdwatch.detectors.warm_up_record import WarmUpRecord, prepare
from obdwatch.records import Car, Drive, FloatArray, History, Measure

MINUTE = 60.0


def curve(drive: Drive, car: Car | None, history: History) -> Curve | None:
    """Return coolant temperature [degC] over minutes since the first reading, None where no warm-up can be judged.

    The band holds 95 % of sound cars: same heat of the fuel, same speed, same outside air, and what is known of this
    car's own earlier warm-ups.
    """
    record = prepare(drive, car)
    if isinstance(record, str):
        return None
    found = compare(record, car, history)
    half = record.conditions.step / 2.0
    near = (record.coolant.times >= record.times[0] - half) & (record.coolant.times <= record.times[-1] + half)
    times = record.coolant.times[near]
    begin = float(times[0]) if len(times) else float(record.times[0])
    measured = Series("coolant", Look.LINE, (times - begin) / MINUTE, record.coolant.values[near])
    return Curve(
        NAME,
        Axis("minutes since the first reading", "min"),
        (Panel(Axis("Coolant", "degC"), (measured,), (_expected(record, found, begin),)),),
        _facts(record, found, begin),
    )


def _expected(record: WarmUpRecord, found: Comparison, begin: float) -> Expected:
    """The band, broken where a stretch of the drive was cut out."""
    starts = np.flatnonzero(record.conditions.restart)
    breaks = starts[starts > 0]
    x = np.insert((record.times - begin) / MINUTE, breaks, (record.times[breaks] - begin) / MINUTE)
    low, middle, high = (np.insert(row, breaks, np.nan) for row in found.expected)
    return Expected("expected of this car", x, low, middle, high)


def _facts(record: WarmUpRecord, found: Comparison, begin: float) -> tuple[Measure, ...]:
    measured, minutes = record.conditions.measured, record.conditions.step / MINUTE
    low, _, high = found.expected
    facts = [
        Measure("minutes", len(measured) * minutes, "min"),
        Measure("colder", float(np.count_nonzero(measured < low)) * minutes, "min"),
        Measure("hotter", float(np.count_nonzero(measured > high)) * minutes, "min"),
        _there(record, found, "last", len(measured) - 1),
    ]
    beyond: FloatArray = np.maximum(low - measured, measured - high)
    place = int(np.argmax(beyond))
    if beyond[place] > 0.0:
        facts.append(_there(record, found, "furthest", place))
        facts.append(Measure("furthest_at", (float(record.times[place]) - begin) / MINUTE, "min"))
    if found.own_baseline:
        facts.append(Measure("own_baseline", 1.0, ""))
    return tuple(facts)


def _there(record: WarmUpRecord, found: Comparison, name: str, place: int) -> Measure:
    ends = float(found.expected[0, place]), float(found.expected[2, place])
    return Measure(name, float(record.conditions.measured[place]), "degC", None, ends)
