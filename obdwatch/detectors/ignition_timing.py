"""Does the engine still get the ignition advance it used to get, or has knock or a timing fault taken it away?

Advance is compared cell by cell of engine speed and load with the car's own earlier drives, heat of the intake air
allowed for. The first drive can only show what no sound engine does.
"""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.air_filling_judgement import has_cam_timing, judge
from obdwatch.detectors.air_filling_parts import parts_of
from obdwatch.detectors.air_filling_past import surface
from obdwatch.detectors.air_filling_record import prepare as prepare_filling
from obdwatch.detectors.cam_evidence import EXHAUST, INTAKE, CamEvidence, evidence_of
from obdwatch.detectors.heat_input import burns_lean
from obdwatch.detectors.ignition_timing_judgement import (
    LIGHT,
    LOADED,
    LOST,
    LOST_MUCH,
    TimingChange,
    TimingPattern,
    change_of,
    has_lost,
    impossible,
    lost_during,
)
from obdwatch.detectors.ignition_timing_record import TimingCell, TimingRecord, cells_of, prepare
from obdwatch.physics.order_statistics import median
from obdwatch.records import Car, Drive, Finding, History, Measure, Span, Urgency, Verdict

NAME = "ignition_timing"
USES: frozenset[str] = frozenset({"timing_advance", "engine_speed", "absolute_load", "calculated_load"})
"""Signals whose being wrong makes the verdict wrong."""

PARTS = ("spark_plugs", INTAKE, EXHAUST, "coolant_temperature_sensor", "maf_sensor", "head_gasket")
"""Parts whose repair starts a new baseline."""

DRIVE_TO_GET = {
    "diesel": "Nothing: this check is for petrol engines.",
    "signals_missing": "Record ignition advance, engine speed and calculated or absolute load.",
    "too_little_driving": "With the engine hot, drive ten minutes with some hills or brisk acceleration.",
    "no_load": "With the engine hot, on a clear road and within the speed limit, pull steadily from 2,000 to 4,000"
    " 1/min with the pedal well down, several times.",
}
"""What to drive or do, by what was missing."""

FEWEST_LOADED = 2
"""Loaded cells from which a drive can say that nothing impossible is to be seen."""


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the ignition advance of one drive; pure.

    The finding's `signature` is `lost_under_load`, `lost_everywhere`, `lost_during_drive`, `falls_with_speed`,
    `rises_with_load` or `late_under_load` for a fault; with not_enough_data one of `DRIVE_TO_GET`.
    """
    if burns_lean(drive, car):
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, "diesel", drive_to_get=DRIVE_TO_GET["diesel"])
    record = prepare(drive)
    if isinstance(record, str):
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, record, drive_to_get=DRIVE_TO_GET[record])
    cells = cells_of(record)
    intake = _intake(record)
    change = change_of(cells, surface(history, NAME, "advance_", PARTS), record.source, intake)
    measures = _measures(cells, change, intake)
    if change is not None and has_lost(change):
        return _lost(record, change, _accused(drive, car, history), car, measures)
    pattern = impossible(record, cells, _throttled_only(car)) or lost_during(record)
    if pattern is not None:
        return _pattern(record, pattern, evidence_of(drive, car), measures)
    learnt = _learnt(cells, record.source, intake) if evidence_of(drive, car).part is None else ()
    if sum(one.load >= LOADED for one in cells) < FEWEST_LOADED:
        text = DRIVE_TO_GET["no_load"]
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, "no_load", measures=measures, drive_to_get=text, learnt=learnt)
    return Finding(
        NAME,
        Verdict.HEALTHY,
        confidence=0.9 if change is not None else 0.5,
        measures=measures,
        spans=(_whole(record),),
        learnt=learnt,
    )


def _lost(
    record: TimingRecord,
    change: TimingChange,
    accused: str | None,
    car: Car | None,
    measures: tuple[Measure, ...],
) -> Finding:
    """Advance is lost against the car's own past; `accused` is a cam named elsewhere, "" where all are cleared."""
    everywhere = np.isfinite(change.light) and change.light >= LOST
    fitted = [INTAKE] if has_cam_timing(car) else []
    suspects = [*fitted, "coolant_temperature_sensor"] if everywhere else ["spark_plugs", *fitted]
    if accused == "":
        suspects = [part for part in suspects if part not in (INTAKE, EXHAUST)]
    urgency = Urgency.NEXT_SERVICE if change.loaded >= LOST_MUCH and not accused else Urgency.WATCH
    return Finding(
        NAME,
        Verdict.FAULT,
        "lost_everywhere" if everywhere else "lost_under_load",
        urgency,
        round(min(0.95, 0.7 + 0.03 * (change.loaded / change.error - 4.0)), 3),
        parts=tuple(dict.fromkeys([*([accused] if accused else []), *suspects])),
        measures=measures,
        spans=(_whole(record),),
    )


def _accused(drive: Drive, car: Car | None, history: History) -> str | None:
    """Return the cam that the car itself or missing air names, "" where the car's own tests clear all of them."""
    cams = evidence_of(drive, car)
    if cams.part is not None or cams.cleared:
        return cams.part or ""
    filling = judge(prepare_filling(drive, car), car, history)
    first = parts_of(filling, cams, car, drive)[0] if filling.where and has_cam_timing(car) else None
    return first if first in (INTAKE, EXHAUST) else None


def _pattern(record: TimingRecord, pattern: TimingPattern, cams: CamEvidence, measures: tuple[Measure, ...]) -> Finding:
    accused = () if cams.part is None else (cams.part,)
    suspects = ("spark_plugs",) if pattern.signature in ("late_under_load", "lost_during_drive") else ()
    return Finding(
        NAME,
        Verdict.FAULT,
        pattern.signature,
        Urgency.WATCH,
        0.6,
        parts=(*accused, *suspects),
        measures=(Measure("advance_off_by", pattern.by, "deg"), *measures),
        spans=(_whole(record),),
    )


def _throttled_only(car: Car | None) -> bool:
    """Whether there is certainly no charger: a charged engine runs late at low speed and full load by design."""
    return car is not None and car.induction == "naturally_aspirated"


def _intake(record: TimingRecord) -> float:
    """Intake air under load [degC], NaN where it is not known."""
    hot = record.intake[(record.load >= LOADED) & np.isfinite(record.intake)]
    return median(hot) if len(hot) else float("nan")


def _whole(record: TimingRecord) -> Span:
    loaded = record.times[record.load >= LOADED]
    times = loaded if len(loaded) else record.times
    return Span(float(times[0]), float(times[-1]), "under load")


def _measures(cells: tuple[TimingCell, ...], change: TimingChange | None, intake: float) -> tuple[Measure, ...]:
    shown = [Measure("cells_seen", float(len(cells)), "")]
    for name, chosen in (
        ("advance_under_load", [one for one in cells if one.load >= LOADED]),
        ("advance_at_light_load", [one for one in cells if one.load <= LIGHT]),
    ):
        if chosen:
            values = [one.advance for one in chosen]
            shown.append(Measure(name, median(values), "deg", (min(values), max(values))))
    if np.isfinite(intake):
        shown.append(Measure("intake_air_under_load", intake, "degC"))
    if change is not None:
        about = 1.96 * change.error
        interval = (change.loaded - about, change.loaded + about)
        shown.append(Measure("advance_lost_under_load", change.loaded, "deg", interval, (-LOST, LOST)))
        shown.append(Measure("cells_compared", float(change.cells), ""))
        shown.append(Measure("own_history_drives", float(change.drives), ""))
        if np.isfinite(change.light):
            shown.append(Measure("advance_lost_at_light_load", change.light, "deg", None, (-LOST, LOST)))
    return tuple(shown)


def _learnt(cells: tuple[TimingCell, ...], source: str, intake: float) -> tuple[Measure, ...]:
    about = [(one, 1.96 * one.error) for one in cells]
    learnt = [
        Measure(one.name(source), one.advance, "deg", (one.advance - off, one.advance + off)) for one, off in about
    ]
    if np.isfinite(intake):
        learnt.append(Measure("advance_intake_air", intake, "degC"))
    return tuple(learnt)
