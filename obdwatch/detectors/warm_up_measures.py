"""The numbers a warm-up finding rests on, with their intervals; their names are also those of the car's history.

Intervals hold 95 % of what the fit leaves possible, expected ranges 95 % of healthy cars like this one.
"""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.warm_up_model import (
    AIR,
    CAPACITY,
    ENSEMBLE,
    LEAK,
    OPENING,
    RADIATOR,
    REFERENCE_SPEED,
    SEED,
    SHARE,
    Comparison,
    closed_loss,
)
from obdwatch.detectors.warm_up_record import LOWEST_OPENING, SETTLING, WarmUpRecord
from obdwatch.physics.cooling import radiator_conductance
from obdwatch.physics.estimation import Fit, Prior
from obdwatch.physics.order_statistics import quantiles
from obdwatch.records import FloatArray, Measure

SETTLED_AFTER = 180.0
"""Time after reaching regulation [s] before its level is read: the first slug of cold radiator coolant has passed."""

CENTRAL = (0.025, 0.975)


def measures_of(record: WarmUpRecord, found: Comparison, signature: str) -> tuple[Measure, ...]:
    """Return the measures of a finding: what was seen, what was to be expected, and what the best fit says."""
    fit = {"stuck_open": found.stuck_open, "opens_low": found.opens_low}.get(signature, found.healthy).fit
    generator = np.random.default_rng(SEED)
    drawn = Prior(fit.parameters, fit.covariance).draw(ENSEMBLE, generator)
    healthy = found.prior.draw(ENSEMBLE, generator)
    fitted = _fitted(fit, drawn, healthy, record.heat_input.deviation * generator.standard_normal(ENSEMBLE))
    return (*_seen(record, found), *fitted, *_thermostat(record, found, fit))


def _seen(record: WarmUpRecord, found: Comparison) -> tuple[Measure, ...]:
    conditions = record.conditions
    heat = float(np.sum(conditions.heat)) * conditions.step / 1000.0
    at = telling(record, found)
    low, _, high = found.expected[:, at]
    last_low, _, last_high = found.expected[:, -1]
    air = float(conditions.air[0])
    return (
        Measure("coolant_at_start", float(conditions.measured[0]), "degC"),
        Measure("coolant_at_telling_time", float(conditions.measured[at]), "degC", None, (float(low), float(high))),
        Measure("telling_time", float(record.times[at] - record.times[0]), "s"),
        Measure("coolant_at_end", float(conditions.measured[-1]), "degC", None, (float(last_low), float(last_high))),
        Measure("duration", float(record.times[-1] - record.times[0]), "s"),
        Measure("fuel_heat", heat, "MJ", _about(heat, record.heat_input.deviation)),
        Measure("mean_speed", float(np.mean(conditions.speed)), "km/h"),
        Measure("outside_air", air, "degC", (air - 1.96 * record.air_error, air + 1.96 * record.air_error)),
        Measure("hottest_coolant", float(record.coolant.values.max()), "degC"),
    )


def telling(record: WarmUpRecord, found: Comparison) -> int:
    """Return the step at which the coolant lies furthest from the middle of what was expected, in widths of it."""
    low, middle, high = found.expected
    measured = record.conditions.measured
    width = np.where(measured < middle, middle - low, high - middle)
    return int(np.argmax(np.abs(measured - middle) / np.maximum(width, found.deviation)))


def _fitted(fit: Fit, drawn: FloatArray, healthy: FloatArray, heat_error: FloatArray) -> tuple[Measure, ...]:
    """Measures of the fit; `heat_error` [draws] is by how much the heat may be wrong as a whole (logarithm)."""
    best = fit.parameters[None, :]
    rate = Measure(
        "warm_up_rate",
        float(_rate(best)[0]),
        "K/MJ",
        _central(_rate(drawn) * np.exp(heat_error)),
        _central(_rate(healthy)),
    )
    return rate, *(
        Measure(name, float(value(best)[0]), unit, _central(value(drawn)), _central(value(healthy)))
        for name, unit, value in (
            ("cold_loss", "W/K", _loss),
            ("cold_loss_rate", "1/h", lambda rows: 3.6 * _loss(rows) / np.exp(rows[:, CAPACITY])),
            ("heat_capacity", "kJ/K", lambda rows: np.exp(rows[:, CAPACITY])),
            ("heat_share", "%", lambda rows: 100.0 * np.exp(rows[:, SHARE])),
        )
    )


def _rate(rows: FloatArray) -> FloatArray:
    """Rise of the coolant per heat of the fuel, without any loss [K/MJ]."""
    return np.asarray(1000.0 * np.exp(rows[:, SHARE] - rows[:, CAPACITY]))


def _loss(rows: FloatArray) -> FloatArray:
    """Loss at reference speed while cold [W/K], with what a thermostat that does not shut lets through."""
    closed = closed_loss(rows)
    if rows.shape[1] <= LEAK:
        return np.asarray(1000.0 * closed)
    radiator = radiator_conductance(np.array([REFERENCE_SPEED]), np.exp(rows[:, RADIATOR]))
    return np.asarray(1000.0 * (closed + radiator * np.minimum(np.exp(rows[:, LEAK]), 1.0)))


def _thermostat(record: WarmUpRecord, found: Comparison, fit: Fit) -> tuple[Measure, ...]:
    measures = [
        Measure("stuck_open_probability", found.stuck_open.probability, "-"),
        Measure("opens_low_probability", found.opens_low.probability, "-"),
        Measure("air_temperature_error", float(fit.parameters[AIR]), "K"),
    ]
    seen = fit.covariance[OPENING, OPENING] < 0.5 * found.prior.covariance[OPENING, OPENING]
    expected = _about_sum(float(found.prior.mean[OPENING]), float(np.sqrt(found.prior.covariance[OPENING, OPENING])))
    if seen:
        at, error = float(fit.parameters[OPENING]), float(np.sqrt(fit.covariance[OPENING, OPENING]))
        measures.append(Measure("opening_temperature", at, "degC", _about_sum(at, error), expected))
    if len(fit.parameters) > LEAK:
        share, spread = fit.parameters[LEAK], float(np.sqrt(fit.covariance[LEAK, LEAK]))
        low, high = np.exp(share - 1.96 * spread), np.exp(share + 1.96 * spread)
        value = min(1.0, float(np.exp(share)))
        measures.append(Measure("open_while_cold", 100.0 * value, "%", (100.0 * low, min(100.0, 100.0 * high)), (0, 5)))
    level = regulating_level(record)
    if level is not None:
        measures.append(Measure("regulating_temperature", level[0], "degC", level[1], expected))
    return tuple(measures)


def regulating_level(record: WarmUpRecord) -> tuple[float, tuple[float, float]] | None:
    """Return the level the coolant settles at [degC] and the central range about it, None where it never settles."""
    conditions = record.conditions
    warm = np.flatnonzero(conditions.measured >= LOWEST_OPENING)
    if not len(warm):
        return None
    times = record.times
    settled = conditions.measured[(times >= times[warm[0]] + SETTLED_AFTER) & (times <= times[warm[0]] + 2 * SETTLING)]
    if len(settled) * conditions.step < SETTLED_AFTER:
        return None
    low, middle, high = quantiles(settled, (0.025, 0.5, 0.975))
    return middle, (low, high)


def _central(values: FloatArray) -> tuple[float, float]:
    low, high = quantiles(values, CENTRAL)
    return low, high


def _about(value: float, relative: float) -> tuple[float, float]:
    return float(value * np.exp(-1.96 * relative)), float(value * np.exp(1.96 * relative))


def _about_sum(value: float, deviation: float) -> tuple[float, float]:
    return value - 1.96 * deviation, value + 1.96 * deviation
