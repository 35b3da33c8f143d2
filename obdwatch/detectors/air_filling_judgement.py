"""What missing air says of the engine: flaps low down, a cam that stays back high up, overlap at idle, restriction.

Kept apart from the detector because that of the cams rests on the same judgement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.air_filling_bands import Band, Losses, bands_of, first_losses, losses_of
from obdwatch.detectors.air_filling_past import FEWEST_DRIVES, Cells, cells_of_drives
from obdwatch.detectors.air_filling_places import Place, place_of
from obdwatch.detectors.air_filling_record import FillingRecord
from obdwatch.physics.filling import heat_allowance, idle_breathing_change, residual_pressure
from obdwatch.physics.order_statistics import median
from obdwatch.records import Car, History

NAME = "air_filling"

PARTS = (
    "intake_flap_actuator",
    "cam_timing_solenoid_intake",
    "cam_timing_solenoid_exhaust",
    "maf_sensor",
    "catalytic_converter",
    "intake_leak",
)
"""Parts whose repair starts a new baseline."""

STEP_KNOWN = 2.5
"""Step between low and high speeds [%] that counts in an engine known to have what makes it: three times the 0.8 % to
which a reading repeats."""

STEP_HIGH_FIRST = 5.0
"""The same step on the first drive at high speeds [%], where throttle, filter and exhaust take some of a healthy
engine's air and the car's own table may not know it: filter and duct cost 2 to 5 kPa at full power (common
practice)."""

STEP_UNKNOWN = 8.0
"""The same where it is not known what the engine has: its own full-load table may be that far off (common practice)."""

LOW_SHAPE = 0.92
"""Filling at low speeds over the best at high ones [-] below which the torque curve sags: without a fault it is above
0.92 in most engines made for the road (common practice)."""

LEVEL_OWN = 5.0
"""Loss everywhere [%] against the car's own past that counts: about three times the weather's 1.5 %."""

LEVEL_SIGMAS = 3.0
"""Standard deviations, weather and the car's own drives together, that it must reach."""

LEVEL_FIRST = 15.0
"""Loss everywhere [%] against full load as SAE J1979 defines it that counts on the first drive: the tolerances of an
air-mass sensor and of the car's table of full load, 5 % each, and as much again for cars that do not correct it for
height and heat (common practice)."""

USUAL_FILLING = 88.0
"""Best filling [%] from which air is not missing everywhere, whatever calculated load says: the middle of the 75 to 100
of engines without a charger (Heywood, section 6.2, from memory)."""

LOWEST_FILLING = 70.0
"""Best filling [%] below which a naturally aspirated engine is short of air whatever its design: 75 to 100 is usual
(Heywood, section 6.2, from memory), less 5 for the sensor."""

OVERLAP_LOSS, OVERLAP_PRESSURE = 0.08, 4.0
"""Fall of idle breathing [-] and rise of idle pressure [kPa] that together mean exhaust gas in the manifold. Air
conditioning raises the pressure by more, but breathing then falls by 0.05 at most (proportion, see physics.filling)."""

INTAKE_AIR = "intake_air_at_full_throttle"
"""What the intake air of the pulls [degC] is called in the car's history."""

COMPRESSION = 10.5
"""Compression ratio of a usual petrol engine [-]; 9 to 13 moves the residual pressure by 2 kPa only."""


@dataclass(frozen=True, slots=True)
class Filling:
    """The judgement: `where` is low_speeds, high_speeds, everywhere, idle_overlap, or empty where no air is missing.

    `known` says whether full-throttle filling could be judged at all; `own` whether against the car's own past;
    `allowance` [%] is what hotter air than that of the past may take everywhere.
    """

    where: str
    known: bool
    own: bool
    bands: tuple[Band, ...]
    losses: Losses | None
    place: Place | None
    breathing_change: float | None
    pressure_rise: float | None
    allowance: float = 0.0


def judge(record: FillingRecord, car: Car | None, history: History) -> Filling:
    """Find where air is missing, first against the car's own past, else against full load."""
    bands = bands_of(record.pulls) if record.metered else ()
    past = cells_of_drives(history, NAME, "", PARTS)
    first = first_losses(bands) if record.boosted is False else None
    losses = losses_of(bands, past) or first
    place = place_of(losses) if losses is not None else None
    best = max((band.filling for band in bands if np.isfinite(band.filling)), default=float("nan"))
    allowance = _allowance(record, past) if losses is not None and losses.own else 0.0
    where = "" if losses is None or place is None else _where(losses, place, car, bands, best, allowance)
    if not where and place is not None and place.split is None and first is not None:
        shape = place_of(first)  # the car's own past may lack the speeds that tell low from high
        where = _where(first, shape, car, bands, best)
        losses, place = (first, shape) if where else (losses, place)
    if not where and record.boosted is False and _empty(bands):
        where = "everywhere"
    change, rise = _idle(record, past)
    if not where and change is not None and rise is not None:
        where = "idle_overlap" if change <= -OVERLAP_LOSS and rise >= OVERLAP_PRESSURE else ""
    own = where == "idle_overlap" or (losses is not None and losses.own)
    allowance = allowance if losses is not None and losses.own else 0.0
    return Filling(where, losses is not None, own, bands, losses, place, change, rise, allowance)


def _allowance(record: FillingRecord, past: Cells) -> float:
    """What today's hotter air may take [%], against the middle of the drives that made the past."""
    earlier = list(past.get(INTAKE_AIR, {}).values())
    if record.pulls.warmth is None or not earlier:
        return 0.0
    return heat_allowance(record.pulls.warmth, median(earlier))


def _where(
    losses: Losses, place: Place, car: Car | None, bands: tuple[Band, ...], best: float, allowance: float = 0.0
) -> str:
    """Name the place of the loss; what the engine is known not to have needs more to be believed."""
    level = LEVEL_OWN if losses.own else LEVEL_FIRST
    own = losses.own and (car is None or car.intake_flaps is not False)
    dip = _low_dip(bands, place)
    low_step = STEP_KNOWN if own or has_flaps(car) else STEP_UNKNOWN
    first = STEP_HIGH_FIRST if has_cam_timing(car) else STEP_UNKNOWN
    high_step = STEP_KNOWN if losses.own else first
    if place.sure and place.step <= -low_step and place.high < level and (low_step == STEP_KNOWN or dip):
        return "low_speeds"
    if place.sure and place.step >= high_step and (place.high >= level / 2.0 or place.step >= 2.0 * high_step):
        return "high_speeds"
    if not losses.own and not best < USUAL_FILLING:
        return ""
    return "everywhere" if place.overall - allowance >= max(level, LEVEL_SIGMAS * place.level_error) else ""


def _low_dip(bands: tuple[Band, ...], place: Place) -> bool:
    """Whether the filling itself, not only its share of full load, is poor below the split."""
    low = [band.filling for band in bands if np.isfinite(band.filling) and band.middle < (place.split or 0.0)]
    high = [band.filling for band in bands if np.isfinite(band.filling) and band.middle >= (place.split or 0.0)]
    return bool(low and high and median(low) <= LOW_SHAPE * float(max(high)))


def has_flaps(car: Car | None) -> bool:
    """Whether the car is known to have flaps in its intake."""
    return car is not None and car.intake_flaps is True


def has_cam_timing(car: Car | None) -> bool:
    """Whether the car is known to have at least one cam with variable timing."""
    return car is not None and bool(car.cam_timing)


def _empty(bands: tuple[Band, ...]) -> bool:
    """Whether the best filling lies below what any engine should reach; pulls in one band may be at a bad speed."""
    known = [band.filling for band in bands if np.isfinite(band.filling)]
    return len(known) >= 3 and max(known) < LOWEST_FILLING


def _idle(record: FillingRecord, past: Cells) -> tuple[float | None, float | None]:
    """Return how breathing at idle has changed [-] and how much the pressure has risen [kPa], None where unknown."""
    idle = record.idle
    pressure, filling = _middle(past, "idle_pressure"), _middle(past, "idle_filling")
    if idle is None or idle.pressure is None or pressure is None:
        return None, None
    rise = idle.pressure - pressure
    if idle.filling is None or filling is None or filling <= 0.0:
        return None, rise
    residual = residual_pressure(idle.outside, COMPRESSION)
    if min(idle.pressure, pressure) <= residual + 5.0:
        return None, rise  # next to no air is drawn in there: the ratio says nothing
    return idle_breathing_change(idle.filling, idle.pressure, filling, pressure, residual), rise


def _middle(past: Cells, name: str) -> float | None:
    drives = past.get(name, {})
    return median(list(drives.values())) if len(drives) >= FEWEST_DRIVES else None
