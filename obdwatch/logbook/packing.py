"""How records become columns and JSON of the logbook, and records again."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from functools import lru_cache
from sys import intern
from typing import Any

from obdwatch.car_profiles import car_from_mapping, car_to_mapping
from obdwatch.errors import LogbookError
from obdwatch.records import (
    Car,
    Event,
    EventKind,
    Feature,
    Finding,
    Measure,
    Session,
    Span,
    Urgency,
    Verdict,
)

OTHER_VERSION = "a finding in the logbook was written by another version; analyse its drive again"


def moment_text(moment: datetime) -> str:
    """Return a moment as text of fixed width in UTC, so that texts sort by time."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


@lru_cache(maxsize=1024)  # the features of a drive all carry its one date
def moment_of(text: str | None) -> datetime | None:
    """Return a moment from its text."""
    return datetime.fromisoformat(text).astimezone(UTC) if text is not None else None


def car_text(car: Car) -> str:
    """Return a car as JSON."""
    return json.dumps(car_to_mapping(car), ensure_ascii=False)


def car_of(text: str) -> Car:
    """Return a car from JSON."""
    return car_from_mapping(json.loads(text), "logbook")


def event_columns(event: Event) -> tuple[Any, ...]:
    """Return an event as `database.EVENT_COLUMNS`."""
    stamp = moment_text(event.at)
    return (
        event.car_id,
        stamp,
        str(event.kind),
        event.odometer_km,
        event.part,
        event.answer,
        event.note,
        event.question,
    )


def event_of(row: Sequence[Any]) -> Event:
    """Return an event from `database.EVENT_COLUMNS` and its number."""
    car_id, at, kind, odometer_km, part, answer, note, question, number = row
    moment = datetime.fromisoformat(at)
    return Event(car_id, moment, EventKind(kind), odometer_km, part, answer, note, number, question)


def session_columns(session: Session, path: str, size: int, modified: int) -> tuple[Any, ...]:
    """Return a session as `database.SESSION_COLUMNS`; `modified` is the file's time stamp [ns]."""
    started_at = moment_text(session.started_at) if session.started_at is not None else None
    supported = json.dumps({str(ecu): list(pids) for ecu, pids in session.supported.items()})
    known: tuple[Any, ...] = (session.id, path, session.car_id, started_at, session.odometer_km, session.soak_hours)
    known += (session.adapter, session.protocol, supported, session.origin, session.note, session.tool_version)
    return (*known, size, modified)


def session_of(row: Sequence[Any]) -> Session:
    """Return a session from `database.SESSION_COLUMNS`."""
    number, _, car_id, started_at, odometer_km, soak_hours, adapter, protocol, supported, origin, note, version = row[
        :12
    ]
    pids = {int(ecu): tuple(found) for ecu, found in json.loads(supported).items()}
    start = moment_of(started_at)
    return Session(number, start, car_id, odometer_km, soak_hours, adapter, protocol, pids, origin, note, version)


def feature_columns(feature: Feature) -> tuple[Any, ...]:
    """Return a feature as `database.FEATURE_COLUMNS`; date and odometer are those of its session."""
    low, high = feature.interval if feature.interval is not None else (None, None)
    numbers = (feature.value, feature.unit, low, high, int(feature.healthy))
    return (feature.session_id, feature.detector, feature.name, *numbers)


def feature_of(row: Sequence[Any]) -> Feature:
    """Return a feature from `database.FEATURE_COLUMNS`, start and odometer of its session.

    The words are kept once for all features that share them: a history holds the same two hundred from every drive.
    """
    session_id, detector, name, value, unit, low, high, healthy, started_at, odometer_km = row
    interval = (low, high) if low is not None and high is not None else None
    at = moment_of(started_at)
    session_id, detector, name, unit = map(intern, (session_id, detector, name, unit))
    return Feature(session_id, detector, name, value, unit, interval, at, odometer_km, bool(healthy))


def remarks_text(remarks: Sequence[str]) -> str:
    """Return remarks as JSON."""
    return json.dumps(list(remarks), ensure_ascii=False)


def remarks_of(text: str) -> tuple[str, ...]:
    """Return remarks from JSON."""
    return tuple(str(remark) for remark in json.loads(text))


def finding_text(finding: Finding) -> str:
    """Return a finding as JSON."""
    return json.dumps(asdict(finding), ensure_ascii=False)


@lru_cache(maxsize=1024)  # there are as many as detectors and verdicts, and each comes with every drive
def answer_of(detector: str, verdict: str) -> Finding:
    """Return a finding with detector and verdict alone; raises LogbookError for one that another version wrote."""
    try:
        return Finding(detector, Verdict(verdict))
    except ValueError as error:
        raise LogbookError(OTHER_VERSION) from error


@lru_cache(maxsize=4096)  # those of some 250 drives, about 30 MB: pages ask for the same ones again and again
def finding_of(text: str) -> Finding:
    """Return a finding from JSON; raises LogbookError for one that another version wrote."""
    document: dict[str, Any] = json.loads(text)
    try:
        urgency = document["urgency"]
        lists = {name: tuple(document[name]) for name in ("reasons", "parts", "cautions")}
        special = {
            "verdict": Verdict(document["verdict"]),
            "urgency": Urgency(urgency) if urgency is not None else None,
            "measures": tuple(_measure(entry) for entry in document["measures"]),
            "spans": tuple(Span(**entry) for entry in document["spans"]),
            "learnt": tuple(_measure(entry) for entry in document.get("learnt", ())),
        }
        return Finding(**(document | lists | special))
    except (KeyError, TypeError, ValueError) as error:
        raise LogbookError(OTHER_VERSION) from error


def _measure(entry: Mapping[str, Any]) -> Measure:
    interval, expected = entry["interval"], entry["expected"]
    return Measure(
        entry["name"],
        entry["value"],
        entry["unit"],
        tuple(interval) if interval is not None else None,
        tuple(expected) if expected is not None else None,
    )
