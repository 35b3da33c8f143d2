"""What a drive tells about the car itself: the start of a profile, and something to hold a profile against.

Each fact carries the sentence it rests on. What the drive does not show stays unknown; the displacement is an estimate
and says so, with its interval.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np

from obdwatch.records import Car, Drive, FloatArray
from obdwatch.signals.alignment import align
from obdwatch.signals.profile_check import LEAST_SAMPLES, LEAST_SPEED, STROKES, displacement_shown, steady_readings

FUEL_OF_TYPE = {1.0: "petrol", 3.0: "e85", 4.0: "diesel", 9.0: "petrol", 11.0: "e85", 17.0: "petrol", 18.0: "e85",
                19.0: "diesel", 23.0: "diesel"}  # fmt: skip
"""Type of fuel in use, parameter 51 (SAE J1979), as a profile has it."""

E85_FROM, E10_FROM = 50.0, 5.0
"""Alcohol in the fuel [%], parameter 52, from which it is E85 (51 to 83 % by ASTM D5798, from memory) and E10."""

CYLINDER_MONITORS = range(0xA2, 0xAE)  # misfire of cylinders 1 to 12 (SAE J1979)
CAM_MONITORS = range(0x35, 0x39)  # cam timing of banks 1 to 4 (SAE J1979)
BOOST_FROM = 1.15
"""Manifold over barometric pressure that no engine reaches without a charger: ram and tuned pipes stay below 1.1."""

FILLS = (0.70, 0.95)
"""Share of the displaced volume that a warm engine fills with gas at manifold density, over its working range (Heywood
section 6.2, from memory): the interval of the estimate."""

LOAD_SCATTER = 0.10
"""Half the interval of a displacement from absolute load: nine of ten cars of an open data set lie within 3.1 %, the
tenth is of another engine (Vehicle Energy Dataset)."""

AIR_CONSTANT = 0.287  # kJ/(kg K), that is kPa L / (g K)
ZERO_CELSIUS = 273.15
MAX_AGE = 2.5  # s; readings of one round of a slow link


@dataclass(frozen=True, slots=True)
class Displacement:
    """An estimate [L] with its `interval`, and how it was made."""

    litres: float
    interval: tuple[float, float]
    how: str


@dataclass(frozen=True, slots=True)
class CarSeen:
    """What a drive shows of the car; every field may be unknown. `reasons` has a sentence for each that is not."""

    fuel: str | None = None
    air_metering: str | None = None
    cylinders: int | None = None
    banks: int | None = None
    cams_reported: bool | None = None  # the car tests its cam timing, so it has an adjuster; which cam is not said
    induction: str | None = None
    displacement: Displacement | None = None
    odometer_km: float | None = None
    reasons: tuple[str, ...] = ()


def seen_of(drive: Drive) -> CarSeen:
    """Return what a drive shows of its car."""
    found = replace(told_of(drive), displacement=displacement_seen(drive))
    return replace(found, reasons=tuple(_reasons(found)))


def told_of(drive: Drive) -> CarSeen:
    """Return what a drive shows of its car without reckoning: no displacement, and no reasons."""
    return CarSeen(
        fuel=_fuel(drive),
        air_metering=_metering(drive),
        cylinders=_cylinders(drive),
        banks=_banks(drive),
        cams_reported=True if any(m.monitor in CAM_MONITORS for m in drive.monitors) else None,
        induction=_induction(drive),
        odometer_km=_odometer(drive),
    )


def profile_from(seen: CarSeen, car_id: str) -> Car:
    """Return a profile of what is certain; the displacement, being an estimate, is rounded to a tenth of a litre."""
    litres = (
        round(seen.displacement.litres, 1) if seen.displacement is not None and _narrow(seen.displacement) else None
    )
    return Car(
        car_id,
        fuel=seen.fuel,
        air_metering=seen.air_metering,
        cylinders=seen.cylinders,
        induction=seen.induction,
        displacement_l=litres,
    )


def completed(car: Car, seen: CarSeen) -> Car:
    """Return a car with what a drive shows in the fields that were unknown; what was stated stays."""
    shown = profile_from(seen, car.id)
    unknown = [f.name for f in fields(Car) if getattr(car, f.name) is None and getattr(shown, f.name) is not None]
    return replace(car, **{name: getattr(shown, name) for name in unknown})


def _narrow(estimate: Displacement) -> bool:
    """Whether an estimate may go into a profile: verdicts lean on it, so a fifth either way is too much."""
    low, high = estimate.interval
    return (high - low) / 2.0 <= 1.1 * LOAD_SCATTER * estimate.litres


def _fuel(drive: Drive) -> str | None:
    kind = _values(drive, "fuel_type")
    if len(kind) and (fuel := FUEL_OF_TYPE.get(float(kind[-1]))) not in (None, "petrol"):
        return fuel
    alcohol = _values(drive, "alcohol_fuel_percentage")
    if len(alcohol):
        share = float(np.median(alcohol))
        return "e85" if share >= E85_FROM else "e10" if share >= E10_FROM else "petrol"
    if len(kind):
        return FUEL_OF_TYPE.get(float(kind[-1]))
    return "diesel" if any(reading.compression_ignition for reading in drive.readiness) else None


def _metering(drive: Drive) -> str | None:
    flow, pressure = (len(_values(drive, key)) > 0 for key in ("air_flow", "intake_manifold_pressure"))
    return "both" if flow and pressure else "air_flow" if flow else "pressure" if pressure else None


def _cylinders(drive: Drive) -> int | None:
    """The highest cylinder with a misfire counter, where all below it have one."""
    told = {result.monitor for result in drive.monitors}
    numbers = {monitor - CYLINDER_MONITORS.start + 1 for monitor in told if monitor in CYLINDER_MONITORS}
    return max(numbers) if numbers and numbers == set(range(1, max(numbers) + 1)) else None


def _banks(drive: Drive) -> int | None:
    """Two where a second bank has trims or a sensor before the catalyst; one is not proven by silence."""
    keys = ("long_term_fuel_trim_bank_2", "short_term_fuel_trim_bank_2", "oxygen_sensor_voltage_bank_2_sensor_1")
    return 2 if any(len(_values(drive, key)) for key in keys) else None


def _induction(drive: Drive) -> str | None:
    pressure, outside = _values(drive, "intake_manifold_pressure"), _values(drive, "barometric_pressure")
    if len(pressure) < LEAST_SAMPLES or not len(outside):
        return None
    return "turbo" if np.quantile(pressure, 0.995) > BOOST_FROM * float(np.median(outside)) else None


def _odometer(drive: Drive) -> float | None:
    values = _values(drive, "odometer")
    return float(values[-1]) if len(values) else None


def displacement_seen(drive: Drive) -> Displacement | None:
    """Return the displacement from absolute load, else from air flow and manifold density (speed-density turned round).

    120 * air flow / (engine speed * density * filling); the filling is not known, so this estimate is wide.
    """
    exact = displacement_shown(drive)
    if exact is not None:
        interval = exact * (1.0 - LOAD_SCATTER), exact * (1.0 + LOAD_SCATTER)
        return Displacement(exact, interval, "from air flow, engine speed and absolute load")
    keys = ("engine_speed", "intake_manifold_pressure", "intake_air_temperature")
    flow = drive.signals.get("air_flow")
    if flow is None or not set(keys) <= set(drive.signals):
        return None
    speed, pressure, air = align(drive, keys, flow.times, (MAX_AGE, MAX_AGE, 60.0))
    usable = (speed >= LEAST_SPEED) & (pressure > 0.0) & np.isfinite(air) & (flow.values > 0.0)
    usable &= steady_readings(flow.values) & steady_readings(speed) & steady_readings(pressure)
    if np.count_nonzero(usable) < LEAST_SAMPLES:
        return None
    density = pressure[usable] / (AIR_CONSTANT * (air[usable] + ZERO_CELSIUS))  # g/L
    gas = float(np.median(STROKES * flow.values[usable] / (speed[usable] * density)))
    low, high = gas / FILLS[1], gas / FILLS[0]
    return Displacement(2.0 * gas / sum(FILLS), (low, high), "from air flow, manifold pressure and air temperature")


def _values(drive: Drive, key: str) -> FloatArray:
    signal = drive.signals.get(key)
    return signal.values if signal is not None else np.empty(0)


def _reasons(seen: CarSeen) -> Iterator[str]:
    if seen.fuel is not None:
        yield f"fuel: {seen.fuel}, as the car reports it"
    if seen.air_metering is not None:
        names = {"air_flow": "air flow and no manifold pressure", "pressure": "manifold pressure and no air flow"}
        yield f"air_metering: {seen.air_metering}, since it sends {names.get(seen.air_metering, 'both of them')}"
    if seen.cylinders is not None:
        yield f"cylinders: {seen.cylinders}, since so many have a misfire counter"
    if seen.banks is not None:
        yield "two banks, since a second one has trims or sensors: write bank_cylinders, such as 1,2,3/4,5,6"
    if seen.cams_reported:
        yield "cam timing: the car tests it, so it can be adjusted; write cam_timing, such as intake,exhaust"
    if seen.induction is not None:
        yield f"induction: {seen.induction}, since the manifold pressure rises far above that outside"
    if seen.displacement is not None:
        low, high = seen.displacement.interval
        kept = "" if _narrow(seen.displacement) else "; too wide for the profile, look into the papers"
        yield (
            f"displacement: an estimate of {seen.displacement.litres:.1f} L ({low:.1f} to {high:.1f} L), "
            f"{seen.displacement.how}{kept}"
        )
