"""Does the engine get the air it should, and if not, at which speeds is it missing?

Filling at full throttle by engine speed, and breathing at idle, against the car's own earlier drives; on the first
drive against calculated load, the share of the full-throttle air that SAE J1979 makes the car itself tell. Low and
middle speeds point to intake flaps, high speeds to a cam that stays back, idle to overlap, everywhere to a restriction.
"""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.air_filling_bands import cell
from obdwatch.detectors.air_filling_judgement import INTAKE_AIR, Filling, has_flaps, judge
from obdwatch.detectors.air_filling_judgement import NAME as _JUDGED
from obdwatch.detectors.air_filling_measures import measures_of
from obdwatch.detectors.air_filling_parts import air_underread, parts_of
from obdwatch.detectors.air_filling_record import FillingRecord, prepare
from obdwatch.detectors.cam_evidence import CamEvidence, evidence_of
from obdwatch.detectors.heat_input import burns_lean
from obdwatch.records import Car, Drive, Finding, History, Measure, Urgency, Verdict

NAME = _JUDGED
USES: frozenset[str] = frozenset(
    {"air_flow", "absolute_load", "calculated_load", "engine_speed", "throttle_position", "intake_manifold_pressure"}
)
"""Signals whose being wrong makes the verdict wrong."""

LOW_SEEN = 3000.0
"""A pull must have been seen below this speed [1/min] to say anything of low speeds, where flaps work."""

HIGH_SEEN = 4500.0
"""A pull must have been seen above this speed [1/min] to say anything of high speeds, where cams tell."""

PLAIN_STEP = 5.0
"""Air missing at low speeds [%] from which flaps are a matter for the next service also on the first drive: twice what
is raised at all."""

PULL = (
    "With the engine hot, on a clear road and within the speed limit, hold full throttle in third gear (automatic:"
    " locked in a low gear)"
)
MORE_LOW = (
    "To see the low speeds too: on a clear road and within the speed limit, hold full throttle from 1,500 1/min in a"
    " high gear, for some seconds."
)
MORE_HIGH = (
    "To see the high speeds too: on a clear road and within the speed limit, hold full throttle in second or third gear"
    " up to near the red line."
)

DRIVE_TO_GET = {
    "low_speeds_unseen": MORE_LOW,
    "diesel": "Nothing: this check is for petrol engines.",
    "air_not_measured": "Nothing more can be recorded: the car works its air out from pressure. Have the filling of the"
    " cylinders checked in a workshop if it pulls badly.",
    "no_pull": f"{PULL} from 2,000 1/min up to near the red line, twice.",
    "pull_too_short": f"{PULL} from 2,000 1/min up to near the red line, twice, and record fewer signals.",
    "signals_missing": "Record engine speed, throttle position, calculated load and absolute load or air flow.",
    "no_reference": f"{PULL} twice on each of three drives: then the car has a record of its own to compare with.",
}
"""What to drive or do, by what was missing."""


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the filling of one drive; pure.

    The finding's `signature` is `low_speeds`, `high_speeds`, `everywhere`, `idle_overlap` or `air_reading_low` for a
    fault; with not_enough_data one of `DRIVE_TO_GET`.
    """
    if burns_lean(drive, car):
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, "diesel", drive_to_get=DRIVE_TO_GET["diesel"])
    record = prepare(drive, car)
    filling, cams = judge(record, car, history), evidence_of(drive, car)
    measures = measures_of(record, filling)
    if filling.where:
        return _fault(record, filling, cams, car, drive, measures)
    learnt = () if cams.part is not None else learnt_of(record, filling)
    missing = _missing(record, filling, drive) or _unseen(filling, car)
    if missing:
        text = DRIVE_TO_GET[missing]
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, missing, measures=measures, drive_to_get=text, learnt=learnt)
    return Finding(
        NAME,
        Verdict.HEALTHY,
        confidence=0.9 if filling.own else 0.65,
        measures=measures,
        spans=record.pulls.spans,
        drive_to_get=_more(filling),
        learnt=learnt,
    )


def _fault(
    record: FillingRecord,
    filling: Filling,
    cams: CamEvidence,
    car: Car | None,
    drive: Drive,
    measures: tuple[Measure, ...],
) -> Finding:
    if filling.where in ("high_speeds", "everywhere") and cams.part is None and air_underread(drive):
        parts: tuple[str, ...] = ("maf_sensor", "intake_leak")
        return Finding(
            NAME,
            Verdict.FAULT,
            "air_reading_low",
            urgency=Urgency.WATCH,
            confidence=_confidence(filling),
            parts=parts,
            measures=measures,
            spans=record.pulls.spans,
        )
    parts = parts_of(filling, cams, car, drive)
    named_by_car = cams.part is not None and parts[:1] == (cams.part,)
    return Finding(
        NAME,
        Verdict.FAULT,
        filling.where,
        urgency=_urgency(filling, named_by_car),
        confidence=_confidence(filling),
        parts=parts,
        measures=measures,
        spans=record.pulls.spans if filling.where != "idle_overlap" else (),
    )


def _urgency(filling: Filling, named_by_car: bool) -> Urgency:
    """Filling alone stops no journey. What the car itself names is raised by the detector of the cams."""
    place = filling.place
    plain = filling.where == "low_speeds" and place is not None and -place.step >= PLAIN_STEP
    if plain:
        return Urgency.NEXT_SERVICE
    if named_by_car or not filling.own or filling.where == "everywhere":
        return Urgency.WATCH
    return Urgency.NEXT_SERVICE


def _confidence(filling: Filling) -> float:
    place = filling.place
    if filling.where == "idle_overlap" or place is None:
        return 0.75 if filling.own else 0.6
    if filling.where == "everywhere" or not np.isfinite(place.error):
        return 0.8 if filling.own else 0.65
    sigmas = abs(place.step) / place.error
    return round(min(0.95, (0.75 if filling.own else 0.65) + 0.03 * (sigmas - 3.0)), 3)


def _missing(record: FillingRecord, filling: Filling, drive: Drive) -> str:
    if filling.known and filling.place is not None:
        return ""
    if not record.metered:
        has_air = any(key in drive.signals for key in ("calculated_load", "absolute_load", "intake_manifold_pressure"))
        return "air_not_measured" if has_air else "signals_missing"
    loads = ("absolute_load", "air_flow", "calculated_load")
    if "engine_speed" not in drive.signals or not record.has_wide_signal or not any(k in drive.signals for k in loads):
        return "signals_missing"
    if not record.pulls.spans:
        return "no_pull"
    return "no_reference" if len(filling.bands) >= 2 else "pull_too_short"


def _unseen(filling: Filling, car: Car | None) -> str:
    """Flaps are not cleared by speeds at which they do nothing."""
    unseen = has_flaps(car) and filling.place is not None and filling.place.split is None
    return "low_speeds_unseen" if unseen else ""


def _more(filling: Filling) -> str:
    """What would show the speeds that this drive did not; a healthy verdict holds for those seen."""
    if not filling.bands:
        return ""
    low, high = filling.bands[0].start, filling.bands[-1].start
    return " ".join(text for text, wanted in ((MORE_LOW, low >= LOW_SEEN), (MORE_HIGH, high < HIGH_SEEN)) if wanted)


def learnt_of(record: FillingRecord, filling: Filling) -> tuple[Measure, ...]:
    """Return the cells that later drives are compared with; a faulty drive leaves none."""
    cells = [
        Measure(cell(kind, band.start), value, "%")
        for band in filling.bands
        for kind, value in (("full", band.filling), ("share", band.share))
        if np.isfinite(value)
    ]
    if cells and record.pulls.warmth is not None:
        cells.append(Measure(INTAKE_AIR, record.pulls.warmth, "degC"))
    idle = record.idle
    if idle is not None and idle.pressure is not None:
        cells.append(Measure("idle_pressure", idle.pressure, "kPa"))
    if idle is not None and idle.filling is not None:
        cells.append(Measure("idle_filling", idle.filling, "%"))
    return tuple(cells)
