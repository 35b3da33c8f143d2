"""The whole pipeline, on one screen: a session file becomes a drive, the detectors judge it with what is known of the
car, and what they measured becomes the car's history.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from obdwatch.detectors import (
    air_filling,
    cam_timing,
    catalyst,
    charging,
    cooling,
    cranking,
    fuel_trims,
    idle_quality,
    ignition_timing,
    misfire,
    monitor_results,
    oxygen_sensors,
    rationality,
    trends,
    warm_up,
)
from obdwatch.detectors.renewal import since_renewal
from obdwatch.detectors.withheld import withheld
from obdwatch.records import Car, Drive, Feature, Finding, History, Session
from obdwatch.signals.drives import load_drive
from obdwatch.signals.orderly import orderly

if TYPE_CHECKING:
    from obdwatch.logbook.logbook import Logbook

Detector = Callable[[Drive, Car | None, History], Finding]


@dataclass(frozen=True, slots=True)
class Question:
    """A detector, and the signals its verdict rests on: where one of them cannot be trusted, it is not asked."""

    name: str
    detect: Detector
    uses: frozenset[str]


# Every question that is asked of a drive, between `rationality`, which says what can be believed, and `trends`, which
# reads what the others measured; in the order in which the answers are read.
DETECTORS: tuple[Question, ...] = tuple(
    Question(module.NAME, module.detect, module.USES)
    for module in (
        warm_up,
        cooling,
        fuel_trims,
        air_filling,
        ignition_timing,
        cam_timing,
        misfire,
        cranking,
        charging,
        oxygen_sensors,
        catalyst,
        idle_quality,
        monitor_results,
    )
)


@dataclass(frozen=True, slots=True)
class Analysis:
    """What a drive says: the findings of every detector, and remarks on the recording and the profile."""

    session: Session
    car: Car | None
    findings: tuple[Finding, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class KnownDrive:
    """A drive, and what is known of its car before it."""

    drive: Drive
    car: Car | None = None
    history: History = field(default_factory=History)


def recall(logbook: Logbook, name: str, car: Car | None = None) -> KnownDrive:
    """Return a session of the logbook with the keeper's corrections, its car (unless given) and the car's history.

    Raises LogbookError or SessionFileError.
    """
    session = logbook.session(name)
    drive = replace(load_drive(logbook.path_of(session.id)), session=session)
    known = car or (logbook.car(session.car_id) if session.car_id else None)
    return KnownDrive(drive, known, logbook.history_before(session.id))


def analyse_drive(drive: Drive, car: Car | None = None, history: History | None = None) -> Analysis:
    """Ask every detector about one drive; pure, and the same for a file, a stored session and a live one.

    What earlier drives told of a part that has since been renewed is not used. Of a drive that does not hang together
    the longest part is judged, and a remark says so.
    """
    from obdwatch.signals.profile_check import contradictions

    drive, known = orderly(drive), since_renewal(history or History())
    sensors, doubts = rationality.judge(drive, car)
    asked = [withheld(question.detect(drive, car, known), question.uses, doubts) for question in DETECTORS]
    findings = (sensors, *asked, trends.detect_with(drive, car, known, (sensors, *asked)))
    remarks = (*drive.problems, *(contradictions(drive, car) if car is not None else ()))
    return Analysis(drive.session, car, findings, remarks)


def analyse_file(path: Path, car: Car | None = None, history: History | None = None) -> Analysis:
    """Analyse one session file. Raises SessionFileError."""
    return analyse_drive(load_drive(path), car, history)


def analyse_stored(logbook: Logbook, session_id: str, car: Car | None = None) -> Analysis:
    """Analyse a session of the logbook with its car and the car's earlier drives, and keep what was found."""
    from obdwatch.driven_drives import DrivenDrives

    known = recall(logbook, session_id, car)
    analysis = analyse_drive(known.drive, known.car, known.history)
    name = known.drive.session.id
    logbook.save_analysis(name, analysis.findings, features_of(analysis))
    DrivenDrives(logbook.directory).of(name, logbook.path_of(name), lambda: known.drive)  # kept for later comparisons
    return analysis


def features_of(analysis: Analysis) -> tuple[Feature, ...]:
    """Turn what the detectors measured into the car's history."""
    session = analysis.session
    return tuple(
        Feature(
            session_id=session.id,
            detector=finding.detector,
            name=measure.name,
            value=measure.value,
            unit=measure.unit,
            interval=measure.interval,
            at=session.started_at,
            odometer_km=session.odometer_km,
            healthy=finding.verdict == "healthy",
        )
        for finding in analysis.findings
        for measure in (*finding.measures, *finding.learnt)
    )
