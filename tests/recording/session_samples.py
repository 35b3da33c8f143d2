"""Sessions with known contents, for the tests of the session file."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from obdwatch.recording.session_file import SessionContents, SessionWriter
from obdwatch.records import (
    CodeKind,
    CodeReading,
    Exchange,
    Mark,
    MarkKind,
    MonitorResult,
    ReplyStatus,
    Session,
)

SESSION = Session(
    id="2026-01-05T070000-test-k7mq",
    started_at=datetime(2026, 1, 5, 7, 0, tzinfo=UTC),
    car_id="family-car",
    odometer_km=203_456.5,
    soak_hours=11.5,
    adapter="ELM327 v1.5",
    protocol="ISO 15765-4 (CAN 11/500)",
    supported={0x7E8: (0x0C, 0x0D), 0x7E9: (0x0C,)},
    note="frost, first start",
    tool_version="0.1.0",
)
EXCHANGES = (
    Exchange(0.0, 0.041, b"\x01\x0c", 0x7E8, ReplyStatus.OK, b"\x41\x0c\x1a\xf8"),
    Exchange(0.0, 0.043, b"\x01\x0c", 0x7E9, ReplyStatus.OK, b"\x41\x0c\x1a\xf4"),
    Exchange(0.05, 0.2, b"\x01\x0d", None, ReplyStatus.NO_DATA, raw="NO DATA"),
    Exchange(0.3, 0.04, b"\x0a", 0x7E8, ReplyStatus.NEGATIVE, negative_code=0x11, raw="7E8 03 7F 0A 11"),
    Exchange(0.4, 0.03, b"ATRV", None, ReplyStatus.OK, b"12.6V"),
)
CODE = CodeReading(0.5, CodeKind.PENDING, "P0171", 0x7E8)
MONITOR = MonitorResult(0.6, 0x7E8, 0xA2, 0x0B, 0x24, (3, 0, 0xFFFF), 3.0, 0.0, 65535.0, "count", True)
UNKNOWN_MONITOR = MonitorResult(0.7, None, 0xE1, 0x01, 0x7E, (1, 0, 2), None, None, None, "", True)
MARK = Mark(0.8, MarkKind.LINK_LOST, "the adapter is gone; plug it in again", 1.25)


def fill(writer: SessionWriter) -> None:
    """Write every kind of row there is."""
    for exchange in EXCHANGES:
        writer.exchange(exchange)
    writer.samples("coolant_temperature", [0.0, 1.0, 2.5], [20.0, 20.5, 21.0])
    writer.sample("coolant_temperature", 3.0, 21.5)
    writer.sample("engine_speed", 0.25, 812.0)
    writer.code(CODE)
    writer.monitor(MONITOR)
    writer.monitor(UNKNOWN_MONITOR)
    writer.mark(MARK)


def write_session(path: Path) -> Path:
    """Write and close a session with every kind of row."""
    with SessionWriter(path, SESSION) as writer:
        fill(writer)
    return path


def write_long_session(path: Path, exchanges: int = 2000) -> Path:
    """Write and close a session of many pages; exchange `n` is at `n / 10` s and holds `n` in its payload."""
    with SessionWriter(path, SESSION) as writer:
        for n in range(exchanges):
            writer.exchange(long_exchange(n))
        writer.samples("coolant_temperature", np.arange(500.0), np.arange(500.0) / 10)
        writer.mark(MARK)
    return path


def long_exchange(n: int) -> Exchange:
    payload = b"\x41\x0c" + n.to_bytes(3, "big")
    return Exchange(n / 10, 0.04, b"\x01\x0c", 0x7E8, ReplyStatus.OK, payload)


def doctor(path: Path, *statements: str) -> Path:
    """Change a file behind the program's back."""
    connection = sqlite3.connect(path)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()
    return path


def exchanges_of(contents: SessionContents) -> list[Exchange]:
    """The exchanges as records again."""
    columns = (contents.t, contents.latency, contents.request, contents.ecu, contents.status)
    rows = zip(*columns, contents.payload, contents.negative_code, contents.raw, strict=True)
    return [Exchange(float(row[0]), float(row[1]), *row[2:]) for row in rows]
