"""Heat released by the fuel through a drive, from the best of whatever the car reports.

Nine ways, best first, each with how far it can be off as a whole (`deviation`) and how far the coolant curve may
then wander (`curve_error`). The order and the figures are common practice where no source is named.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from obdwatch.detectors.sampled import held, once, readings, spacing
from obdwatch.physics import air, fuel
from obdwatch.physics.order_statistics import median, quantiles
from obdwatch.records import BoolArray, Car, Drive, FloatArray, Signal

IDLE_SPEED = 1300.0
"""Engine speed below which a cold engine may be idling [1/min] (common practice); fuel is not cut below it."""

RUNNING_SPEED = 200.0
"""Below this an engine is being cranked or stands [1/min] (cranking is 150 to 300, common practice)."""

UNTHROTTLED_SHARE = 0.85
"""Idle manifold pressure over barometric pressure of an engine without throttle; throttled: 27 to 44 kPa."""

FUEL_CUT_LAMBDA = 1.9
"""Commanded lambda that no spark engine burns: 2 is the end of the scale, shown while fuel is cut."""

STATUS_LOAD_OR_OVERRUN = 4
"""Fuel system status: open loop because of load, or fuel cut on overrun (SAE J1979, PID 03)."""

LEAN_EXCESS_AIR = 2.0
"""Mean lambda of an engine without throttle: 1.3 at full load to 4 and more at idle (common practice)."""

LEAN_DEVIATION = 0.35
"""How far lambda taken as 2 may be off over a drive: 1.4 where it is fast, 3 where it mostly idles."""

LEAN_LAMBDA = 1.15
"""Median commanded lambda above which an engine does not regulate to 1 (common practice)."""

DIESEL_TYPES = (4.0, 19.0, 23.0)
"""Fuel types that burn without lambda 1: diesel, hybrid diesel, bi-fuel on diesel (SAE J1979, PID 51)."""

FUEL_TRIMS = ("short_term_fuel_trim_bank_1", "long_term_fuel_trim_bank_1")
"""Only an engine that regulates to lambda 1 has fuel trims."""

FULL_LOAD_EFFICIENCY = 0.88
"""Volumetric efficiency at full throttle, 0.8 to 0.95 (common practice)."""

PART_LOAD_EFFICIENCY = 0.80
"""Volumetric efficiency referred to manifold density, 0.7 to 0.9 warm (common practice)."""

CAR_MASS, DRAG_AREA, ROLLING = 1500.0, 0.65, 0.012
"""Car whose weight [kg], drag area [m2] and rolling resistance nobody told us (common practice)."""

ROAD_DEVIATION = 0.25
"""What hills, wind and load change in the work of one drive against another (common practice)."""

DRIVELINE_EFFICIENCY, INDICATED_EFFICIENCY = 0.9, 0.36
FRICTION_PRESSURE = 180.0
"""Friction, pumping and accessories as mean effective pressure [kPa], 130 to 250 (common practice)."""

USUAL_DISPLACEMENT = 2.0
"""Engine size taken where neither the profile nor the data tell [L]; its spread is the prior's matter."""


OFTEN_ENOUGH = 4.0
"""Time between readings [s] that follows a driver's right foot: pulling away takes 5 to 10 s (common practice)."""


@dataclass(frozen=True, slots=True)
class HeatInput:
    """Heat of the fuel [kW] at each time, NaN where unknown, and how it was found.

    `source` names the way; `deviation` is the relative standard deviation of the whole, `curve_error` [K] what its
    changing share does to a temperature curve; `lean` is True for an engine that does not burn at lambda 1;
    `sampling` [s] is the usual time between readings; `changing` is what of `deviation` differs from drive to drive, so
    that the car's own past does not cancel it.
    """

    heat: FloatArray
    source: str
    deviation: float
    curve_error: float
    lean: bool
    sampling: float
    changing: float = 0.0


def displacement(drive: Drive, car: Car | None) -> float | None:
    """Return the engine size [L] from the profile, else from air flow and absolute load, else None."""
    if car is not None and car.displacement_l:
        return car.displacement_l
    flow, load, speed = (readings(drive, key) for key in ("air_flow", "absolute_load", "engine_speed"))
    if flow is None or load is None or speed is None:
        return None
    load_then, speed_then = held(load, flow.times, 3.0), held(speed, flow.times, 3.0)
    good = (load_then > 5.0) & (speed_then > RUNNING_SPEED) & (flow.values > 0.5)
    if np.count_nonzero(good) < 20:
        return None
    return median(air.displacement_from_load(speed_then[good], flow.values[good], load_then[good]))


def find_heat(drive: Drive, car: Car | None, at: FloatArray) -> HeatInput | None:
    """Return the heat released at each of the times `at` [s], None where nothing tells of it.

    The surest source that was read often enough counts; where none was, the one that was read most often.
    """
    speed = held(readings(drive, "engine_speed"), at)
    best: HeatInput | None = None
    for way in (_fuel_mass, _fuel_volume, _fuel_from_air, _fuel_from_work):
        source = way(drive, car, at, speed)
        if source is not None and source.sampling <= OFTEN_ENOUGH:
            best = source
            break
        if source is not None and (best is None or source.sampling < best.sampling):
            best = source
    if best is None:
        return None
    return replace(best, heat=np.where(speed < RUNNING_SPEED, 0.0, best.heat))


def fuel_of(drive: Drive, car: Car | None) -> fuel.Fuel:
    """Return the fuel of the profile, else by the share of ethanol the car reports, else petrol."""
    name = (car.fuel or "").lower() if car is not None else ""
    if name in fuel.FUELS:
        return fuel.FUELS[name]
    ethanol = readings(drive, "alcohol_fuel_percentage")
    return fuel.blend(median(ethanol.values) / 100.0) if ethanol is not None else fuel.FUELS["petrol"]


def _fuel_mass(drive: Drive, car: Car | None, at: FloatArray, speed: FloatArray) -> HeatInput | None:
    signal = readings(drive, "engine_fuel_mass_rate")
    if signal is None or np.ptp(signal.values) == 0.0:
        return None
    heat = fuel.heat_release(held(signal, at), fuel_of(drive, car).heating_value)
    return HeatInput(heat, "engine_fuel_mass_rate", 0.06, 2.0, False, spacing(signal))


def _fuel_volume(drive: Drive, car: Car | None, at: FloatArray, speed: FloatArray) -> HeatInput | None:
    signal = readings(drive, "engine_fuel_rate")
    if signal is None or np.ptp(signal.values) == 0.0:
        return None
    kind = fuel_of(drive, car)
    heat = fuel.heat_release(fuel.fuel_flow_from_volume(held(signal, at), kind.density), kind.heating_value)
    return HeatInput(heat, "engine_fuel_rate", 0.08, 2.0, False, spacing(signal))


def _fuel_from_air(drive: Drive, car: Car | None, at: FloatArray, speed: FloatArray) -> HeatInput | None:
    found = _air_flow(drive, car, at, speed)
    if found is None:
        return None
    flow, source, deviation, curve_error, sampling = found
    kind = fuel_of(drive, car)
    excess = held(readings(drive, "commanded_equivalence_ratio"), at)
    if burns_lean(drive, car):
        diesel = fuel.FUELS["diesel"]
        burnt = fuel.fuel_flow(flow, diesel.air_ratio, np.where(excess > 1.0, excess, LEAN_EXCESS_AIR))
        heat = fuel.heat_release(burnt, diesel.heating_value)
        return HeatInput(heat, source, LEAN_DEVIATION, 3.0, True, sampling, LEAN_DEVIATION)
    excess = np.clip(np.where(np.isfinite(excess), excess, 1.0), 0.6, 1.6)
    burnt = np.where(fuel_cut(drive, at, speed, flow), 0.0, fuel.fuel_flow(flow, kind.air_ratio, excess))
    return HeatInput(fuel.heat_release(burnt, kind.heating_value), source, deviation, curve_error, False, sampling)


def _air_flow(
    drive: Drive, car: Car | None, at: FloatArray, speed: FloatArray
) -> tuple[FloatArray, str, float, float, float] | None:
    """Return air flow [g/s], its source, relative deviation, curve error [K] and sampling [s]."""
    size = displacement(drive, car)
    size_unknown = 0.0 if size is not None else 0.35
    size = size or USUAL_DISPLACEMENT
    signals = {
        key: readings(drive, key)
        for key in ("air_flow", "absolute_load", "intake_manifold_pressure", "calculated_load")
    }
    signal = signals["air_flow"]
    if signal is not None and _usual(signal) > 0.1:
        return held(signal, at), "air_flow", 0.08, 2.0, spacing(signal)
    if not np.any(np.isfinite(speed)):
        return None
    signal = signals["absolute_load"]
    if signal is not None and np.ptp(signal.values) > 0.0:
        flow = air.absolute_load_air_flow(speed, held(signal, at), size)
        return flow, "absolute_load", float(np.hypot(0.10, size_unknown)), 2.0, spacing(signal)
    signal = signals["intake_manifold_pressure"]
    if signal is not None and np.ptp(signal.values) > 0.0:
        intake = held(readings(drive, "intake_air_temperature"), at)
        intake = np.where(np.isfinite(intake), intake, 30.0)
        flow = air.speed_density_air_flow(speed, held(signal, at), intake, size, PART_LOAD_EFFICIENCY)
        return flow, "intake_manifold_pressure", float(np.hypot(0.15, size_unknown)), 2.5, spacing(signal)
    signal = signals["calculated_load"]
    if signal is None or np.ptp(signal.values) == 0.0:
        return None
    flow = air.calculated_load_air_flow(speed, held(signal, at), size, FULL_LOAD_EFFICIENCY, _barometer(drive), 25.0)
    return flow, "calculated_load", float(np.hypot(0.25, size_unknown)), 3.0, spacing(signal)


def _fuel_from_work(drive: Drive, car: Car | None, at: FloatArray, speed: FloatArray) -> HeatInput | None:
    """Heat from the work of moving an ordinary car: the last resort where no air is reported."""
    signal = readings(drive, "vehicle_speed")
    if signal is None or not np.any(np.isfinite(speed)):
        return None
    road = held(signal, at)
    smooth = np.convolve(np.pad(np.nan_to_num(road), 2, mode="edge"), np.ones(5) / 5.0, mode="valid")
    step = at[1] - at[0] if len(at) > 1 else 1.0
    acceleration = np.gradient(smooth, step) / 3.6 if len(at) > 1 else np.zeros(len(at))
    work = fuel.road_power(road, acceleration, CAR_MASS, DRAG_AREA, ROLLING) / DRIVELINE_EFFICIENCY
    size = displacement(drive, car) or USUAL_DISPLACEMENT
    heat = fuel.willans_fuel_power(speed, work, size, FRICTION_PRESSURE, INDICATED_EFFICIENCY)
    return HeatInput(heat, "vehicle_speed", 0.40, 3.5, False, spacing(signal), ROAD_DEVIATION)


def burns_lean(drive: Drive, car: Car | None) -> bool:
    """Tell whether the engine has no throttle and no lambda 1, so that air says little of fuel."""
    if car is not None and car.fuel is not None:
        return car.fuel.lower() == "diesel"
    kind = readings(drive, "fuel_type")
    if kind is not None:
        return median(kind.values) in DIESEL_TYPES
    excess = readings(drive, "commanded_equivalence_ratio")
    if excess is not None:
        return median(excess.values) > LEAN_LAMBDA
    if any(readings(drive, key) is not None for key in FUEL_TRIMS):
        return False
    pressure, speed = readings(drive, "intake_manifold_pressure"), readings(drive, "engine_speed")
    if pressure is None or speed is None:
        return False
    then = held(speed, pressure.times, 5.0)
    idle = pressure.values[(then > RUNNING_SPEED) & (then < IDLE_SPEED)]
    return len(idle) >= 10 and median(idle) > UNTHROTTLED_SHARE * _barometer(drive)


def fuel_cut(drive: Drive, at: FloatArray, speed: FloatArray, flow: FloatArray) -> BoolArray:
    """Tell when the fuel is cut on overrun: by lambda, by status, else by a shut throttle well above idle speed."""
    turning = speed > IDLE_SPEED
    excess = held(readings(drive, "commanded_equivalence_ratio"), at)
    cut = excess >= FUEL_CUT_LAMBDA
    per_turn = flow / np.maximum(speed, 1.0)
    idle = per_turn[(speed > RUNNING_SPEED) & (speed < IDLE_SPEED)]
    known = idle[~np.isnan(idle)]
    usual = median(known) if len(known) else 0.0
    little_air = per_turn < usual
    status = held(readings(drive, "fuel_system_status"), at)
    cut |= (status == STATUS_LOAD_OR_OVERRUN) & turning & little_air
    throttle = readings(drive, "throttle_position")
    if throttle is not None:
        rest = once(throttle, "rest", lambda: quantiles(throttle.values, (0.02,))[0])
        shut = held(throttle, at) <= rest + 1.0
        cut |= shut & turning & little_air
    return cut


def _usual(signal: Signal) -> float:
    return once(signal, "usual", lambda: median(signal.values))


def _barometer(drive: Drive) -> float:
    signal = readings(drive, "barometric_pressure")
    return median(signal.values) if signal is not None else air.STANDARD_PRESSURE
