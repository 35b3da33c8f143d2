"""What only the keeper knows, as one JSON document: cars, events and corrections to sessions.

Everything else in a logbook comes back from the session files; this does not, so it can be carried away.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from obdwatch.car_profiles import car_from_mapping, car_to_mapping
from obdwatch.errors import InputError, LogbookError, ProfileError
from obdwatch.logbook import packing
from obdwatch.logbook.events import check_event
from obdwatch.records import Car, Event

FORMAT = 1
EVENT_FIELDS = ("car_id", "at", "kind", "odometer_km", "part", "answer", "note", "question")
EDIT_FIELDS = ("session_id", "car_id", "odometer_km", "soak_hours", "note")


@dataclass(frozen=True, slots=True)
class SessionEdit:
    """What the keeper corrected about a session; None where the session file stands."""

    session_id: str
    car_id: str | None = None
    odometer_km: float | None = None
    soak_hours: float | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class UserData:
    """Cars, events and corrections of a logbook."""

    cars: tuple[Car, ...]
    events: tuple[Event, ...]
    edits: tuple[SessionEdit, ...]


def to_json(data: UserData) -> str:
    """Write user data as a JSON document."""
    document = {
        "obdwatch_logbook": FORMAT,
        "cars": [car_to_mapping(car) for car in data.cars],
        "events": [dict(zip(EVENT_FIELDS, packing.event_columns(event), strict=True)) for event in data.events],
        "session_edits": [{name: getattr(edit, name) for name in EDIT_FIELDS} for edit in data.edits],
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def from_json(text: str) -> UserData:
    """Read what `to_json` wrote; raises LogbookError naming the entry that is wrong."""
    try:
        document = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as error:
        raise LogbookError(f"this is no exported logbook: no JSON ({error})") from error
    if not isinstance(document, dict) or not isinstance(document.get("obdwatch_logbook"), int):
        raise LogbookError("this is no exported logbook: it lacks the entry 'obdwatch_logbook'")
    if document["obdwatch_logbook"] > FORMAT:
        raise LogbookError("this logbook was exported by a newer obdwatch: update obdwatch")
    cars = [_car(entry, f"cars[{n}]") for n, entry in enumerate(_entries(document, "cars"))]
    events = [_event(entry, f"events[{n}]") for n, entry in enumerate(_entries(document, "events"))]
    edits = [_edit(entry, f"session_edits[{n}]") for n, entry in enumerate(_entries(document, "session_edits"))]
    return UserData(tuple(cars), tuple(events), tuple(edits))


def _entries(document: Mapping[str, Any], name: str) -> Sequence[Mapping[str, Any]]:
    entries = document.get(name, [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise LogbookError(f"the exported logbook is damaged: '{name}' must be a list of objects")
    return entries


def _car(entry: Mapping[str, Any], place: str) -> Car:
    try:
        return car_from_mapping(entry, place)
    except ProfileError as error:
        raise LogbookError(f"the exported logbook is damaged: {error}") from error


def _event(entry: Mapping[str, Any], place: str) -> Event:
    try:
        event = packing.event_of([*(entry.get(name) for name in EVENT_FIELDS), None])
    except (TypeError, ValueError) as error:
        raise LogbookError(f"the exported logbook is damaged: {place}: {error}") from error
    texts = (event.car_id, event.note)
    optional = (event.part, event.answer, event.question)
    if not all(isinstance(text, str) for text in texts) or not all(isinstance(t, str | None) for t in optional):
        raise LogbookError(f"the exported logbook is damaged: {place}: a text is missing")
    try:
        check_event(event)
    except InputError as error:
        raise LogbookError(f"the exported logbook is damaged: {place}: {error}") from error
    return event


def _edit(entry: Mapping[str, Any], place: str) -> SessionEdit:
    edit = SessionEdit(**{name: entry.get(name) for name in EDIT_FIELDS})  # type: ignore[arg-type]
    texts, numbers = (edit.car_id, edit.note), (edit.odometer_km, edit.soak_hours)
    sound = isinstance(edit.session_id, str) and all(isinstance(text, str | None) for text in texts)
    if not sound or not all(isinstance(number, int | float | None) for number in numbers):
        raise LogbookError(f"the exported logbook is damaged: {place} is no correction of a session")
    return edit
