"""The whole pipeline, on one screen: a session file becomes a drive, the detectors judge it with what is known of the
car, and what they measured becomes the car's history.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from obdwatch.detectors import warm_up
from obdwatch.records import Car, Drive, Feature, Finding, History, Session
from obdwatch.signals.drives import load_drive

if TYPE_CHECKING:
    from obdwatch.logbook.logbook import Logbook

Detector = Callable[[Drive, Car | None, History], Finding]

# Every question that is asked of a drive, in the order in which the answers are read.
DETECTORS: tuple[Detector, ...] = (warm_up.detect,)


@dataclass(frozen=True, slots=True)
class Analysis:
    """What a drive says: the findings of every detector, and remarks on the recording and the profile."""

    session: Session
    car: Car | None
    findings: tuple[Finding, ...]
    remarks: tuple[str, ...]


def analyse_drive(drive: Drive, car: Car | None = None, history: History | None = None) -> Analysis:
    """Ask every detector about one drive; pure, and the same for a file, a stored session and a live one."""
    from obdwatch.signals.profile_check import contradictions

    known = history or History()
    findings = tuple(detect(drive, car, known) for detect in DETECTORS)
    remarks = (*drive.problems, *(contradictions(drive, car) if car is not None else ()))
    return Analysis(drive.session, car, findings, remarks)


def analyse_file(path: Path, car: Car | None = None, history: History | None = None) -> Analysis:
    """Analyse one session file. Raises SessionFileError."""
    return analyse_drive(load_drive(path), car, history)


def analyse_stored(logbook: Logbook, session_id: str, car: Car | None = None) -> Analysis:
    """Analyse a session of the logbook with its car and the car's earlier drives, and keep what was found."""
    drive = load_drive(logbook.path_of(session_id))
    drive = replace(drive, session=logbook.session(session_id))  # with the keeper's corrections
    car = car or (logbook.car(drive.session.car_id) if drive.session.car_id else None)
    analysis = analyse_drive(drive, car, logbook.history_before(drive.session.id))
    logbook.save_analysis(drive.session.id, analysis.findings, features_of(analysis))
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
        for measure in finding.measures
    )
