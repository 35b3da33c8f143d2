"""What else tells faults apart that look alike in the trims: air against manifold pressure, the car's own idle air, the
cylinder that misfires, the fuel in the tank.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.fuel_trims_fit import Regimes, TrimFit
from obdwatch.detectors.fuel_trims_misfire import FalseLean, bank_of, false_lean, misfiring_cylinder
from obdwatch.detectors.fuel_trims_past import PARTS, Past
from obdwatch.detectors.fuel_trims_record import TrimRecord
from obdwatch.detectors.oxygen_sensors_baseline import since_repair
from obdwatch.detectors.sampled import readings
from obdwatch.physics.idle_air import residual_filling
from obdwatch.physics.order_statistics import median
from obdwatch.records import Car, Drive, EventKind

BREATHES_BETTER, BREATHES_SPREAD = 1.13, 0.07
"""Volumetric efficiency in the manifold's own density at 1,500 to 2,500 1/min over that at idle, burnt gas left aside,
and its scatter between engines (Heywood, section 6.2: it rises with speed as less heat is taken up; from memory)."""

OWN_BREATHING = 0.03
"""The same against the car's own past: only weather and load differ."""

FEWEST_BREATHS = 10
"""Readings of air and pressure together that make a ratio."""

MOST_EVIDENCE = 3.0
"""Natural logarithm of odds (20 to 1) that no single clue is worth more than."""

SHAPE_EVIDENCE = 0.5
"""The most that the shape of the trims over vacuum is worth: the lag of the long trim bends it as much as the vacuum
does, so that it tips a balance and decides nothing."""

FILLED = 15.0
"""Rise of the fuel level [%] between two drives that is a refuel: slopes and corners move a float by up to 10."""

FULL_TANK = 80.0
"""Fuel level [%] from which the last fill is so near that its fuel is what the engine burns."""

ETHANOL_FUEL = 20.0
"""Alcohol [%] in the fuel that petrol is never sold with outside flexible-fuel cars (common practice: 10 to 15)."""


ETHANOL_TYPES = (3.0, 11.0)
"""Fuel types that are ethanol, or one of two fuels that is (SAE J1979, PID 51)."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Odds as natural logarithms: an intake leak against an exhaust leak, the air sensor against the fuel pump (0: not
    known). `false_lean`: what misfires add to the trim of each bank [%]. `refuelled` since the last drive;
    `fuel_may_differ` when the level may be the fuel's doing; `fuel_untold` when nobody says what was filled in.
    """

    metering: str
    leak_over_exhaust: float
    sensor_over_pump: float
    misfiring_cylinder: int | None
    misfiring_bank: int | None
    false_lean: dict[int, FalseLean]
    refuelled: bool
    fuel_may_differ: bool
    fuel_untold: bool
    breathing_idle: float | None
    breathing_flow: float | None
    fuel_level: float | None
    idle_speed: float | None
    idle_ratio: float | None


def gather(
    drive: Drive,
    car: Car | None,
    record: TrimRecord,
    split: Regimes,
    fit: TrimFit,
    banks: dict[int, TrimFit],
    past: Past,
) -> Evidence:
    """Collect every clue there is."""
    idle, flow = _breath(record, split, at_idle=True), _breath(record, split, at_idle=False)
    level = fuel_level(drive)
    refuelled = refuelled_since(drive, past, level)
    cylinder = misfiring_cylinder(drive)
    standing = bool(np.any(split.idle)) and fit.idle is not None
    ratio = median(record.ratio[split.idle]) if standing and record.vacuum == "pressure" else None
    return Evidence(
        metering=record.metering,
        leak_over_exhaust=_leak_over_exhaust(record, fit, idle, flow, past),
        sensor_over_pump=_sensor_over_pump(fit, idle, flow, past),
        misfiring_cylinder=cylinder,
        misfiring_bank=None if cylinder is None else bank_of(cylinder, car, banks),
        false_lean=false_lean(drive, car, banks),
        refuelled=refuelled,
        fuel_may_differ=refuelled or tells_ethanol(drive, car),
        fuel_untold=_untold(drive, car) or (level is not None and level >= FULL_TANK),
        breathing_idle=idle,
        breathing_flow=flow,
        fuel_level=level,
        idle_speed=median(record.speed[split.idle]) if standing else None,
        idle_ratio=ratio if ratio is not None and np.isfinite(ratio) else None,
    )


def _breath(record: TrimRecord, split: Regimes, at_idle: bool) -> float | None:
    """Filling of the cylinders at idle or with air flowing, what burnt gas takes left aside [-]."""
    here = split.idle if at_idle else split.flow
    here = here & np.isfinite(record.breathing) & np.isfinite(record.ratio)
    if np.count_nonzero(here) < FEWEST_BREATHS:
        return None
    room = residual_filling(record.ratio[here] * record.outside, record.outside)
    return median(record.breathing[here] / np.maximum(room, 0.3))


def _bounded(value: float) -> float:
    return float(np.clip(value, -MOST_EVIDENCE, MOST_EVIDENCE))


def _odds(seen: float, expected: float, rival: float, spread: float) -> float:
    """Natural logarithm of how much better `expected` explains `seen` than `rival` does."""
    return ((seen - rival) ** 2 - (seen - expected) ** 2) / (2.0 * spread**2)


def _leak_over_exhaust(record: TrimRecord, fit: TrimFit, idle: float | None, flow: float | None, past: Past) -> float:
    """An intake leak hides air from the sensor, so that the engine seems to breathe less at idle; an exhaust leak
    fools the oxygen sensor only.
    """
    contrast = fit.contrast
    if contrast is None or contrast[0] <= 0.0:
        return 0.0
    hidden = float(np.log1p(contrast[0] / 100.0))
    vacuum = fit.leak.vacuum_evidence if fit.leak is not None and record.vacuum == "pressure" else 0.0
    total = float(np.clip(vacuum, -SHAPE_EVIDENCE, SHAPE_EVIDENCE))
    before = past.logarithm("breathing_idle", OWN_BREATHING)
    if idle is not None and before is not None:
        total += _odds(before[0] - float(np.log(idle)), hidden, 0.0, before[1])
    elif idle is not None and flow is not None:
        usual = float(np.log(BREATHES_BETTER))
        total += _odds(float(np.log(flow / idle)), usual + hidden, usual, BREATHES_SPREAD)
    else:
        total += _idle_air(fit, past, hidden)
    return _bounded(total)


OWN_IDLE_AIR, OTHER_IDLE = 0.06, 0.15
"""Scatter of a car's hot idle air between drives, as a share: lamps, blower and weather (common practice). An idle with
so much more air than usual is another one (air conditioning, a gear) and is not compared."""


def _idle_air(fit: TrimFit, past: Past, hidden: float) -> float:
    """The engine needs the same air at idle; what comes through a leak is missing from the measured."""
    before = past.logarithm("idle_air", OWN_IDLE_AIR)
    if before is None or fit.idle is None or fit.idle.air <= 0.0:
        return 0.0
    missing = before[0] - float(np.log(fit.idle.air))
    return 0.0 if missing < -OTHER_IDLE else _odds(missing, hidden, 0.0, before[1])


def _sensor_over_pump(fit: TrimFit, idle: float | None, flow: float | None, past: Past) -> float:
    """A sensor that reads low makes the engine seem to breathe less at flow; a weak pump does not."""
    contrast = fit.contrast
    if contrast is None or contrast[0] >= 0.0 or idle is None or flow is None:
        return 0.0
    missing = float(np.log1p(-contrast[0] / 100.0))
    before = past.logarithm("breathing_flow", OWN_BREATHING)
    if before is not None:
        return _bounded(_odds(before[0] - float(np.log(flow)), missing, 0.0, before[1]))
    usual = float(np.log(BREATHES_BETTER))
    return _bounded(_odds(float(np.log(flow / idle)), usual - missing, usual, BREATHES_SPREAD))


def fuel_level(drive: Drive) -> float | None:
    """Return the fuel level at the end of a drive [%], None where the car does not tell."""
    signal = readings(drive, "fuel_level")
    return None if signal is None else median(signal.values[-5:])


def refuelled_since(drive: Drive, past: Past, level: float | None) -> bool:
    """Whether fuel came in since the last drive: by the log, or by the level that rose."""
    earlier = since_repair(past.history, past.detector, PARTS, "fuel_level")
    last = earlier[-1] if earlier else None
    if last is not None and level is not None and level - last.value >= FILLED:
        return True
    begun = drive.session.started_at
    for event in past.history.events:
        before = event.kind is EventKind.REFUEL and (begun is None or event.at <= begun)
        if before and (last is None or last.at is None or event.at > last.at):
            return True
    signal = readings(drive, "fuel_level")
    return signal is not None and level is not None and level - median(signal.values[:5]) >= FILLED


def tells_ethanol(drive: Drive, car: Car | None) -> bool:
    """Whether the tank may hold much ethanol, which the control unit may not have learnt yet."""
    if car is not None and car.fuel == "e85":
        return True
    kind = readings(drive, "fuel_type")
    if kind is not None and float(kind.values[-1]) in ETHANOL_TYPES:
        return True
    alcohol = readings(drive, "alcohol_fuel_percentage")
    return alcohol is not None and float(np.max(alcohol.values)) >= ETHANOL_FUEL


def _untold(drive: Drive, car: Car | None) -> bool:
    """Whether neither profile nor car says which fuel the engine is made for."""
    if car is not None and car.fuel is not None:
        return False
    kind = readings(drive, "fuel_type")
    return kind is None or float(kind.values[-1]) == 0.0
