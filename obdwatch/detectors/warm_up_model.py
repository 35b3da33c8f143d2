"""Three explanations of a warm-up, each a cooling system with its own prior, fitted to the same drive and compared.

Parameters of a fit, in this order: logarithm of heat capacity, heat share, loss at standstill, loss with speed, heater;
opening temperature; logarithm of the radiator's size; error of the outside temperature; and, for a thermostat that
does not shut, logarithm of how far it stands open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.heat_input import USUAL_DISPLACEMENT
from obdwatch.detectors.oxygen_sensors_baseline import features_of
from obdwatch.detectors.warm_up_record import LOWEST_OPENING, WarmUpRecord
from obdwatch.physics.cooling import OPENING_SPAN, CoolingSystem, warm_up_curves
from obdwatch.physics.estimation import Fit, Prior, Problem, fit_beside, probabilities
from obdwatch.physics.order_statistics import median
from obdwatch.records import Car, EventKind, FloatArray, History

CAPACITY, SHARE, STILL, SPEED, HEATER, OPENING, RADIATOR, AIR, LEAK = range(9)

# Priors of a 2.0 L engine: (middle, standard deviation of the logarithm), all common practice unless a source is named.
HEAT_CAPACITY_BASE, HEAT_CAPACITY_PER_LITRE = 20.0, 30.0
"""Metal and coolant that warm up [kJ/K], [kJ/K per L]: 60 kg of metal and 3 L of coolant per litre, in part."""
HEAT_CAPACITY_SPREAD = 0.35
HEAT_SHARE = (0.33, 0.2)
"""Of the fuel's heat: a third at part load, 30 to 40 %."""
LOSS_STILL = (0.020, 0.5)
"""[kW/K]: some 10 W/K through the surface, more where a heater without a tap stays warm."""
LOSS_SPEED = (0.0003, 0.6)
"""[kW/K per km/h]: wind doubles the loss of the block at 100 km/h."""
HEATER_LOSS = (0.018, 0.75)
"""[kW/K]: next to nothing with the blower off, 60 W/K and more with it on full: 5 kW at 80 K."""
RADIATOR_SPREAD = 0.6
LEAK_OPENING = (0.45, 0.6)
"""How far a thermostat that fails open stands open: a quarter to fully."""
SIZE_UNKNOWN = 0.45
"""Spread of the logarithm of engine sizes on the road: 0.8 to 5 L."""

OPENING_UNKNOWN = (90.0, 6.0)
"""Opening of a sound thermostat of unknown type [degC]: published 82-91, mapped types up to 110."""
OPENING_KNOWN_SPREAD = 3.0
"""Tolerance of thermostat (2 K) and sensor (2 K) together (common practice)."""
MAPPED_FROM = 95.0
"""A thermostat named hotter [degC] is an electrically heated one, which is made to open from 80 degC under load."""
LOWEST_WAX_OPENING = 82.0
"""Lowest published opening of a plain wax thermostat [degC]."""
HOTTEST_REGULATION = 110.0
"""Hottest published regulation [degC]; the fans of a healthy car hold it there."""
REGULATION_SHORTFALL = 11.0
"""Coolant this far below regulation [K] is a thermostat fault to regulators (40 CFR 86.010-18(i)(1))."""
KNOWN_TOLERANCE, OWN_TOLERANCE, UNKNOWN_TOLERANCE = 6.0, 5.0, 4.0
"""Below the named temperature, the car's own, the lowest published by more [K] is worth a word: two deviations."""
OPENS_LOW_BY, OPENS_LOW_SPREAD = 22.0, 8.0
"""How much too low a thermostat that opens low opens [K]."""

CORRELATION_TIME = 100.0
"""Over this [s] the model errs in one direction: coolant lags the metal, the driver moves the heater's knob."""

PRIOR_PROBABILITY = np.array([0.90, 0.06, 0.04])
"""Healthy, does not shut, opens low: one in ten cars past 100,000 miles (life of 60,000 to 75,000 miles)."""

OWN_SPREAD_FLOOR = 0.15
"""Least spread of the logarithm between healthy warm-ups of one car: weather, heater, filling of the tank."""
HEATER_SEASON = 10.0
"""Difference of the outside air [K] over which the heater is no longer set alike: shut at 20 degC, on full at freezing
(common practice)."""
FEWEST_OWN = 3
"""Fewer healthy drives than this are no baseline."""
REFERENCE_SPEED = 50.0
"""Speed at which losses are stated [km/h]."""

EXPECTED = (0.025, 0.5, 0.975)
"""Quantiles of healthy cars that are shown as what was to be expected."""

ENSEMBLE, SEED = 300, 20
"""Healthy cars drawn to show what was to be expected; a fixed seed, so that a drive always gets the same answer."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """One explanation fitted to the drive: its `fit` and its `probability` among the three."""

    fit: Fit
    probability: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """The three explanations, what was known of the healthy car (`prior`), and how sure each point is.

    `deviation` [K] is the standard deviation of a single point about the curve; `expected` [3, steps] is the 2.5 %,
    middle and 97.5 % curve of healthy cars like this one on this drive.
    """

    healthy: Explanation
    stuck_open: Explanation
    opens_low: Explanation
    prior: Prior
    own_baseline: bool
    deviation: float
    expected: FloatArray


def compare(record: WarmUpRecord, car: Car | None, history: History) -> Comparison:
    """Fit the three explanations to the record and weigh them."""
    regulation, spread = known_opening(car, history)
    healthy, own = _with_history(_healthy_prior(record, regulation, spread), record, history)
    low = Prior(healthy.mean.copy(), healthy.covariance.copy())
    low.mean[OPENING] = regulation - OPENS_LOW_BY
    low.covariance[OPENING, OPENING] = OPENS_LOW_SPREAD**2
    generator = np.random.default_rng(SEED)
    fits, drawn = _fit(record, (healthy, _with_leak(healthy), low), healthy.draw(ENSEMBLE, generator))
    share = probabilities(np.array([one.log_evidence for one in fits]), PRIOR_PROBABILITY)
    healthy_one, stuck, opens_low = (Explanation(one, float(p)) for one, p in zip(fits, share, strict=True))
    deviation = record.heat_input.curve_error
    expected = _expected(drawn, deviation * generator.standard_normal((ENSEMBLE, 1)))
    return Comparison(healthy_one, stuck, opens_low, healthy, own, deviation, expected)


def curves(record: WarmUpRecord, table: FloatArray) -> FloatArray:
    """Return the coolant curves [members, steps] of a table of parameters [members, 8 or 9]; no leak is NaN."""
    columns = table.T
    positive = np.exp(np.clip(columns, -15.0, 15.0))
    leak = np.nan_to_num(np.minimum(positive[LEAK], 1.0)) if len(columns) > LEAK else np.zeros(len(table))
    system = CoolingSystem(
        heat_capacity=positive[CAPACITY],
        heat_share=positive[SHARE],
        loss_still=positive[STILL],
        loss_speed=positive[SPEED],
        heater=positive[HEATER],
        opening=columns[OPENING],
        radiator=positive[RADIATOR],
        leak=leak,
        air_offset=columns[AIR],
    )
    return warm_up_curves(record.conditions, system)


def known_opening(car: Car | None, history: History) -> tuple[float, float]:
    """Return where this car should regulate and how sure that is: by its own past, its profile, or published ranges."""
    own = own_values(history, "regulating_temperature")
    if len(own) >= FEWEST_OWN:
        return median(own), float(np.hypot(2.0, np.std(own)))
    named = car.thermostat_temperature if car is not None else None
    if named is None:
        return OPENING_UNKNOWN
    if named <= MAPPED_FROM:
        return named, OPENING_KNOWN_SPREAD
    anywhere = (named - LOWEST_OPENING) / float(np.sqrt(12.0))  # of a uniform distribution
    return (LOWEST_OPENING + named) / 2.0, float(np.hypot(anywhere, OPENING_KNOWN_SPREAD))


def top_of_regulation(car: Car | None, history: History) -> float:
    """Return how hot this car may regulate [degC]."""
    regulation, spread = known_opening(car, history)
    return min(regulation + 2.0 * spread + OPENING_SPAN, HOTTEST_REGULATION)


def lowest_sound(car: Car | None, history: History) -> tuple[float, float]:
    """Return below which opening temperature [degC] a thermostat is worth watching, and below which it is faulty."""
    regulation, _ = known_opening(car, history)
    if len(own_values(history, "regulating_temperature")) >= FEWEST_OWN:
        return regulation - OWN_TOLERANCE, regulation - REGULATION_SHORTFALL
    if car is None or car.thermostat_temperature is None or car.thermostat_temperature > MAPPED_FROM:
        return LOWEST_OPENING - UNKNOWN_TOLERANCE, LOWEST_WAX_OPENING - REGULATION_SHORTFALL
    return regulation - KNOWN_TOLERANCE, regulation - REGULATION_SHORTFALL


def own_values(history: History, name: str) -> FloatArray:
    """Return a measure of this car's earlier healthy warm-ups since the thermostat was last renewed."""
    repairs = [e.at for e in history.events if e.kind == EventKind.REPAIR and e.part == "thermostat"]
    since = max(repairs, default=None)
    own = features_of(history, "warm_up", name)
    return np.array(
        [f.value for f in own if f.healthy and (since is None or (f.at is not None and f.at > since))]
    )  # fmt: skip


def warm_up_rate_row(count: int) -> FloatArray:
    """Return the row that makes the logarithm of heat share over heat capacity out of parameters."""
    row = np.zeros(count)
    row[SHARE], row[CAPACITY] = 1.0, -1.0
    return row


def closed_loss(rows: FloatArray) -> FloatArray:
    """Return the loss at reference speed with thermostat shut and heater warm [kW/K] of parameters [members, ...]."""
    parts = np.exp(rows[:, STILL]) + np.exp(rows[:, SPEED]) * REFERENCE_SPEED + np.exp(rows[:, HEATER])
    return np.asarray(parts, dtype=np.float64)


def loss_rate_row(at: FloatArray) -> FloatArray:
    """Return the derivative of the logarithm of closed loss over heat capacity, by parameter, near `at`."""
    row = np.zeros(len(at))
    total = closed_loss(at[None, :])[0]
    row[STILL], row[HEATER] = np.exp(at[STILL]) / total, np.exp(at[HEATER]) / total
    row[SPEED], row[CAPACITY] = np.exp(at[SPEED]) * REFERENCE_SPEED / total, -1.0
    return row


def _healthy_prior(record: WarmUpRecord, regulation: float, spread: float) -> Prior:
    size = record.size or USUAL_DISPLACEMENT
    unknown = 0.0 if record.size else SIZE_UNKNOWN
    surface = (size / USUAL_DISPLACEMENT) ** (2.0 / 3.0)
    middle = (
        np.log(HEAT_CAPACITY_BASE + HEAT_CAPACITY_PER_LITRE * size),
        np.log(HEAT_SHARE[0]),
        np.log(LOSS_STILL[0] * surface),
        np.log(LOSS_SPEED[0] * surface),
        np.log(HEATER_LOSS[0]),
        regulation,
        np.log(surface),
        0.0,
    )
    deviation = (
        np.hypot(HEAT_CAPACITY_SPREAD, unknown),
        np.hypot(HEAT_SHARE[1], record.heat_input.deviation),
        LOSS_STILL[1],
        LOSS_SPEED[1],
        HEATER_LOSS[1],
        spread,
        RADIATOR_SPREAD,
        record.air_error,
    )
    return Prior(np.array(middle), np.diag(np.square(deviation)))


def _with_history(prior: Prior, record: WarmUpRecord, history: History) -> tuple[Prior, bool]:
    rates, losses = own_values(history, "warm_up_rate"), own_values(history, "cold_loss_rate")
    if min(len(rates), len(losses)) < FEWEST_OWN:
        return prior, False
    known = np.log(rates / 1000.0)
    spread = float(np.hypot(_own_spread(known), record.heat_input.changing))
    prior = prior.given(warm_up_rate_row(len(prior.mean)), median(known), spread)
    known = np.log(losses / 3600.0)
    row = loss_rate_row(prior.mean)
    off = median(known) - float(np.log(closed_loss(prior.mean[None, :])[0]) - prior.mean[CAPACITY])
    alike = _heater_alike(float(record.conditions.air[0]), own_values(history, "outside_air"))
    return _given_loss(prior, row, float(row @ prior.mean) + off, _own_spread(known), alike), True


def _heater_alike(air: float, earlier: FloatArray) -> float:
    """Return how far the heater may be taken to be set as on the earlier drives, from 0 to 1, by the air outside."""
    return float(np.exp(-abs(air - median(earlier)) / HEATER_SEASON)) if len(earlier) else 0.0


def _given_loss(prior: Prior, row: FloatArray, value: float, deviation: float, alike: float) -> Prior:
    """Return the prior after the earlier drives' loss: theirs was made with their heater, set `alike` today's."""
    count = len(prior.mean)
    covariance = np.zeros((count + 1, count + 1))
    covariance[:count, :count] = prior.covariance
    covariance[count, :count] = covariance[:count, count] = alike * prior.covariance[HEATER]
    covariance[count, count] = prior.covariance[HEATER, HEATER]
    then = np.append(row, row[HEATER])
    then[HEATER] = 0.0
    both = Prior(np.append(prior.mean, prior.mean[HEATER]), covariance).given(then, value, deviation)
    return Prior(both.mean[:count], both.covariance[:count, :count])


def _own_spread(values: FloatArray) -> float:
    return float(max(np.std(values, ddof=1), OWN_SPREAD_FLOOR) * np.sqrt(1.0 + 1.0 / len(values)))


def _with_leak(prior: Prior) -> Prior:
    covariance = np.zeros((LEAK + 1, LEAK + 1))
    covariance[:LEAK, :LEAK] = prior.covariance
    covariance[LEAK, LEAK] = LEAK_OPENING[1] ** 2
    return Prior(np.append(prior.mean, np.log(LEAK_OPENING[0])), covariance)


def _fit(record: WarmUpRecord, priors: tuple[Prior, ...], beside: FloatArray) -> tuple[list[Fit], FloatArray]:
    """Fit the explanations; the curves of `beside` are drawn with them, so that they cost little more."""
    step = record.conditions.step
    weight = np.sqrt(step / (2.0 * CORRELATION_TIME)) / record.heat_input.curve_error
    weights = np.where(record.running, min(weight, 1.0), 0.0)
    problems = [Problem(record.conditions.measured, weights, prior, prior.mean) for prior in priors]
    return fit_beside(lambda tables: curves(record, tables), problems, beside)


def _expected(drawn: FloatArray, errors: FloatArray) -> FloatArray:
    """Return the ends and the middle of the curves `drawn` for healthy cars, each read with its own error [K]."""
    table = np.minimum(drawn, HOTTEST_REGULATION) + errors
    # Sorted at once: percentiles along an axis cost four times as much.
    table.sort(axis=0)
    place = (ENSEMBLE - 1) * np.array(EXPECTED)
    below = place.astype(np.int64)
    lower, upper = table[below], table[below + 1]
    return np.asarray(lower + (place - below)[:, None] * (upper - lower), dtype=np.float64)
