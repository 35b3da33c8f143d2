"""Pieces of a drive: what had been recorded by a certain time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from obdwatch.records import Drive, Signal


def until(drive: Drive, t: float) -> Drive:
    """Return the drive as it was known at `t` [s]: signals, codes, monitor results and marks up to then."""
    signals = {key: cut for key, signal in drive.signals.items() if len((cut := _until(signal, t)).times)}
    return replace(
        drive,
        signals=signals,
        codes=tuple(code for code in drive.codes if code.t <= t),
        monitors=tuple(result for result in drive.monitors if result.t <= t),
        freeze_frames=tuple(frame for frame in drive.freeze_frames if frame.t <= t),
        readiness=tuple(reading for reading in drive.readiness if reading.t <= t),
        marks=tuple(mark for mark in drive.marks if mark.t <= t),
    )


def _until(signal: Signal, t: float) -> Signal:
    end = int(np.searchsorted(signal.times, t, side="right"))
    return replace(signal, times=signal.times[:end], values=signal.values[:end])
