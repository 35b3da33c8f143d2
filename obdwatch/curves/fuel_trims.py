"""The fuel trims of each bank over the air that flows, with the fitted model and what a sound car may need."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from obdwatch.curves.curve import Axis, Curve, Expected, Look, Panel, Series
from obdwatch.detectors.fuel_trims import FEWEST_SECONDS, NAME
from obdwatch.detectors.fuel_trims_fit import Level, Regimes, TrimFit, fit_bank, modelled, regimes
from obdwatch.detectors.fuel_trims_limits import OWN_LEVEL
from obdwatch.detectors.fuel_trims_measures import SOUND, expected_range
from obdwatch.detectors.fuel_trims_past import Past
from obdwatch.detectors.fuel_trims_record import Missing, TrimRecord, prepare
from obdwatch.records import Car, Drive, FloatArray, History, Measure

PIECE = 10.0
"""Seconds of which one dot is the middle: the short trim swings about once a second, and a dozen swings even out."""

MOST_DOTS = 300
MODEL_POINTS = 40


def curve(drive: Drive, car: Car | None, history: History) -> Curve | None:
    """Return the trims [%] over air flow [g/s] while hot, steady and governed by the oxygen sensor; None without."""
    record = prepare(drive, car)
    if isinstance(record, Missing) or len(record.times) < FEWEST_SECONDS:
        return None
    split, past = regimes(record), Past(history, NAME)
    fits = {
        bank: fit_bank(record, record.trim[row], split, rivals=len(record.banks) == 1)
        for row, bank in enumerate(record.banks)
    }
    order = np.argsort(record.air, kind="stable")
    dots = tuple(_dots(record, row, bank) for row, bank in enumerate(record.banks))
    lines = tuple(line for bank, fit in fits.items() if (line := _model(record, split, fit, bank, order)) is not None)
    words = "air flow" if record.in_grams else "air flow, engine size assumed"
    panel = Panel(Axis("Fuel trim", "%"), (*dots, *lines), (_expected(record, split, past),))
    return Curve(NAME, Axis(words, "g/s"), (panel,), _facts(fits, past, record))


def _named(words: str, bank: int, record: TrimRecord) -> str:
    return f"{words}, bank {bank}" if len(record.banks) > 1 else words


def _dots(record: TrimRecord, row: int, bank: int) -> Series:
    """The middle of each steady piece of at most ten seconds; evenly thinned where there are very many."""
    piece = np.floor(record.times / PIECE)
    # A change between idle and driving inside of ten seconds makes two pieces.
    edges = np.flatnonzero((np.diff(piece) != 0.0) | (np.diff(record.idle.astype(np.int8)) != 0)) + 1
    parts = np.split(np.arange(len(piece)), edges)
    x = np.array([float(np.median(record.air[one])) for one in parts])
    y = np.array([float(np.median(record.trim[row][one])) for one in parts])
    kept = np.unique(np.linspace(0, len(parts) - 1, min(len(parts), MOST_DOTS)).astype(np.intp))
    return Series(_named("measured", bank, record), Look.DOTS, x[kept], y[kept], bank)


def _model(record: TrimRecord, split: Regimes, fit: TrimFit, bank: int, order: NDArray[np.intp]) -> Series | None:
    """The fitted model, averaged over readings at like air flow: vacuum differs a little among them."""
    values = modelled(record, split, fit)
    if values is None:
        return None
    groups = [one for one in np.array_split(order, MODEL_POINTS) if len(one)]
    x: FloatArray = np.array([float(np.mean(record.air[one])) for one in groups])
    y: FloatArray = np.array([float(np.mean(values[one])) for one in groups])
    return Series(_named("fitted", bank, record), Look.MODEL, x, y, bank)


def _ranges(past: Past) -> tuple[tuple[float, float], tuple[float, float]]:
    """What is expected at idle and with air flowing [%]."""
    idle = expected_range(past, "trim_at_idle", OWN_LEVEL, SOUND)
    return idle, expected_range(past, "trim_at_flow", OWN_LEVEL, SOUND)


def _expected(record: TrimRecord, split: Regimes, past: Past) -> Expected:
    """The band from idle, through where much air flows, to the ends of the picture."""
    idle, flow = _ranges(past)
    top = float(np.median(record.air[split.flow])) if split.flow.any() else float(np.max(record.air))
    knots = np.array([min(split.idle_air, top), top])
    x = np.unique(np.concatenate([knots, [float(np.min(record.air)), float(np.max(record.air))]]))
    low, high = (np.interp(x, knots, np.array([idle[end], flow[end]])) for end in (0, 1))
    return Expected("expected of this car", x, low=low, high=high)


def _facts(fits: dict[int, TrimFit], past: Past, record: TrimRecord) -> tuple[Measure, ...]:
    idle, flow = _ranges(past)
    facts = []
    for bank, fit in fits.items():
        for where, level, ends in (("idle", fit.idle, idle), ("flow", fit.flow, flow)):
            if level is not None:
                facts.append(_fact(f"{where}_bank_{bank}", level, ends))
        if fit.leak is not None:
            half = 1.96 * fit.leak.sigma
            ends = (fit.leak.share - half, fit.leak.share + half)
            facts.append(Measure(f"leak_bank_{bank}", fit.leak.share, "%", ends))
    if past.of("trim_at_idle") is not None or past.of("trim_at_flow") is not None:
        facts.append(Measure("own_baseline", 1.0, ""))
    facts.append(Measure("seconds", float(len(record.times)), "s"))
    return tuple(facts)


def _fact(name: str, level: Level, ends: tuple[float, float]) -> Measure:
    return Measure(name, level.value, "%", level.interval, ends)
