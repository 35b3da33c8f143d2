"""Does a signal behave: not at the end of its scale, not frozen, not jumping, and not later than heat makes it?"""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.cooling_record import between, coolant_of
from obdwatch.detectors.heat_input import find_heat
from obdwatch.detectors.rationality_doubt import Check, Doubt
from obdwatch.detectors.rationality_rest import FAULTY_SHARE, MOST_JUMPS, coolant_jumps, share_at_ends
from obdwatch.detectors.sampled import block_means, held, readings, spacing
from obdwatch.physics.order_statistics import median, quantiles
from obdwatch.physics.sensors import lagged
from obdwatch.records import Car, Drive, FloatArray, Measure, Span

ENDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "coolant_temperature": ("coolant_at_end", ("coolant_temperature_sensor",)),
    "intake_air_temperature": ("intake_air_at_end", ()),
    "ambient_air_temperature": ("outside_air_at_end", ()),
    "intake_manifold_pressure": ("manifold_pressure_at_end", ()),
}
"""Signals whose end of scale is an open or shorted sensor: signature and the part behind them."""

FEWEST_READINGS = 20
"""Fewer readings than this do not make a share."""

STUCK_TURNING, STUCK_TIME = 1.6, 120.0
"""Manifold pressure cannot stand still within one count while the engine speed ranges over 1.6 to 1 for two minutes."""

DRIVING_SPEED, DRIVING_TIME = 50.0, 300.0
"""Speed from which fresh air reaches both air sensors [km/h], and for how long [s] (common practice)."""

COLDER_INTAKE = 12.0
"""Air cannot arrive in the engine so much colder than it is outside [K]; an outside sensor reads up to 8 K high behind
a hot radiator, and both have 2 K of tolerance (common practice)."""

FROZEN_RANGE, FROZEN_TIME, FROZEN_HEAT, FROZEN_BELOW = 1.0, 300.0, 8000.0, 70.0
"""Coolant that moves less than 1 K over 5 min and 8 MJ of fuel [kJ] while cold: any engine gains 10 K from that."""

LAG_STEP, LAG_TOP, LAG_FEWEST, LAG_COLD = 10.0, 76.0, 180.0, 45.0
"""The warm-up to 76 degC (no thermostat opens lower) from 45 degC or colder, in steps of 10 s, three minutes of it."""

LAGS = (0.0, 15.0, 30.0, 45.0, 60.0, 90.0, 120.0, 180.0, 240.0)
HEALTHY_LAG, SLOW_LAG = 30.0, 75.0
"""Metal and a sound sensor follow the heat with up to 30 s together (common practice: 10 to 20 s each); a slow one
with more than 75 s."""

LAG_BETTER, LAG_MISFIT, LAG_FITS, LAG_NEAR = 1.7, 0.65, 1.2, 1.3
"""A slow sensor is claimed where the lag makes the misfit 1.7 times smaller (variance three times), a sound one misses
by 0.65 K, twice what a scale of 1 K does by itself, and the lag fits to 1.2 K; lags that fit within 30 % of
the best are as good."""


def end_doubts(drive: Drive) -> tuple[Doubt, ...]:
    """Return sensors that sit at the end of their scale."""
    found = []
    for key, (signature, parts) in ENDS.items():
        raw = drive.signals.get(key)
        share = share_at_ends(drive, key) if raw is not None and len(raw.values) >= FEWEST_READINGS else 0.0
        if share > FAULTY_SHARE:
            reason = f"is at the end of its scale in {share * 100.0:.0f} % of its readings"
            measure = Measure("readings_at_the_end", 100.0 * share, "%", None, (0.0, 100.0 * FAULTY_SHARE))
            found.append(Doubt(key, signature, reason, parts, (measure,), confidence=0.95))
    jumps = coolant_jumps(drive)
    if jumps > MOST_JUMPS:
        reason = f"jumps up by 8 °C or more within seconds, {jumps} times"
        measure = Measure("coolant_jumps", float(jumps), "", None, (0.0, float(MOST_JUMPS)))
        parts = ("coolant_temperature_sensor",)
        found.append(Doubt("coolant_temperature", "coolant_jumps", reason, parts, (measure,), confidence=0.9))
    return tuple(found)


def intake_doubts(drive: Drive) -> tuple[Doubt, ...]:
    """Return whether the intake air is said to be far colder than the air outside, while driving."""
    intake, outside = readings(drive, "intake_air_temperature"), readings(drive, "ambient_air_temperature")
    if intake is None or outside is None:
        return ()
    moving = held(readings(drive, "vehicle_speed"), intake.times, 10.0) >= DRIVING_SPEED
    there = held(outside, intake.times, 60.0)
    good = moving & np.isfinite(there)
    if np.count_nonzero(good) < FEWEST_READINGS or np.count_nonzero(good) * spacing(intake) < DRIVING_TIME:
        return ()
    below = median(there[good] - intake.values[good])
    if below < COLDER_INTAKE:
        return ()
    reason = f"reads {below:.0f} °C below the outside air while driving"
    measure = Measure("intake_below_outside", below, "K", None, (-80.0, COLDER_INTAKE))
    return (Doubt("intake_air_temperature", "intake_below_outside", reason, (), (measure,), confidence=0.7),)


def stuck_pressure(drive: Drive) -> tuple[Doubt, ...]:
    """Return whether the manifold pressure stands still while the engine speed ranges widely."""
    pressure, speed = readings(drive, "intake_manifold_pressure"), readings(drive, "engine_speed")
    if pressure is None or speed is None or spacing(pressure) > 5.0:
        return ()
    turning = held(speed, pressure.times, 2.0)
    running = turning >= 500.0
    if np.count_nonzero(running) * spacing(pressure) < STUCK_TIME:
        return ()
    low, high = quantiles(turning[running], (0.05, 0.95))
    values = pressure.values[running]
    least, most = quantiles(values, (0.02, 0.98))
    if high < STUCK_TURNING * low or most - least > 1.0:
        return ()
    reason = f"stays at {median(values):.0f} kPa while the engine speed changes"
    measure = Measure("usual_manifold_pressure", median(values), "kPa")
    return (Doubt("intake_manifold_pressure", "pressure_stuck", reason, (), (measure,), confidence=0.9),)


def heat_check(drive: Drive, car: Car | None) -> Check | None:
    """Return whether the coolant stands still, or follows the heat too late; None where no warm-up was seen."""
    coolant = coolant_of(drive)
    if coolant is None or len(coolant.times) < FEWEST_READINGS or coolant.values[0] > FROZEN_BELOW:
        return None
    warm = np.flatnonzero(coolant.values >= LAG_TOP)
    end = float(coolant.times[warm[0]] if len(warm) else coolant.times[-1])
    at = np.arange(coolant.times[0], end, 1.0)
    if len(at) < LAG_FEWEST or spacing(coolant) > LAG_STEP:
        return None
    heat = find_heat(drive, car, at)
    if heat is None or heat.sampling > LAG_STEP / 2.0:
        return None
    power = np.nan_to_num(heat.heat)
    shown = between(coolant, at)
    if np.ptp(coolant.values) <= FROZEN_RANGE and len(at) >= FROZEN_TIME and np.sum(power) >= FROZEN_HEAT:
        return Check((_frozen(coolant.values, float(np.sum(power)), Span(float(at[0]), end, "does not move")),))
    if coolant.values[0] > LAG_COLD or not np.all(np.isfinite(shown)):
        return Check()
    road = np.nan_to_num(held(readings(drive, "vehicle_speed"), at))
    return _slow(block_means(power, int(LAG_STEP)), block_means(road, int(LAG_STEP)), shown, Span(float(at[0]), end))


def _frozen(values: FloatArray, heat: float, span: Span) -> Doubt:
    reason = f"stands still at {median(values):.0f} °C while fuel is burnt"
    measures = (
        Measure("coolant_range", float(np.ptp(values)), "K", None, (10.0, 150.0)),
        Measure("fuel_heat", heat / 1000.0, "MJ"),
    )
    parts = ("coolant_temperature_sensor",)
    return Doubt("coolant_temperature", "coolant_frozen", reason, parts, measures, span, 0.95)


def _slow(power: FloatArray, road: FloatArray, shown: FloatArray, span: Span) -> Check:
    misfits = lag_misfits(power, road, shown[:: int(LAG_STEP)][: len(power)])
    best = int(np.argmin(misfits))
    sound = min(miss for lag, miss in zip(LAGS, misfits, strict=True) if lag <= HEALTHY_LAG)
    near = [lag for lag, miss in zip(LAGS, misfits, strict=True) if miss <= LAG_NEAR * misfits[best]]
    lag = median(near)
    seen = Measure("coolant_lag", lag, "s", (min(near), max(near)), (0.0, HEALTHY_LAG))
    clear = sound >= LAG_MISFIT and sound >= LAG_BETTER * misfits[best] and misfits[best] <= LAG_FITS
    if LAGS[best] < SLOW_LAG or not clear:
        return Check((), (seen,) if lag <= HEALTHY_LAG else ())
    reason = f"follows the engine's heat some {lag:.0f} s late"
    measures = (
        seen,
        Measure("misfit_with_lag", misfits[best], "K"),
        Measure("misfit_without_lag", sound, "K"),
    )
    parts = ("coolant_temperature_sensor", "coolant_pump")
    return Check((Doubt("coolant_temperature", "coolant_slow", reason, parts, measures, span, 0.85),))


def lag_misfits(power: FloatArray, road: FloatArray, shown: FloatArray) -> tuple[float, ...]:
    """Return how far [K] a heat balance misses the shown coolant, for each of `LAGS`.

    With everything lagged alike the balance reads C dT/dt = a Q_lagged - (k0 + k1 v) (T - T0); integrated over time it
    is linear in a/C, k0/C and k1/C, which are fitted. `power` [kW], `road` [km/h], `shown` [degC], each [steps].
    """
    above = shown - shown[0]
    still, wind = _integral(above), _integral(road * above)
    found = []
    for lag in LAGS:
        late = lagged(np.r_[0.0, power], LAG_STEP, lag)[1:] if lag else power
        columns = np.column_stack([_integral(late), -still, -wind])
        scale = np.maximum(np.abs(columns).max(axis=0), 1e-9)
        solved = np.linalg.lstsq(columns / scale, above, rcond=None)[0]
        found.append(float(np.sqrt(np.mean((above - columns / scale @ solved) ** 2))))
    return tuple(found)


def _integral(values: FloatArray) -> FloatArray:
    total: FloatArray = np.r_[0.0, np.cumsum(values)[:-1]]
    return total
