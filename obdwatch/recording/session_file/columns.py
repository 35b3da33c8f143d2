"""Packs records into the rows of the small tables and back.

Packing raises ValueError for what no file may hold; unpacking raises ValueError or TypeError for what no record may
hold, so that a doctored row is left out instead of believed.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from obdwatch.recording.session_file import schema
from obdwatch.recording.session_file.schema import State
from obdwatch.records import CodeKind, CodeReading, Mark, MarkKind, MonitorResult, Session


def real(value: float | None) -> float | None:
    """Return a number as SQLite keeps it; raises ValueError for one that is not finite."""
    if value is not None and not math.isfinite(value):
        raise ValueError(f"{value} is not a finite number")
    return None if value is None else float(value)


def session_columns(session: Session, state: State) -> tuple[object, ...]:
    """The row of the session table, checksum included; raises ValueError for a naive time or a number not finite."""
    supported = json.dumps({str(ecu): list(pids) for ecu, pids in session.supported.items()})
    known = (session.car_id, real(session.odometer_km), real(session.soak_hours), session.adapter, session.protocol)
    texts = (supported, session.origin, session.note, session.tool_version, str(state))
    return _checked((1, session.id, _time_text(session.started_at), *known, *texts))


def session_from(row: Sequence[object]) -> tuple[Session, State] | None:
    """The session in a row of the session table and its state; None where the row is damaged."""
    *columns, checksum = row
    try:
        if checksum != schema.row_checksum(columns):
            return None
        _, session_id, started_at, car_id, odometer_km, soak_hours, adapter, protocol, supported, *rest = columns
        origin, note, tool_version, state = rest
        session = Session(
            id=_text(session_id),
            started_at=None if started_at is None else _time(_text(started_at)),
            car_id=_optional_text(car_id),
            odometer_km=_optional_number(odometer_km),
            soak_hours=_optional_number(soak_hours),
            adapter=_optional_text(adapter),
            protocol=_optional_text(protocol),
            supported=_supported(_text(supported)),
            origin=_text(origin),
            note=_text(note),
            tool_version=_text(tool_version),
        )
        return session, State(_text(state))
    except (ValueError, TypeError, RecursionError):
        return None


def code_columns(reading: CodeReading) -> tuple[object, ...]:
    """The row of a trouble code."""
    return _checked((real(reading.t), str(reading.kind), reading.code, reading.ecu))


def code_from(t: object, kind: str, code: object, ecu: object) -> CodeReading:
    """The trouble code in a row."""
    return CodeReading(_number(t), CodeKind(kind), _text(code), _optional_integer(ecu))


def mark_columns(mark: Mark) -> tuple[object, ...]:
    """The row of a mark."""
    return _checked((real(mark.t), str(mark.kind), mark.text, real(mark.duration)))


def mark_from(t: object, kind: str, text: object, duration: object) -> Mark:
    """The mark in a row."""
    return Mark(_number(t), MarkKind(kind), _text(text), _number(duration))


def monitor_columns(result: MonitorResult) -> tuple[object, ...]:
    """The row of an on-board monitor test result."""
    scaled = (real(result.value), real(result.minimum), real(result.maximum))
    ids = (result.ecu, result.monitor, result.test, result.scaling)
    return _checked((real(result.t), *ids, *result.raw, *scaled, result.unit, int(result.completed)))


def monitor_from(t: object, ecu: object, monitor: object, test: object, scaling: object, *rest: Any) -> MonitorResult:
    """The on-board monitor test result in a row."""
    *numbers, unit, completed = rest
    raw, (value, minimum, maximum) = numbers[:3], numbers[3:]
    return MonitorResult(
        t=_number(t),
        ecu=_optional_integer(ecu),
        monitor=_integer(monitor),
        test=_integer(test),
        scaling=_integer(scaling),
        raw=(_integer(raw[0]), _integer(raw[1]), _integer(raw[2])),
        value=_optional_number(value),
        minimum=_optional_number(minimum),
        maximum=_optional_number(maximum),
        unit=_text(unit),
        completed=bool(_integer(completed)),
    )


def _checked(columns: tuple[object, ...]) -> tuple[object, ...]:
    return (*columns, schema.row_checksum(columns))


def _time_text(at: datetime | None) -> str | None:
    if at is None:
        return None
    if at.tzinfo is None:
        raise ValueError(f"{at} has no time zone")
    return at.astimezone(UTC).isoformat()


def _time(text: str) -> datetime:
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(f"{text} has no time zone")
    return at.astimezone(UTC)


def _supported(text: str) -> Mapping[int, tuple[int, ...]]:
    ecus = json.loads(text)
    if not isinstance(ecus, dict):
        raise TypeError(f"{text[:40]} is no JSON object")
    return {int(ecu): tuple(int(pid) for pid in pids) for ecu, pids in ecus.items()}


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{type(value).__name__} instead of a text")
    return value


def _optional_text(value: object) -> str | None:
    return None if value is None else _text(value)


def _number(value: object) -> float:
    if not isinstance(value, float) or not math.isfinite(value):
        raise TypeError("not a finite number")
    return value


def _optional_number(value: object) -> float | None:
    return None if value is None else _number(value)


def _integer(value: object) -> int:
    if not isinstance(value, int):
        raise TypeError(f"{type(value).__name__} instead of a whole number")
    return value


def _optional_integer(value: object) -> int | None:
    return None if value is None else _integer(value)
