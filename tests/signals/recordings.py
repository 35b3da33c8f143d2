"""Builds session contents and drives for the tests of this folder, as the session reader would return them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from obdwatch.recording.session_file import SessionContents
from obdwatch.records import (
    CodeReading,
    Drive,
    Exchange,
    FloatArray,
    MonitorResult,
    ReplyStatus,
    Session,
    Signal,
)

ENGINE, GEARBOX = 0x7E8, 0x7E9
Series = tuple[Sequence[float], Sequence[float]]


def answered(t: float, request: str, payload: str, ecu: int | None = ENGINE, latency: float = 0.0) -> Exchange:
    return Exchange(t, latency, bytes.fromhex(request), ecu, ReplyStatus.OK, bytes.fromhex(payload))


def voltage(t: float, text: bytes) -> Exchange:
    return Exchange(t, 0.0, b"ATRV", None, ReplyStatus.OK, text)


def contents_of(
    exchanges: Sequence[Exchange] = (),
    session: Session | None = None,
    samples: Mapping[str, tuple[FloatArray, FloatArray]] | None = None,
    codes: tuple[CodeReading, ...] = (),
    monitors: tuple[MonitorResult, ...] = (),
    problems: tuple[str, ...] = (),
) -> SessionContents:
    return SessionContents(
        session=session or Session("test", None),
        state=None,
        t=np.array([exchange.t for exchange in exchanges], dtype=np.float64),
        latency=np.array([exchange.latency for exchange in exchanges], dtype=np.float64),
        request=[exchange.request for exchange in exchanges],
        ecu=[exchange.ecu for exchange in exchanges],
        status=[exchange.status for exchange in exchanges],
        payload=[exchange.payload for exchange in exchanges],
        negative_code=[exchange.negative_code for exchange in exchanges],
        raw=[exchange.raw for exchange in exchanges],
        samples=samples or {},
        codes=codes,
        monitors=monitors,
        marks=(),
        problems=problems,
        last_row=len(exchanges),
    )


def drive_of(series: Mapping[str, Series], session: Session | None = None) -> Drive:
    """A drive with the given (times, values) by key."""
    signals = {
        key: Signal(key, "", np.array(times, dtype=np.float64), np.array(values, dtype=np.float64))
        for key, (times, values) in series.items()
    }
    return Drive(session or Session("test", None), signals)
