"""Which parts stand behind air that is missing at some engine speeds, in the light of what the car says of its cams."""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.air_filling_judgement import Filling, has_cam_timing
from obdwatch.detectors.air_filling_record import cleaned
from obdwatch.detectors.cam_evidence import EXHAUST, INTAKE, CamEvidence
from obdwatch.detectors.sampled import held
from obdwatch.physics.order_statistics import median
from obdwatch.records import Car, Drive, FloatArray
from obdwatch.signals import masks
from obdwatch.signals.alignment import grid

FLAP, SENSOR, EXHAUST_WAY = "intake_flap_actuator", "maf_sensor", "catalytic_converter"

SENSOR_TRIM = 5.0
"""Fuel trim under load [%] from which missing air is a short reading: the oxygen sensor adds fuel for air that came in
uncounted, and none for air that is really missing. Half of the 10 from which a trim alone is suspect (trade press)."""

SENSOR_RISE = 2.0
"""Rise of the trim from light to high load [%] that means the same: two and a half steps of 0.78 % (SAE J1979)."""

LIGHT, LOADED = 30.0, 50.0
"""Calculated load [%] up to which an engine is lightly loaded, and from which its flow is high (common practice)."""

FEWEST_TRIMS = 10
"""Seconds of closed loop from which a trim is a number (common practice)."""


def parts_of(filling: Filling, cams: CamEvidence, car: Car | None, drive: Drive) -> tuple[str, ...]:
    """Return the parts, likeliest first; a cam that the car itself accuses comes first, one it clears falls out."""
    suspects = {
        "low_speeds": _low(car),
        "high_speeds": _high(filling, car),
        "idle_overlap": tuple(_cams(car)),
        "everywhere": _everywhere(filling, car, drive),
    }[filling.where]
    accused = cams.part
    if accused is not None and filling.where != "low_speeds":
        return (accused, *(part for part in suspects if part != accused))
    if cams.cleared:
        kept = tuple(part for part in suspects if part not in (INTAKE, EXHAUST))
        return kept or (EXHAUST_WAY, SENSOR)
    return suspects


def _cams(car: Car | None) -> list[str]:
    fitted = car.cam_timing if car is not None else None
    if fitted is None:
        return [INTAKE, EXHAUST]
    return [part for part, cam in ((INTAKE, "intake"), (EXHAUST, "exhaust")) if cam in fitted]


def _low(car: Car | None) -> tuple[str, ...]:
    """Flaps, unless the car has none; a cam that does not come forward takes air at low speeds too."""
    without = car is not None and car.intake_flaps is False
    found = ([] if without else [FLAP]) + [part for part in _cams(car) if part == INTAKE]
    return tuple(found) or (SENSOR,)


def _high(filling: Filling, car: Car | None) -> tuple[str, ...]:
    """A cam that stays back, or a way out that is blocked: both take most where the flow is highest."""
    cams = _cams(car)
    change = filling.breathing_change
    if change is not None and change < 0.0 and EXHAUST in cams and (filling.pressure_rise or 0.0) > 2.0:
        cams = cams[::-1]  # exhaust gas in the manifold at idle as well: the exhaust cam does not come back
    return (*cams, EXHAUST_WAY, SENSOR) if cams else (EXHAUST_WAY, SENSOR)


def _everywhere(filling: Filling, car: Car | None, drive: Drive) -> tuple[str, ...]:
    cams = _cams(car) if has_cam_timing(car) else []
    rising = filling.place is not None and filling.place.split is not None and filling.place.step > filling.place.error
    if air_counted(drive):
        return (*cams, EXHAUST_WAY, SENSOR)
    return (*cams, SENSOR, EXHAUST_WAY) if rising else (SENSOR, *cams, EXHAUST_WAY)


def air_underread(drive: Drive) -> bool:
    """Whether the fuel trims under load say that more air comes in than is counted."""
    loaded, light = _trims(drive)
    return loaded >= SENSOR_TRIM or (loaded >= SENSOR_RISE and loaded - light >= SENSOR_RISE)


def air_counted(drive: Drive) -> bool:
    """Whether the fuel trims under load say that the air that comes in is counted: what is missing is then air."""
    return abs(_trims(drive)[0]) < SENSOR_RISE


def _trims(drive: Drive) -> tuple[float, float]:
    """Return the median fuel trim at high and at light load [%], NaN where there is too little of either."""
    drive = cleaned(drive)
    at = grid(drive, 1.0)
    load = held(drive.signals.get("calculated_load"), at, masks.FAST_AGE)
    governed = masks.closed_loop(drive, at) & masks.warm(drive, at)
    short, long = (held(drive.signals.get(f"{kind}_term_fuel_trim_bank_1"), at) for kind in ("short", "long"))
    total = np.nan_to_num(short) + long
    return _median(total[governed & (load >= LOADED)]), _median(total[governed & (load < LIGHT)])


def _median(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return median(known) if len(known) >= FEWEST_TRIMS else float("nan")
