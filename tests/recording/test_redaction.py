"""A redacted copy keeps what measures the car and nothing that tells whose car it is."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from obdwatch.recording.redaction import redact
from obdwatch.recording.session_file import SessionWriter, read_session
from obdwatch.records import CodeKind, CodeReading, Exchange, Mark, MarkKind, ReplyStatus, Session
from obdwatch.signals.drives import load_drive

VIN = "0X96B30V6SZ870928"  # invented; no maker has this world maker identifier
ECU = 0x7E8


def ok(t: float, request: bytes, payload: bytes) -> Exchange:
    return Exchange(t, 0.04, request, ECU, ReplyStatus.OK, payload)


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "2026-03-01T071000-family-car-abcd.obdw"
    session = Session(
        id=path.stem, started_at=datetime(2026, 3, 1, 7, 10, 5, tzinfo=UTC), car_id="family-car", odometer_km=163800.0,
        adapter="ELM327 v2.2 serial 998877", note="to Aunt Wren's", supported={ECU: (0x05, 0x0C)},
    )  # fmt: skip
    with SessionWriter(path, session) as writer:
        writer.exchange(ok(0.0, b"\x09\x02", b"\x49\x02\x01" + VIN.encode()))
        writer.exchange(ok(0.1, b"\x09\x04", b"\x49\x04\x01" + b"CAL-SERIAL-00042"))
        writer.exchange(ok(0.2, b"\x09\x0a", b"\x49\x0a\x01" + b"ECM\x00-EngineOfWren".ljust(20, b"\x00")))
        hexadecimal = VIN.encode().hex(" ").upper()
        writer.exchange(Exchange(0.3, 1.0, b"\x01\x05", None, ReplyStatus.WRONG_REPLY, raw=f"49 02 01 {hexadecimal}"))
        writer.exchange(ok(0.5, b"\x01\x05\x0c", b"\x41\x05\x7b\x0c\x1a\xf8"))
        writer.exchange(ok(0.6, b"\x09\x00", b"\x49\x00\x54\x40\x00\x00"))
        writer.exchange(Exchange(0.7, 0.01, b"ATRV", None, ReplyStatus.OK, b"12.6V"))
        writer.exchange(Exchange(0.8, 0.01, b"AT@2", None, ReplyStatus.OK, b"SERIAL998877"))
        writer.samples("latitude", np.array([0.0, 1.0]), np.array([48.1, 48.2]))
        writer.samples("vehicle_speed", np.array([0.0, 1.0]), np.array([30.0, 31.0]))
        writer.code(CodeReading(0.5, CodeKind.STORED, "P0128", ECU))
        writer.mark(Mark(0.5, MarkKind.RECONNECT, "/dev/serial/by-id/adapter-998877"))
        writer.mark(Mark(0.6, MarkKind.NOTE, "parked at Wren's"))
        writer.mark(Mark(0.9, MarkKind.END, "stopped"))
    return path


def test_nothing_that_identifies_is_left_in_the_file(recording: Path, tmp_path: Path) -> None:
    data = redact(recording, tmp_path / "copy.obdw").read_bytes()
    secrets = (VIN, VIN.encode().hex(), VIN.encode().hex().upper(), VIN.encode().hex(" ").upper())
    others = ("998877", "Wren", "family-car", "CAL-SERIAL", "latitude", "07:10", "T0710", "/dev/")
    for secret in (*secrets, *others):
        assert secret.encode() not in data, secret
    assert VIN.encode() in recording.read_bytes()  # the search would have found it


def test_what_measures_the_car_stays(recording: Path, tmp_path: Path) -> None:
    before, after = load_drive(recording), load_drive(redact(recording, tmp_path / "copy.obdw"))
    assert set(after.signals) == set(before.signals) - {"latitude"}
    assert after.signals["coolant_temperature"].values.tolist() == [83.0]
    assert after.signals["adapter_voltage"].values.tolist() == [12.6]
    assert [code.code for code in after.codes] == ["P0128"]
    assert after.session.odometer_km == before.session.odometer_km
    assert after.session.started_at == datetime(2026, 3, 1, tzinfo=UTC)
    assert all(unit.vin is None and unit.calibration_ids == () for unit in after.vehicle)


def test_the_original_is_left_alone(recording: Path, tmp_path: Path) -> None:
    data = recording.read_bytes()
    redact(recording, tmp_path / "copy.obdw")
    assert recording.read_bytes() == data


def test_marks_keep_their_place_and_lose_their_names(recording: Path, tmp_path: Path) -> None:
    marks = read_session(redact(recording, tmp_path / "copy.obdw")).marks
    assert [(mark.kind, mark.text) for mark in marks] == [
        (MarkKind.RECONNECT, ""), (MarkKind.NOTE, ""), (MarkKind.END, "stopped"),
    ]  # fmt: skip
