"""How full of air the engine gets at full throttle, by engine speed, against its own earlier drives or full load."""

from __future__ import annotations

import numpy as np

from obdwatch.curves.curve import Axis, Curve, Expected, Look, Panel, Series
from obdwatch.detectors.air_filling import NAME
from obdwatch.detectors.air_filling_bands import Band, Losses, value_of
from obdwatch.detectors.air_filling_judgement import LEVEL_FIRST, LEVEL_OWN, Filling, judge
from obdwatch.detectors.air_filling_record import FillingRecord, prepare
from obdwatch.detectors.heat_input import burns_lean
from obdwatch.records import Car, Drive, FloatArray, History, Measure

MOST_DOTS = 300
FEWEST_BANDS = 2


def curve(drive: Drive, car: Car | None, history: History) -> Curve | None:
    """Return filling [%] over engine speed [1/min] of full-throttle pulls; None where there were none to judge.

    Against the car's own drives it is the filling at standard air, on its first drives calculated load, which
    SAE J1979 defines as the share of the full-throttle air.
    """
    if burns_lean(drive, car):
        return None
    record = prepare(drive, car)
    filling = judge(record, car, history)
    kind = filling.losses.kind if filling.losses is not None else "full"
    bands = [band for band in filling.bands if np.isfinite(value_of(band, kind))]
    if len(bands) < FEWEST_BANDS:
        return None
    words = "Filling at full throttle" if kind == "full" else "Load at full throttle"
    expected = () if filling.losses is None else (_expected(bands, filling.losses),)
    panel = Panel(Axis(words, "%"), (_dots(record, kind), _bands(bands, kind)), expected)
    return Curve(NAME, Axis("engine speed", "1/min"), (panel,), _facts(filling))


def _dots(record: FillingRecord, kind: str) -> Series:
    values = record.pulls.filling if kind == "full" else record.pulls.share
    known = np.flatnonzero(np.isfinite(values))
    kept = known[np.unique(np.linspace(0, len(known) - 1, min(len(known), MOST_DOTS)).astype(np.intp))]
    return Series("single readings", Look.DOTS, record.pulls.speed[kept], values[kept])


def _bands(bands: list[Band], kind: str) -> Series:
    """The value of each 500 1/min, broken where a band was not driven."""
    x = np.array([band.middle for band in bands])
    y = np.array([value_of(band, kind) for band in bands])
    holes = np.flatnonzero(np.diff(x) > 1.5 * float(np.min(np.diff(x)))) + 1
    return Series("measured", Look.LINE, np.insert(x, holes, x[holes]), np.insert(y, holes, np.nan))


def _expected(bands: list[Band], losses: Losses) -> Expected:
    """What the losses were reckoned from, and how much may be missing before it counts."""
    measured = {band.middle: value_of(band, losses.kind) for band in bands}
    there = [place for place, middle in enumerate(losses.middle) if float(middle) in measured]
    x: FloatArray = losses.middle[there]
    value = np.array([measured[float(middle)] for middle in x])
    middle = value / (1.0 - losses.loss[there] / 100.0)
    level = LEVEL_OWN if losses.own else LEVEL_FIRST
    low = middle * (1.0 - level / 100.0)
    if losses.own:
        return Expected("its own earlier drives", x, low, middle, middle * (1.0 + level / 100.0))
    return Expected("full load", x, low, middle, middle)  # a share of it ends at 100 %


def _facts(filling: Filling) -> tuple[Measure, ...]:
    place, losses = filling.place, filling.losses
    if place is None or losses is None:
        return ()
    level = LEVEL_OWN if losses.own else LEVEL_FIRST
    facts = [Measure("missing", place.overall, "%", None, (-level, level))]
    if losses.own:
        facts.append(Measure("own_drives", float(losses.drives), ""))
    if place.split is not None and filling.where in ("low_speeds", "high_speeds"):
        facts += [
            Measure("missing_low", place.low, "%"),
            Measure("missing_high", place.high, "%"),
            Measure("split", place.split, "1/min"),
        ]
    return tuple(facts)
